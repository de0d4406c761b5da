//! Offsets from the target, drift rates and unrest of each run.

use super::causes::Motion;
use super::periodic::{Periodic, periodic as search};
use super::row::Row;
use super::runs::Span;
use super::{Estimate, Run};
use crate::mount::pointing_error;
use crate::robust::{Line, line, median, scatter};

/// Where a frame's centre lies as seen from its run's reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Offset {
    /// Number of the run.
    pub run: usize,
    /// Towards east: RA times cos Dec, arcmin.
    pub east_arcmin: f64,
    /// Towards north, arcmin.
    pub north_arcmin: f64,
    /// The same in pixels of the frame.
    pub east_px: f64,
    /// Towards north, pixels of the frame.
    pub north_px: f64,
    /// How far the content of the frame has moved to the right of the displayed frame, pixels.
    pub content_right_px: f64,
    /// How far it has moved up, pixels.
    pub content_up_px: f64,
}

/// Rates of a run, with standard errors. Two frames have a rate and no error: NaN.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// Right ascension times cos Dec, arcsec per minute, east positive.
    pub ra_arcsec_per_min: Estimate,
    /// Declination, arcsec per minute.
    pub dec_arcsec_per_min: Estimate,
    /// Position angle of 'up' on the displayed frame, arcmin per hour, north through east.
    pub rotation_arcmin_per_h: Estimate,
    /// Pixels per minute, both axes together.
    pub px_per_min: f64,
    /// Change of the position angle over the run, degrees.
    pub rotated_deg: f64,
    /// Largest distance between the line and a frame, arcsec: how far the drift is from steady.
    pub bend_arcsec: f64,
}

/// Jumps from frame to frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unrest {
    /// Scatter per axis about the motion of the neighbours, arcsec.
    pub arcsec: f64,
    /// The same in pixels.
    pub px: f64,
    /// Share of the steps that stand out from quiet ones, 0 to 1.
    pub jumps: f64,
    /// Far above what the solver's errors explain, in steps that stand out or in all: dither, or
    /// a mount that settles anew for every frame.
    pub stands_out: bool,
}

/// Makes a run of a span and enters its frames' offsets.
pub fn run(span: Span, rows: &[Row], offsets: &mut [Option<Offset>]) -> Run {
    let number = offsets
        .iter()
        .flatten()
        .map(|o| o.run + 1)
        .max()
        .unwrap_or(0);
    let first = span.frames.first().map(|i| &rows[*i]);
    let centre = first.and_then(Row::centre_deg).unwrap_or([0.0; 2]);
    // A commanded position in another part of the sky is a slip, or of another day.
    let commanded = first
        .and_then(Row::commanded_deg)
        .filter(|c| pointing_error(*c, centre).separation_deg < 5.0);
    let reference_deg = commanded.unwrap_or(centre);
    for i in span.frames.iter().chain(&span.strays) {
        offsets[*i] = offset(&rows[*i], reference_deg, number);
    }
    let jd = |i: Option<&usize>| i.and_then(|i| rows[*i].mid_jd_utc).unwrap_or(0.0);
    Run {
        target: common(span.frames.iter().map(|i| rows[*i].target.as_deref())),
        drift: drift(&span.frames, rows, offsets),
        unrest: unrest(&span.frames, rows, offsets),
        span_jd: [jd(span.frames.first()), jd(span.frames.last())],
        camera: span.camera,
        begins: span.begins,
        frames: span.frames,
        strays: span.strays,
        reference_deg,
        from_commanded: commanded.is_some(),
        periodic: Periodic::TooFew,
    }
}

fn common<'a>(mut names: impl Iterator<Item = Option<&'a str>>) -> Option<String> {
    let first = names.next()??;
    names.all(|n| n == Some(first)).then(|| first.to_owned())
}

fn offset(row: &Row, reference_deg: [f64; 2], run: usize) -> Option<Offset> {
    let error = pointing_error(reference_deg, row.centre_deg()?);
    let (east, north) = (60.0 * error.east_deg(), 60.0 * error.north_deg());
    let px = 60.0 / row.scale_arcsec_per_px?;
    let (sin, cos) = row.rotation_deg?.to_radians().sin_cos();
    // With north up, right is west; mirrored, it is east. What the frame gains in one direction
    // its content moves in the other.
    let hand = if row.mirrored? { 1.0 } else { -1.0 };
    let right = hand * (east * cos - north * sin);
    let up = east * sin + north * cos;
    Some(Offset {
        run,
        east_arcmin: east,
        north_arcmin: north,
        east_px: px * east,
        north_px: px * north,
        content_right_px: -px * right,
        content_up_px: -px * up,
    })
}

fn minutes(rows: &[Row], frames: &[usize]) -> Vec<f64> {
    let jd = |i: &usize| rows[*i].mid_jd_utc.unwrap_or(0.0);
    let start = frames.first().map_or(0.0, jd);
    frames.iter().map(|i| 1440.0 * (jd(i) - start)).collect()
}

fn drift(frames: &[usize], rows: &[Row], offsets: &[Option<Offset>]) -> Option<Drift> {
    let minutes = minutes(rows, frames);
    let series = |value: fn(&Offset) -> f64| -> Option<Vec<f64>> {
        frames
            .iter()
            .map(|i| Some(value(offsets[*i].as_ref()?)))
            .collect()
    };
    let east: Vec<f64> = series(|o| 60.0 * o.east_arcmin)?;
    let north: Vec<f64> = series(|o| 60.0 * o.north_arcmin)?;
    let mut turn: Vec<f64> = Vec::with_capacity(frames.len());
    for i in frames {
        let angle = 60.0 * rows[*i].rotation_deg?;
        let before = turn.last().copied().unwrap_or(angle);
        turn.push(before + (angle - before + 10_800.0).rem_euclid(21_600.0) - 10_800.0);
    }
    let [ra, dec, rotation] = [
        line(&minutes, &east)?,
        line(&minutes, &north)?,
        line(&minutes, &turn)?,
    ];
    let rate = |line: Line, factor: f64| Estimate {
        value: factor * line.slope,
        error: factor * line.slope_error.unwrap_or(f64::NAN),
    };
    let scale = median(frames.iter().filter_map(|i| rows[*i].scale_arcsec_per_px))?;
    let off = |i: usize| {
        let e = east[i] - ra.intercept - ra.slope * minutes[i];
        let n = north[i] - dec.intercept - dec.slope * minutes[i];
        e.hypot(n)
    };
    Some(Drift {
        ra_arcsec_per_min: rate(ra, 1.0),
        dec_arcsec_per_min: rate(dec, 1.0),
        rotation_arcmin_per_h: rate(rotation, 60.0),
        px_per_min: ra.slope.hypot(dec.slope) / scale,
        rotated_deg: rotation.slope * (minutes.last()? - minutes.first()?) / 60.0,
        bend_arcsec: (0..frames.len()).map(off).fold(0.0, f64::max),
    })
}

/// Times the solver's error beyond which unrest is no error of the solver.
const BEYOND_ERROR: f64 = 6.0;
/// Pixels below which nobody would have dithered.
const DITHER_PX: f64 = 1.5;

fn unrest(frames: &[usize], rows: &[Row], offsets: &[Option<Offset>]) -> Option<Unrest> {
    if frames.len() < 5 {
        return None;
    }
    let place = |i: usize| {
        let o = offsets[frames[i]].as_ref()?;
        Some([60.0 * o.east_arcmin, 60.0 * o.north_arcmin])
    };
    let times = minutes(rows, frames);
    // Each frame against the straight way between its neighbours.
    let mut off = Vec::new();
    for i in 1..frames.len() - 1 {
        let [before, now, after] = [place(i - 1)?, place(i)?, place(i + 1)?];
        let part = (times[i] - times[i - 1]) / (times[i + 1] - times[i - 1]).max(1e-9);
        // Variance of the difference for independent places.
        let norm = (1.0 + part * part + (1.0 - part).powi(2)).sqrt();
        off.extend([0, 1].map(|k| (now[k] - before[k] - part * (after[k] - before[k])) / norm));
    }
    let scale = median(frames.iter().filter_map(|i| rows[*i].scale_arcsec_per_px))?;
    let stated = median(frames.iter().filter_map(|i| rows[*i].uncertainty_arcsec))
        .map_or(0.1 * scale, |radius| radius / 2.45);
    let typical = scatter(&off)?;
    let rms = (off.iter().map(|v| v * v).sum::<f64>() / off.len() as f64).sqrt();
    let loud = (BEYOND_ERROR * stated).max(DITHER_PX * scale);
    let jumps = off.iter().filter(|v| v.abs() > loud).count() as f64 / off.len() as f64;
    Some(Unrest {
        arcsec: rms,
        px: rms / scale,
        jumps,
        stands_out: typical > loud || jumps > 0.15,
    })
}

/// Periodic error in the residuals of a run, or in its offsets where nothing could be fitted.
pub fn periodic(run: &Run, rows: &[Row], offsets: &[Option<Offset>], motion: &Motion) -> Periodic {
    let fitted = |i: &usize| {
        motion
            .residuals
            .iter()
            .find(|(row, _)| row == i)
            .map(|(_, r)| r[0])
    };
    let residuals: Option<Vec<f64>> = run.frames.iter().map(fitted).collect();
    let plain = || {
        run.frames
            .iter()
            .map(|i| Some(60.0 * offsets[*i].as_ref()?.east_arcmin))
            .collect()
    };
    let Some(values) = residuals.or_else(plain) else {
        return Periodic::TooFew;
    };
    let exposure_s = median(run.frames.iter().filter_map(|i| rows[*i].exposure_s)).unwrap_or(0.0);
    search(&minutes(rows, &run.frames), &values, exposure_s / 60.0)
}
