//! From what the caller said and what the frame claims to what the solver is asked.

use super::Known;
use super::claims::{CLOSE_DEG, FAR_DEG, FOCAL_FACTORS};
use crate::fit::DateVerdict;
use crate::frame::Clues;
use crate::mount::{CommandedPosition, DateDoubt, Moment, date_doubt, separation_deg};
use crate::search::{Commanded, Lenses, Request};
use crate::solve::Guess;
use crate::sphere::arcsec_per_px;

/// What one frame is asked, and what reports need to know about the question.
#[derive(Debug, Clone)]
pub struct Plan {
    /// For the solver, apart from the time limit.
    pub request: Request,
    /// Readings of the commanded position, likeliest first; empty: none.
    commanded: Vec<CommandedPosition>,
    /// Mid-exposure, as far as the frame's date is believed.
    pub moment: Option<Moment>,
    /// Mid-exposure as the frame states it, where that is not believed, and why not.
    pub unbelieved: Option<(Moment, Option<DateDoubt>)>,
    /// What should be said about the question itself.
    pub remarks: Vec<String>,
}

impl Plan {
    /// Combines options and clues; options come first.
    pub fn new(known: &Known, clues: &Clues) -> Plan {
        let mut remarks = clues.remarks.clone();
        let moment = clues.mid_jd_utc.and_then(Moment::from_jd_utc);
        if let (Some(jd), None) = (clues.mid_jd_utc, moment) {
            remarks.push(format!(
                "The frame's date (JD {jd:.1}) cannot be right and is not used."
            ));
        }
        let stated = moment;
        let doubt = stated.as_ref().and_then(date_doubt);
        let moment = moment.filter(|_| doubt.is_none());
        let positions = positions(known, clues, moment.as_ref());
        let starts = positions.iter().map(|position| {
            let [ra_deg, dec_deg] = position.start_deg();
            Commanded { ra_deg, dec_deg }
        });
        let starts = distinct(starts, known.within_deg.is_some());
        if known.within_deg.is_some() && starts.is_empty() {
            remarks.push("--within had nothing to count from: no position is known.".into());
        }
        let request = Request {
            starts,
            within_deg: known.within_deg,
            scales_arcsec_per_px: scales(known, clues, &mut remarks),
            epoch_jyear: stated.map(|m| m.julian_year()),
            epoch_doubtful: doubt.is_some(),
            time_limit: None,
            lenses: Lenses::Usual,
        };
        Plan {
            request,
            commanded: mount_positions(known, clues, moment.as_ref()),
            moment,
            unbelieved: stated.filter(|_| doubt.is_some()).map(|s| (s, doubt)),
            remarks,
        }
    }

    /// Takes over what the stars of a solved frame say of its date.
    pub fn settle(&mut self, known: &Known, clues: &Clues, verdict: DateVerdict) {
        let stated = self.moment.or(self.unbelieved.map(|(moment, _)| moment));
        let doubt = self.unbelieved.and_then(|(_, doubt)| doubt);
        let believed = verdict == DateVerdict::Believed;
        if believed == self.moment.is_some() {
            return;
        }
        self.moment = stated.filter(|_| believed);
        self.unbelieved = stated.filter(|_| !believed).map(|moment| (moment, doubt));
        self.commanded = mount_positions(known, clues, self.moment.as_ref());
    }

    /// False for a guess outside the bounds of the search.
    pub fn allows(&self, guess: &Guess) -> bool {
        let Some(within_deg) = self.request.within_deg else {
            return true;
        };
        let distance = |start: &Commanded| {
            let start = [start.ra_deg, start.dec_deg];
            separation_deg(start, [guess.ra_deg, guess.dec_deg])
        };
        let starts = &self.request.starts;
        starts.is_empty() || starts.iter().any(|start| distance(start) <= within_deg)
    }

    /// The commanded position to report, given where the frame was found.
    ///
    /// The likeliest reading, unless the frame lies far from it and close to another: then the
    /// other was meant (hours for degrees, as a rule), and a remark says so.
    pub fn commanded(&mut self, found_deg: Option<[f64; 2]>) -> Option<CommandedPosition> {
        let likeliest = self.commanded.first()?;
        let distance = |position: &CommandedPosition, found_deg: [f64; 2]| {
            separation_deg(position.start_deg(), found_deg)
        };
        let other = found_deg
            .filter(|found| distance(likeliest, *found) > FAR_DEG)
            .and_then(|found| {
                self.commanded
                    .iter()
                    .find(|position| distance(position, found) < CLOSE_DEG)
            });
        let Some(other) = other else {
            return Some(likeliest.clone());
        };
        self.remarks.push(format!(
            "The frame lies far from its header's {} and close to {}: the latter is taken for \
             the commanded position.",
            likeliest.source, other.source
        ));
        Some(other.clone())
    }
}

/// The starts without those that an earlier one covers: the spiral around that passes them in its
/// first rings. Where the search is bounded every start counts, since each has bounds of its own.
fn distinct(starts: impl Iterator<Item = Commanded>, bounded: bool) -> Vec<Commanded> {
    /// A third of the way to where header positions begin to contradict each other.
    const COVERED_DEG: f64 = 0.3;
    let mut kept: Vec<Commanded> = Vec::new();
    for start in starts {
        let covered = kept.iter().any(|k| {
            let apart_deg = separation_deg([k.ra_deg, k.dec_deg], [start.ra_deg, start.dec_deg]);
            apart_deg < COVERED_DEG
        });
        if bounded || !covered {
            kept.push(start);
        }
    }
    kept
}

/// Readings of the commanded position. A WCS in the header says where an earlier solution, or a
/// guess, put the frame: a start for the search, and nothing that a mount was told.
fn mount_positions(
    known: &Known,
    clues: &Clues,
    moment: Option<&Moment>,
) -> Vec<CommandedPosition> {
    let mut all = positions(known, clues, moment);
    all.retain(|position| !position.source.starts_with("CRVAL"));
    all
}

/// Where a search may begin.
fn positions(known: &Known, clues: &Clues, moment: Option<&Moment>) -> Vec<CommandedPosition> {
    let stated = known.equinox;
    match known.commanded(moment) {
        Some(position) => vec![position],
        None => clues
            .positions
            .iter()
            .map(|clue| CommandedPosition::from_clue(clue, stated, moment))
            .collect(),
    }
}

/// Claimed scales, likeliest first: `--scale`, then focal length with pixel size (the header
/// lends the one that is missing), then the header's own, then what they would be behind a
/// common reducer or extender.
fn scales(known: &Known, clues: &Clues, remarks: &mut Vec<String>) -> Vec<f64> {
    let mut scales: Vec<f64> = known.scale_arcsec_per_px.into_iter().collect();
    if known.focal_length_mm.is_some() || known.pixel_size_um.is_some() {
        let focal_mm = known.focal_length_mm.or(clues.focal_length_mm);
        let pixel_um = known.pixel_size_um.or(clues.pixel_size_um);
        match (focal_mm, pixel_um) {
            (Some(focal_mm), Some(pixel_um)) => {
                scales.push(arcsec_per_px(pixel_um, focal_mm));
            }
            (Some(_), None) => remarks.push(
                "--focal-length says nothing without --pixel-size, which the frame lacks too."
                    .into(),
            ),
            _ => remarks.push(
                "--pixel-size says nothing without --focal-length, which the frame lacks too."
                    .into(),
            ),
        }
    }
    scales.extend(clues.scales.iter().map(|clue| clue.arcsec_per_px));
    scales.retain(|scale| scale.is_finite() && *scale > 0.0);
    // `--scale` means the scale.
    if let (Some(first), None) = (scales.first().copied(), known.scale_arcsec_per_px) {
        scales.extend(FOCAL_FACTORS.map(|factor| first / factor));
    }
    scales
}
