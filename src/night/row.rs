//! The row of a frame: what the analysis of a night and its reports need of it.

use super::facts::Facts;
use crate::frame::{Clues, Frame};
use crate::mount::CommandedPosition;
use crate::report::Record;
use crate::report::objects::in_words;
use crate::report::record::FrameStatus;
use crate::track::{FrameKind, Row, RowStatus};

/// The row of a frame that was read and put through the solver. `file` is relative to the
/// night's folder, `clues` are the claims that were used (empty where the header is ignored).
///
/// What comes from header keywords that are no clues (target, filter, temperatures) is the
/// caller's to add.
pub fn row_of_frame(
    file: String,
    camera: String,
    frame: &Frame,
    clues: &Clues,
    commanded: Option<&CommandedPosition>,
    record: &Record,
) -> Row {
    let pixels = |n: usize| u32::try_from(n).ok();
    let commanded_deg = commanded.and_then(|c| c.icrs_deg);
    Row {
        mid_jd_utc: clues.mid_jd_utc,
        exposure_s: clues.exposure_s,
        latitude_deg: clues.site.map(|s| s.latitude_deg),
        longitude_deg: clues.site.map(|s| s.longitude_deg),
        width_px: pixels(frame.width),
        height_px: pixels(frame.height),
        commanded_ra_deg: commanded_deg.map(|c| c[0]),
        commanded_dec_deg: commanded_deg.map(|c| c[1]),
        equinox_assumed: commanded.is_some_and(|c| c.equinox_assumed),
        ..row_of_record(file, camera, record)
    }
}

/// The row of a record alone: a frame that could not be read, above all.
pub fn row_of_record(file: String, camera: String, record: &Record) -> Row {
    let count = |n: usize| u32::try_from(n).ok();
    let quality = record.quality.as_ref();
    let centre = record.centre.as_ref();
    let diagnosis = record.diagnosis.as_ref();
    Row {
        file,
        camera,
        status: match record.status {
            FrameStatus::Solved => RowStatus::Solved,
            FrameStatus::Unsolved => RowStatus::Unsolved,
            FrameStatus::Error => RowStatus::Error,
        },
        reason: record.reason.clone(),
        diagnosis_code: diagnosis.map(|d| d.code.to_owned()),
        diagnosis: diagnosis.map(|d| d.sentence.clone()),
        next: diagnosis.map(|d| d.next.clone()).unwrap_or_default(),
        cautions: record.cautions.clone(),
        shows: record.objects.as_deref().and_then(in_words),
        ra_deg: centre.map(|c| c.ra_deg),
        dec_deg: centre.map(|c| c.dec_deg),
        uncertainty_arcsec: centre.map(|c| c.uncertainty_arcsec),
        scale_arcsec_per_px: record.scale_arcsec_per_px,
        rotation_deg: record.rotation_deg,
        mirrored: record.mirrored,
        stars_detected: record.stars.detected.and_then(count),
        stars_matched: record.stars.matched.and_then(count),
        rms_arcsec: record.stars.rms_arcsec,
        log10_chance: record.log10_chance_of_false_match,
        fwhm_px: record.stars.fwhm_px,
        hfd_px: quality.and_then(|q| q.hfd_px),
        elongation: quality.and_then(|q| q.elongation),
        elongation_angle_deg: quality.and_then(|q| q.elongation_angle_deg),
        elongation_position_angle_deg: quality.and_then(|q| q.elongation_position_angle_deg),
        sky_level: quality.map(|q| q.sky_level),
        sky_noise: quality.map(|q| q.sky_noise),
        limiting_flux: quality.and_then(|q| q.limiting_flux),
        limiting_magnitude: quality.and_then(|q| q.limiting_magnitude),
        saturated_share: quality.map(|q| q.saturated_share),
        ..Row::default()
    }
}

/// The row of a frame that was made to calibrate the camera, by its header alone.
pub(super) fn row_of_calibration(file: String, facts: &Facts, kind: FrameKind) -> Row {
    let (size, clues) = match &facts.frame {
        Some((size, clues)) => (Some(*size), Some(clues)),
        None => (None, None),
    };
    let pixels = |axis: usize| size.and_then(|size| u32::try_from(size[axis]).ok());
    let mut row = Row {
        file,
        camera: camera(facts, size),
        kind,
        status: RowStatus::NotALight,
        mid_jd_utc: clues.and_then(|clues| clues.mid_jd_utc),
        exposure_s: clues.and_then(|clues| clues.exposure_s),
        width_px: pixels(0),
        height_px: pixels(1),
        ..Row::default()
    };
    facts.put_into(&mut row);
    row
}

impl Facts {
    /// Adds what a report shows beside a frame.
    pub(super) fn put_into(&self, row: &mut Row) {
        row.target = self.target.clone();
        row.filter = self.filter.clone();
        row.sensor_c = self.sensor_c;
        row.air_c = self.air_c;
        row.pressure_hpa = self.pressure_hpa;
        row.pier_side = self.pier_side;
    }
}

/// What tells the frames of one camera from those of another: its name, the size of the frame,
/// the focal length.
pub(super) fn camera(facts: &Facts, size: Option<[usize; 2]>) -> String {
    let focal_mm = facts
        .frame
        .as_ref()
        .and_then(|(_, clues)| clues.focal_length_mm);
    let parts = [
        facts.camera.clone(),
        size.map(|[width, height]| format!("{width} x {height} px")),
        focal_mm.map(|mm| format!("{mm:.0} mm")),
    ];
    let known: Vec<String> = parts.into_iter().flatten().collect();
    known.join(", ")
}
