//! A summary, added up frame by frame.

use super::{Drift, RunSummary, Summary};
use crate::mount::pointing_error;
use crate::polar::across::{Across, across};
use crate::robust::median;
use crate::track::{FrameKind, PierSide, Row, RowStatus, analyse};

/// A mount that tracks at all drifts by less in a night: this is another target, which no header
/// names.
pub(super) const SENT_ELSEWHERE_ARCMIN: f64 = 180.0;

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
