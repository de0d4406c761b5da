//! Between which fields the mount's zeros were set anew (a sync, a target centred by hand), and
//! between which somebody turned the camera a little.

use super::fit::{Fit, settle};
use super::layout::{ANYTHING, Layout};
use super::linear::{Look, lines, solve};
use super::stops::Stop;
use nalgebra::{DMatrix, DVector, Vector3};

/// Logarithm of the odds from which on a break counts as seen: twenty to one.
const SEEN: f64 = 3.0;
/// Odds of a break before any field, before anything is known, and by how much zeros or turn then
/// change, radians. Common practice: zeros are set anew every now and then, and rarely a camera is
/// touched.
const ODDS: [f64; 2] = [0.1, 0.02];
const CHANGE: [f64; 2] = [20.0 / 3437.75, 2.0 / 57.3];
/// Breaks that are looked for, at most.
const MOST: usize = 40;
/// Two fields as near as this to each other, degrees and minutes, that the mount misses by amounts
/// which differ by more than this, radians: no error of a mount changes so fast.
const NEAR_DEG: f64 = 2.0;
const NEAR_MIN: f64 = 60.0;
const JUMP: f64 = 4.0 / 3437.75;

/// The kinds of breaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Break {
    Zeros,
    Grip,
}

/// A break more than a fit has: what it makes of the numbers, and what speaks for it.
#[derive(Debug, Clone)]
pub struct Alternative {
    /// With the break.
    pub layout: Layout,
    /// The numbers that follow.
    pub numbers: DVector<f64>,
    /// Their covariance.
    pub covariance: DMatrix<f64>,
    /// Logarithm of its odds against none.
    pub ln_odds: f64,
}

/// The fit with the breaks that are plainly there, and what one more would make of it.
pub fn find(stops: &[Stop], zenith: Vector3<f64>, look: Look) -> Option<(Fit, Vec<Alternative>)> {
    let grip = stops.iter().map(|s| s.grip).collect();
    let layout = Layout::new(stops, near_jumps(stops, look), grip);
    let mut fit = settle(stops, zenith, &layout, look)?;
    for _ in 0..MOST {
        let others = alternatives(stops, zenith, look, &fit)?;
        let best = others.iter().max_by(|a, b| a.ln_odds.total_cmp(&b.ln_odds));
        let Some(best) = best.filter(|best| best.ln_odds > SEEN) else {
            return Some((fit, others));
        };
        fit = settle(stops, zenith, &best.layout, look)?;
    }
    Some((fit, Vec::new()))
}

/// Zeros set anew between fields that lie side by side.
fn near_jumps(stops: &[Stop], look: Look) -> Vec<usize> {
    let mut group = 0;
    let mut before: Option<(&Stop, [f64; 2])> = None;
    let number = |stop| {
        let missed = look.reading.and_then(|reading| missed(stop, reading));
        if let (Some(now), Some((other, then))) = (missed, before) {
            let apart_deg = stop.seen[0][0].angle(&other.seen[0][0]).to_degrees();
            let jump = (now[0] - then[0]).hypot(now[1] - then[1]);
            let near = apart_deg < NEAR_DEG && stop.minutes - other.minutes < NEAR_MIN;
            group += usize::from(near && stop.flipped == other.flipped && jump > JUMP);
        }
        before = missed.map(|now| (stop, now)).or(before);
        group
    };
    stops.iter().map(number).collect()
}

/// By how much a field was missed, hour angle (times the cosine of Dec) and declination, radians.
fn missed(stop: &Stop, reading: usize) -> Option<[f64; 2]> {
    let [hour, dec] = stop.sent[reading]?;
    let [seen_hour, seen_dec] = stop.place();
    let off = super::stops::wrapped(seen_hour - hour) * seen_dec.cos();
    Some([off, seen_dec - dec])
}

/// What a break before each field would make of a fit.
fn alternatives(
    stops: &[Stop],
    zenith: Vector3<f64>,
    look: Look,
    fit: &Fit,
) -> Option<Vec<Alternative>> {
    let lines = lines(stops, zenith, &fit.layout, look, &fit.numbers);
    let plain = solve(&lines, &fit.layout, look, &fit.numbers, fit.scale, false)?;
    let before = plain.squares(&lines, &fit.layout, &fit.numbers, fit.scale);
    let places = (1..stops.len()).flat_map(|at| [(at, Break::Zeros), (at, Break::Grip)]);
    let one = |(at, which): (usize, Break)| {
        let layout = broken(stops, look, &fit.layout, at, which)?;
        let numbers = layout.carry(&fit.layout, &fit.numbers);
        let solved = solve(&lines, &layout, look, &numbers, fit.scale, false)?;
        let after = solved.squares(&lines, &layout, &numbers, fit.scale);
        let gain = before.iter().sum::<f64>() - after.iter().sum::<f64>();
        let kind = usize::from(which == Break::Grip);
        // The scatter is not known: as it is integrated over, the likelihood is a power of the sum of
        // squares. What is usual counts for a value of it.
        let rest = after[kind] + fit.scale[kind].powi(-2);
        let likelier = 0.5 * fit.freedom[kind] * (1.0 + gain.max(0.0) / rest).ln();
        // What the new numbers could have been, against what they are (Occam's factor).
        let wider = solved.ln_room() - plain.ln_room()
            + (layout.free_numbers() - fit.layout.free_numbers()) * (ANYTHING / CHANGE[kind]).ln();
        Some(Alternative {
            numbers: &numbers + &solved.step,
            covariance: solved.inverse,
            layout,
            ln_odds: likelier + wider + ODDS[kind].ln(),
        })
    };
    Some(places.filter_map(one).collect())
}

/// With a break before the field `at`; `None` where it makes no difference.
fn broken(stops: &[Stop], look: Look, layout: &Layout, at: usize, which: Break) -> Option<Layout> {
    let counts = |stop: &Stop| match which {
        Break::Zeros => look
            .reading
            .is_some_and(|reading| stop.sent[reading].is_some()),
        Break::Grip => look.turn && stop.turn_counts,
    };
    let old = match which {
        Break::Zeros => &layout.group,
        Break::Grip => &layout.grip,
    };
    let same = |i: &usize| old[*i] == old[at] && counts(&stops[*i]);
    let [before, behind] = [0..at, at..stops.len()].map(|part| part.filter(same).count());
    // A break before a field that has nothing to say is one before the next.
    if before == 0 || behind == 0 || !counts(&stops[at]) || old[at - 1] != old[at] {
        return None;
    }
    let new: Vec<usize> = (0..stops.len())
        .map(|i| old[i] + usize::from(i >= at))
        .collect();
    Some(match which {
        Break::Zeros => Layout::new(stops, new, layout.grip.clone()),
        Break::Grip => Layout::new(stops, layout.group.clone(), new),
    })
}
