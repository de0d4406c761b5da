//! Between which fields the mount's zeros were set anew (a sync, a target centred by hand), and
//! between which somebody turned the camera a little.

use super::fit::{Fit, Layout, Look, lines, settle, solve};
use super::stops::Stop;
use super::tails::chance_of_share;
use nalgebra::Vector3;

/// Chance at which a break is seen where there is none, all places together.
const CHANCE: f64 = 0.01;
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

/// The layout with its breaks, and the fit that follows.
pub fn find(stops: &[Stop], zenith: Vector3<f64>, look: Look) -> Option<Fit> {
    let grip = stops.iter().map(|s| s.grip).collect();
    let layout = Layout::new(stops, near_jumps(stops, look), grip);
    let mut fit = settle(stops, zenith, &layout, look)?;
    for _ in 0..MOST {
        let Some(next) = best_break(stops, zenith, look, &fit) else {
            break;
        };
        fit = settle(stops, zenith, &next, look)?;
    }
    Some(fit)
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

/// The layout with one break more, where one is plainly there.
fn best_break(stops: &[Stop], zenith: Vector3<f64>, look: Look, fit: &Fit) -> Option<Layout> {
    let lines = lines(stops, zenith, &fit.layout, look, &fit.numbers);
    let plain = solve(&lines, &fit.layout, look, &fit.numbers, fit.scale, false)?;
    let before = plain.squares(&lines, &fit.layout, &fit.numbers, fit.scale);
    let mut candidates = Vec::new();
    for at in 1..stops.len() {
        for which in [Break::Zeros, Break::Grip] {
            if let Some(layout) = broken(stops, look, &fit.layout, at, which) {
                candidates.push((layout, which));
            }
        }
    }
    let places = candidates.len() as f64;
    let judged = candidates.into_iter().filter_map(|(layout, which)| {
        let numbers = layout.carry(&fit.layout, &fit.numbers);
        let solved = solve(&lines, &layout, look, &numbers, fit.scale, false)?;
        let after = solved.squares(&lines, &layout, &numbers, fit.scale);
        let kind = usize::from(which == Break::Grip);
        let gain = before.iter().sum::<f64>() - after.iter().sum::<f64>();
        // What the usual scatter counts for.
        let rest = after[kind] + fit.scale[kind].powi(-2);
        let freedom = solved.freedom()[kind] + 1.0;
        let chance = chance_of_share(rest / (rest + gain.max(0.0)), 2.0, freedom);
        Some((chance, layout))
    });
    let (chance, layout) = judged.min_by(|a, b| a.0.total_cmp(&b.0))?;
    (chance * places < CHANCE).then_some(layout)
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
