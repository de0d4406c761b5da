//! A night in a few lines.

use crate::mount::{compass_word, pointing_error};
use crate::polar::across::{Across, across};
use crate::report::mount::{open, told};
use crate::robust::median;
use crate::track::{FrameKind, PierSide, Row, RowStatus, analyse};
use std::collections::BTreeMap;
use std::fmt;

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

/// A summary in the making: keeps three hundred bytes of a frame, so that a night of thousands needs no
/// more memory than one of a few.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// Counts so far; `runs` is empty.
    counts: Summary,
    groups: Vec<Group>,
    frames: usize,
}

/// The solved frames of one camera and target.
#[derive(Debug, Clone)]
struct Group {
    camera: String,
    target: String,
    frames: Vec<Brief>,
}

/// What a summary needs of a solved frame.
#[derive(Debug, Clone, Copy)]
struct Brief {
    mid_jd_utc: Option<f64>,
    centre_deg: Option<[f64; 2]>,
    error_arcmin: Option<f64>,
    fwhm_px: Option<f64>,
    fwhm_arcsec: Option<f64>,
    held: Held,
}

/// What it needs of it to judge the mount.
#[derive(Debug, Clone, Copy)]
struct Held {
    uncertainty_arcsec: Option<f64>,
    rotation_deg: Option<f64>,
    mirrored: Option<bool>,
    scale_arcsec_per_px: Option<f64>,
    size_px: [Option<u32>; 2],
    commanded_deg: Option<[f64; 2]>,
    equinox_assumed: bool,
    pier_side: Option<PierSide>,
    site_deg: [Option<f64>; 2],
    air: [Option<f64>; 2],
}

impl Tally {
    /// Adds a frame; the order is that of the frames.
    pub fn add(&mut self, row: &Row) {
        self.frames += 1;
        let counts = &mut self.counts;
        match row.status {
            RowStatus::NotALight => match row.kind {
                FrameKind::Dark => counts.calibration[0] += 1,
                FrameKind::Flat => counts.calibration[1] += 1,
                FrameKind::Bias => counts.calibration[2] += 1,
                FrameKind::Light => {}
            },
            RowStatus::Error => counts.faults += 1,
            RowStatus::Unsolved => {
                let code = row.diagnosis_code.as_deref().unwrap_or("unknown");
                *counts.unsolved.entry(code.to_owned()).or_default() += 1;
            }
            RowStatus::Solved => {
                counts.solved += 1;
                self.group(row).frames.push(Brief::of(row));
            }
        }
    }

    fn group(&mut self, row: &Row) -> &mut Group {
        let target = row.target.as_deref().unwrap_or("");
        let is_its = |group: &Group| group.camera == row.camera && group.target == target;
        let at = self.groups.iter().position(is_its).unwrap_or_else(|| {
            self.groups.push(Group {
                camera: row.camera.clone(),
                target: target.to_owned(),
                frames: Vec::new(),
            });
            self.groups.len() - 1
        });
        &mut self.groups[at]
    }

    /// Number of frames so far.
    pub fn frames(&self) -> usize {
        self.frames
    }

    /// The summary of what was added.
    pub fn summary(&self) -> Summary {
        let counts = self.counts.clone();
        Summary {
            lights: counts.solved + counts.unsolved.values().sum::<usize>(),
            runs: self.groups.iter().map(Group::summary).collect(),
            mounts: self.mounts(),
            ..counts
        }
    }

    fn mounts(&self) -> Vec<Across> {
        if self.groups.len() < 2 && self.groups.iter().all(Group::is_one_field) {
            return Vec::new();
        }
        let rows: Vec<Row> = self.groups.iter().flat_map(Group::rows).collect();
        across(&rows, &analyse(&rows))
    }
}

impl Brief {
    fn of(row: &Row) -> Brief {
        let error = row.pointing_error();
        Brief {
            mid_jd_utc: row.mid_jd_utc,
            centre_deg: row.centre_deg(),
            error_arcmin: error.map(|error| error.separation_deg * 60.0),
            fwhm_px: row.fwhm_px,
            fwhm_arcsec: row.fwhm_px.zip(row.scale_arcsec_per_px).map(|(w, s)| w * s),
            held: Held::of(row),
        }
    }
}

impl Held {
    fn of(row: &Row) -> Held {
        Held {
            uncertainty_arcsec: row.uncertainty_arcsec,
            rotation_deg: row.rotation_deg,
            mirrored: row.mirrored,
            scale_arcsec_per_px: row.scale_arcsec_per_px,
            size_px: [row.width_px, row.height_px],
            commanded_deg: row.commanded_deg(),
            equinox_assumed: row.equinox_assumed,
            pier_side: row.pier_side,
            site_deg: [row.latitude_deg, row.longitude_deg],
            air: [row.pressure_hpa, row.air_c],
        }
    }
}

impl Group {
    /// Within the sky that a mount drifts over at most.
    fn is_one_field(&self) -> bool {
        let mut centres = self.frames.iter().filter_map(|frame| frame.centre_deg);
        let first = centres.next();
        first.is_none_or(|first| {
            let apart = |centre| pointing_error(first, centre).separation_deg * 60.0;
            centres.all(|centre| apart(centre) < SENT_ELSEWHERE_ARCMIN)
        })
    }

    /// The frames as far as the mount is concerned.
    fn rows(&self) -> Vec<Row> {
        let row = |frame: &Brief| Row {
            camera: self.camera.clone(),
            target: Some(self.target.clone()).filter(|t| !t.is_empty()),
            status: RowStatus::Solved,
            mid_jd_utc: frame.mid_jd_utc,
            ra_deg: frame.centre_deg.map(|c| c[0]),
            dec_deg: frame.centre_deg.map(|c| c[1]),
            uncertainty_arcsec: frame.held.uncertainty_arcsec,
            rotation_deg: frame.held.rotation_deg,
            mirrored: frame.held.mirrored,
            scale_arcsec_per_px: frame.held.scale_arcsec_per_px,
            width_px: frame.held.size_px[0],
            height_px: frame.held.size_px[1],
            commanded_ra_deg: frame.held.commanded_deg.map(|c| c[0]),
            commanded_dec_deg: frame.held.commanded_deg.map(|c| c[1]),
            equinox_assumed: frame.held.equinox_assumed,
            pier_side: frame.held.pier_side,
            latitude_deg: frame.held.site_deg[0],
            longitude_deg: frame.held.site_deg[1],
            pressure_hpa: frame.held.air[0],
            air_c: frame.held.air[1],
            ..Row::default()
        };
        self.frames.iter().map(row).collect()
    }

    fn summary(&self) -> RunSummary {
        let mut by_time = self.frames.clone();
        if by_time.iter().all(|frame| frame.mid_jd_utc.is_some()) {
            let jd = |frame: &Brief| frame.mid_jd_utc.unwrap_or_default();
            by_time.sort_by(|a, b| jd(a).total_cmp(&jd(b)));
        }
        let errors = || self.frames.iter().filter_map(|frame| frame.error_arcmin);
        RunSummary {
            camera: self.camera.clone(),
            target: self.target.clone(),
            solved: self.frames.len(),
            drift: drift(&by_time),
            error_arcmin: errors()
                .reduce(f64::min)
                .zip(errors().reduce(f64::max))
                .map(<[f64; 2]>::from),
            fwhm_px: median(self.frames.iter().filter_map(|f| f.fwhm_px)),
            fwhm_arcsec: median(self.frames.iter().filter_map(|f| f.fwhm_arcsec)),
        }
    }
}

fn drift(by_time: &[Brief]) -> Option<Drift> {
    let (first, last) = match by_time {
        [first, .., last] => (first, last),
        _ => return None,
    };
    let moved = pointing_error(first.centre_deg?, last.centre_deg?);
    Some(Drift {
        arcmin: moved.separation_deg * 60.0,
        position_angle_deg: moved.position_angle_deg,
        hours: last
            .mid_jd_utc
            .zip(first.mid_jd_utc)
            .map(|(last, first)| (last - first) * 24.0),
    })
}

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "{}", count(self.solved, "frame"))?;
        write!(f, " solved of {}", self.lights)?;
        let unsolved: Vec<String> = self
            .unsolved
            .iter()
            .map(|(code, number)| format!("{number} {code}"))
            .collect();
        if !unsolved.is_empty() {
            write!(f, "; unsolved: {}", unsolved.join(", "))?;
        }
        if self.faults > 0 {
            write!(f, "; not readable: {}", self.faults)?;
        }
        writeln!(f)?;
        let kinds: Vec<String> = ["dark", "flat", "bias frame"]
            .iter()
            .zip(self.calibration)
            .filter(|(_, number)| *number > 0)
            .map(|(kind, number)| count(number, kind))
            .collect();
        if !kinds.is_empty() {
            writeln!(f, "left alone: {}", kinds.join(", "))?;
        }
        for run in &self.runs {
            write!(f, "{run}")?;
        }
        self.mounts.iter().try_for_each(|mount| of_mount(mount, f))
    }
}

fn of_mount(mount: &Across, f: &mut fmt::Formatter) -> fmt::Result {
    writeln!(
        f,
        "Mount{}: {} on {}",
        if mount.camera.is_empty() {
            String::new()
        } else {
            format!(", {}", mount.camera)
        },
        count(mount.frames, "frame"),
        count(mount.fields, "field")
    )?;
    for (name, says) in told(mount) {
        writeln!(f, "  {:<16}{says}", name.to_lowercase())?;
    }
    open(mount)
        .iter()
        .try_for_each(|says| writeln!(f, "  {says}"))
}

/// `1 dark`, `3 darks`.
fn count(number: usize, what: &str) -> String {
    match number {
        1 => format!("1 {what}"),
        _ => format!("{number} {what}s"),
    }
}

/// A mount that tracks at all drifts by less in a night: this is another target, which no header
/// names.
const SENT_ELSEWHERE_ARCMIN: f64 = 180.0;

impl fmt::Display for RunSummary {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let names: Vec<&str> = [self.target.as_str(), self.camera.as_str()]
            .into_iter()
            .filter(|name| !name.is_empty())
            .collect();
        if names.is_empty() {
            writeln!(f, "{}", count(self.solved, "frame"))?;
        } else {
            writeln!(f, "{}: {}", names.join(", "), count(self.solved, "frame"))?;
        }
        if let Some(drift) = self.drift {
            let direction = compass_word(drift.position_angle_deg);
            let sent = drift.arcmin > SENT_ELSEWHERE_ARCMIN;
            write!(
                f,
                "  {:<15} {:.1} arcmin {direction} from first to last",
                if sent { "sent elsewhere" } else { "drift" },
                drift.arcmin
            )?;
            match drift.hours.filter(|hours| *hours > 0.0 && !sent) {
                Some(hours) => writeln!(
                    f,
                    ", in {hours:.2} h: {:.2} arcmin per hour",
                    drift.arcmin / hours
                )?,
                None => writeln!(f)?,
            }
        }
        if let Some([least, most]) = self.error_arcmin {
            writeln!(f, "  pointing error  {least:.1} to {most:.1} arcmin")?;
        }
        if let Some(px) = self.fwhm_px {
            let on_sky = self
                .fwhm_arcsec
                .map_or(String::new(), |a| format!(" = {a:.1} arcsec"));
            writeln!(f, "  star width      {px:.2} px{on_sky} (FWHM, median)")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
