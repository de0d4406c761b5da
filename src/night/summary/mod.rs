//! A night in a few lines.

mod tally;
mod text;

pub use tally::Tally;

use crate::polar::across::Across;
use crate::track::Row;
use std::collections::BTreeMap;

/// Counts and ranges of a night.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Summary {
    /// Frames that show the sky and were put through the solver.
    pub lights: usize,
    /// Of these, solved.
    pub solved: usize,
    /// Of these, without a position, by diagnosis code.
    pub unsolved: BTreeMap<String, usize>,
    /// Frames that could not be read.
    pub faults: usize,
    /// Dark, flat and bias frames.
    pub calibration: [usize; 3],
    /// One for each camera and target, in the order of their first frames.
    pub runs: Vec<RunSummary>,
    /// What the fields say of the mount, by camera; only where there are several.
    pub mounts: Vec<Across>,
}

/// The solved frames of one camera and target.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RunSummary {
    /// The camera.
    pub camera: String,
    /// The target; empty where nobody names it.
    pub target: String,
    /// Solved frames.
    pub solved: usize,
    /// From the first centre to the last.
    pub drift: Option<Drift>,
    /// Smallest and largest pointing error, arcmin.
    pub error_arcmin: Option<[f64; 2]>,
    /// Median width of the stars, pixels.
    pub fwhm_px: Option<f64>,
    /// The same on the sky.
    pub fwhm_arcsec: Option<f64>,
}

/// How far the centre moved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// Angle on the sky, arcmin.
    pub arcmin: f64,
    /// Direction, north through east, degrees.
    pub position_angle_deg: f64,
    /// Time between the two, hours, where both are dated.
    pub hours: Option<f64>,
}

impl Summary {
    /// Of `rows`, in the order of the frames.
    pub fn of(rows: &[Row]) -> Summary {
        let mut tally = Tally::default();
        rows.iter().for_each(|row| tally.add(row));
        tally.summary()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::track::{FrameKind, RowStatus};

    fn solved(target: &str, dec_deg: f64, jd: f64) -> Row {
        Row {
            camera: "c".into(),
            target: Some(target.into()),
            status: RowStatus::Solved,
            ra_deg: Some(10.0),
            dec_deg: Some(dec_deg),
            commanded_ra_deg: Some(10.0),
            commanded_dec_deg: Some(20.0),
            mid_jd_utc: Some(jd),
            fwhm_px: Some(2.0),
            scale_arcsec_per_px: Some(1.5),
            ..Row::default()
        }
    }

    #[test]
    fn counts_and_ranges() {
        let dark = Row {
            kind: FrameKind::Dark,
            status: RowStatus::NotALight,
            ..Row::default()
        };
        let cloud = Row {
            diagnosis_code: Some("cloud".into()),
            ..Row::default()
        };
        // Not in the order of time.
        let rows = [
            solved("M 1", 20.5, 2_460_000.5),
            solved("M 1", 20.1, 2_460_000.25),
            dark.clone(),
            dark,
            cloud,
            solved("M 2", 20.0, 2_460_000.6),
        ];
        let summary = Summary::of(&rows);
        assert_eq!(
            (summary.lights, summary.solved, summary.calibration),
            (4, 3, [2, 0, 0])
        );
        assert_eq!(summary.runs.len(), 2);
        let drift = summary.runs[0].drift.unwrap();
        assert!((drift.arcmin - 24.0).abs() < 1e-6 && drift.position_angle_deg.abs() < 1e-6);
        assert_eq!(drift.hours, Some(6.0));
        let text = summary.to_string();
        for part in [
            "3 frames solved of 4; unsolved: 1 cloud",
            "left alone: 2 darks",
            "M 1, c: 2 frames",
            "24.0 arcmin north from first to last, in 6.00 h: 4.00 arcmin per hour",
            "pointing error  6.0 to 30.0 arcmin",
            "2.00 px = 3.0 arcsec",
        ] {
            assert!(text.contains(part), "{part} is not in\n{text}");
        }
    }
}
