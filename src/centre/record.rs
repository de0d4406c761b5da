//! The JSON object of a run, schema `nightfix.centre/1`; `centre.schema.json` beside this file
//! describes it for machines.

use super::{End, Fault, Side, Tried};
use crate::report::rounding::{decimals, turn};
use serde::Serialize;

/// Name and number of the schema.
pub const SCHEMA: &str = "nightfix.centre/1";

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum CentreStatus {
    /// The target is in the middle.
    Centred,
    /// It is not, and more of the same would not bring it there.
    Off,
    /// A rule forbids the motion.
    Refused,
    /// Mount, camera, server or nightfix itself failed.
    Fault,
    /// Somebody asked to end.
    Ended,
}

/// An ICRS position.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Position {
    /// Right ascension.
    pub ra_deg: f64,
    /// Declination.
    pub dec_deg: f64,
}

impl Position {
    fn new([ra_deg, dec_deg]: [f64; 2]) -> Position {
        Position {
            ra_deg: turn(ra_deg, 6),
            dec_deg: decimals(dec_deg, 6),
        }
    }
}

/// One solved frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TryRecord {
    /// The frame's centre.
    pub found: Position,
    /// From there to the target.
    pub off_arcmin: f64,
    /// Where the mount took itself to point.
    pub reported: Position,
    /// The side of the pier that it reported.
    pub pier_side: Option<Side>,
    /// The mount was synced to the frame.
    pub synced: bool,
    /// From the frame's arrival to the command for the next slew, or to the end.
    pub thought_s: f64,
}

/// The object that `nightfix centre --json` prints.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CentreRecord {
    /// [`SCHEMA`].
    pub schema: &'static str,
    /// How the run ended.
    pub status: CentreStatus,
    /// Why the target is not in the middle.
    pub reason: Option<String>,
    /// The mount was seen to stand after motion was aborted; null where nothing was aborted.
    pub stopped: Option<bool>,
    /// What was to be centred.
    pub target: Position,
    /// The latest frame's centre; null where no frame was solved.
    pub found: Option<Position>,
    /// From there to the target.
    pub off_arcmin: Option<f64>,
    /// Within this it counts as centred.
    pub within_arcmin: Option<f64>,
    /// Slews that were made.
    pub slews: u32,
    /// The solved frames in order.
    pub tries: Vec<TryRecord>,
}

impl CentreRecord {
    /// Of a run for this ICRS position, degrees; `Err`: it did not begin.
    pub fn new(target_deg: [f64; 2], end: &Result<End, Fault>) -> CentreRecord {
        let (outcome, not_stopped, report) = match end {
            Ok(end) => (
                end.outcome.as_ref().err(),
                end.not_stopped.as_ref(),
                Some(&end.report),
            ),
            Err(fault) => (Some(fault), None, None),
        };
        let tries = report.map_or(&[][..], |report| &report.tries[..]);
        let latest = tries.last();
        CentreRecord {
            schema: SCHEMA,
            status: status(outcome, not_stopped),
            reason: outcome.map(|fault| match not_stopped {
                Some(not_stopped) => format!("{fault}; {not_stopped}"),
                None => fault.to_string(),
            }),
            stopped: end.as_ref().ok().and_then(|end| end.stopped()),
            target: Position::new(target_deg),
            found: latest.map(|tried| Position::new(tried.found_deg)),
            off_arcmin: latest.map(|tried| decimals(tried.off_arcmin, 3)),
            within_arcmin: latest.map(|tried| decimals(tried.within_arcmin, 3)),
            slews: report.map_or(0, |report| report.slews),
            tries: tries.iter().map(one_try).collect(),
        }
    }

    /// The object on one line.
    ///
    /// # Errors
    ///
    /// Never for a record that was made here; the signature is that of `serde_json`.
    pub fn to_json_line(&self) -> serde_json::Result<String> {
        serde_json::to_string(self)
    }
}

fn status(outcome: Option<&Fault>, not_stopped: Option<&Fault>) -> CentreStatus {
    match (outcome, not_stopped) {
        (_, Some(_)) | (Some(Fault::Device(_)), None) => CentreStatus::Fault,
        (Some(Fault::Refused(_)), None) => CentreStatus::Refused,
        (Some(Fault::NotCentred(_)), None) => CentreStatus::Off,
        (Some(Fault::Interrupted), None) => CentreStatus::Ended,
        (None, None) => CentreStatus::Centred,
    }
}

fn one_try(tried: &Tried) -> TryRecord {
    TryRecord {
        found: Position::new(tried.found_deg),
        off_arcmin: decimals(tried.off_arcmin, 3),
        reported: Position::new(tried.reported_deg),
        pier_side: tried.side,
        synced: tried.synced,
        thought_s: decimals(tried.thought_s, 3),
    }
}
