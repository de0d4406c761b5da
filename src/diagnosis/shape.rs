//! What the objects of a frame look like: points, trails or discs.

use super::Cause;
use super::survey::{Object, Survey};
use crate::detect::{Detection, Detections};
use crate::robust::median;
use std::f64::consts::PI;

/// Objects that agree, at least: one trail is a satellite, several are the mount.
const LEAST_ALIKE: usize = 4;
/// Objects judged, those with most light.
const JUDGED: usize = 40;
/// Long over short from where an object is a trail.
const TRAIL_RATIO: f64 = 2.0;
/// Trails shorter than this are what the detector copes with, pixels. They are as wide as a star
/// in focus: streaks of cloud are wider.
const LEAST_TRAIL_PX: f64 = 24.0;
/// Discs smaller than this are what the detector copes with, pixels.
pub(super) const LEAST_DISC_PX: f64 = 26.0;
/// How well directions agree, from 0 (all ways) to 1.
const AGREEMENT: f64 = 0.8;
/// Discs of one frame are one size; blends and cut ones aside they scatter by less than this.
const DISC_SCATTER: f64 = 0.15;
/// Share of the wide objects that is of one size at least; discs that overlap are not.
const DISC_SHARE: f64 = 0.45;
/// Long over short up to where an object is one disc by itself.
const DISC_RATIO: f64 = 1.35;
/// A disc or ring is no more peaked than this; a star in focus, however wide a picture's tone curve
/// and its halo make it, is where it stands five times as high as the level down to which it is seen.
const MOST_PEAKED: f64 = 2.0;
/// As narrow as this is in focus, however large a nebula or a galaxy behind it, pixels.
const FOCUSED_FWHM_PX: f64 = 8.0;
/// Points as bright as this are no noise.
const POINT_SNR: f64 = 10.0;
/// A point is no longer than this times its width.
const POINT_ELONGATION: f64 = 1.6;

/// Looks for a shape that most objects share, trails of one direction or wide discs and rings, in
/// fine blocks first; `None`: they are points, or few, or each different. `detections` tells how many
/// points there are beside them.
pub(super) fn common(survey: &Survey, detections: &Detections) -> Option<Cause> {
    let points = detections.stars.iter().filter(|s| is_point(s)).count();
    survey.objects.iter().find_map(|objects| {
        let objects: Vec<&Object> = objects
            .iter()
            .filter(|o| !o.crosses && !o.is_point() && !is_column(o))
            .take(JUDGED)
            .collect();
        trails(&objects, points).or_else(|| discs(&objects, points))
    })
}

/// Small round objects in the finest blocks: stars, for want of a detector that looks for them.
pub(super) fn compact(survey: &Survey) -> usize {
    /// What only just stands out has 1.5 to 2.
    const CONTRAST: f64 = 2.5;
    let is_compact = |o: &&Object| {
        let clear = o.contrast >= CONTRAST;
        clear
            && !o.is_point()
            && !o.touches
            && o.length_px < LEAST_DISC_PX.min(DISC_RATIO * o.width_px)
    };
    let finest = survey.objects.iter().take(1).flatten();
    finest.filter(is_compact).count()
}

fn is_point(star: &Detection) -> bool {
    star.snr >= POINT_SNR && star.fwhm_px < FOCUSED_FWHM_PX && star.elongation < POINT_ELONGATION
}

/// Thin, along an axis, and from the edge on: part of a row or column of the sensor.
fn is_column(object: &Object) -> bool {
    const STRAIGHT_RAD: f64 = 0.02;
    let turns = object.angle_rad / (0.5 * PI);
    object.touches
        && object.is_thin()
        && object.length_px >= 4.0 * object.width_px
        && (turns - turns.round()).abs() * 0.5 * PI < STRAIGHT_RAD
}

fn trails(objects: &[&Object], points: usize) -> Option<Cause> {
    let long: Vec<&&Object> = objects
        .iter()
        .filter(|o| o.length_px >= LEAST_TRAIL_PX && o.length_px >= TRAIL_RATIO * o.width_px)
        .filter(|o| o.width_px < LEAST_DISC_PX + o.block_px)
        .collect();
    // Short and thin: a faint trail of which only parts stand out, neither for it nor against.
    let is_part = |o: &&&Object| o.length_px < LEAST_TRAIL_PX && o.is_thin();
    let whole = objects.len() - objects.iter().filter(is_part).count();
    if long.len() < LEAST_ALIKE.max(points) || long.len() * 2 < whole {
        return None;
    }
    // Doubled angles: a direction and its opposite are the same trail.
    let n = long.len() as f64;
    let x = long.iter().map(|o| (2.0 * o.angle_rad).cos()).sum::<f64>() / n;
    let y = long.iter().map(|o| (2.0 * o.angle_rad).sin()).sum::<f64>() / n;
    // What an edge has cut tells the direction, and not the length.
    let whole_ones = long.iter().filter(|o| !o.touches).map(|o| o.length_px);
    let length_px = median(whole_ones).or_else(|| median(long.iter().map(|o| o.length_px)))?;
    (x.hypot(y) >= AGREEMENT).then(|| Cause::Trailed {
        length_px,
        angle_deg: (0.5 * y.atan2(x)).rem_euclid(PI).to_degrees(),
    })
}

fn discs(objects: &[&Object], points: usize) -> Option<Cause> {
    // A disc of diameter D has the variance D^2 / 16 along each axis, and the bar of the same
    // variance is 0.866 D long.
    const BAR_TO_DISC: f64 = 1.154_700_538;
    let mut widths: Vec<f64> = objects
        .iter()
        .filter(|o| !o.touches && o.length_px < DISC_RATIO * o.width_px)
        .filter(|o| o.peaked < MOST_PEAKED)
        .map(|o| BAR_TO_DISC * (o.length_px * o.width_px).sqrt())
        .filter(|d| *d >= LEAST_DISC_PX)
        .collect();
    widths.sort_unstable_by(f64::total_cmp);
    // The size that most agree with.
    let largest = |from: usize| widths[from] * (1.0 + 2.0 * DISC_SCATTER);
    let alike = |from: usize| widths.partition_point(|d| *d <= largest(from)) - from;
    let from = (0..widths.len()).max_by_key(|k| (alike(*k), widths.len() - k))?;
    let count = alike(from);
    // Bright or faint, discs are one size, and where they overlap seldom much wider; clouds come
    // in all sizes.
    let wider = objects
        .iter()
        .filter(|o| BAR_TO_DISC * o.width_px > 1.5 * largest(from))
        .count();
    let round = objects
        .iter()
        .filter(|o| o.length_px < TRAIL_RATIO * o.width_px)
        .count();
    let most = count >= LEAST_ALIKE
        && count as f64 >= DISC_SHARE * widths.len() as f64
        && wider * 2 <= count
        && round * 2 >= objects.len()
        && count > points / 2;
    most.then(|| Cause::OutOfFocus {
        width_px: widths[from + count / 2],
    })
}
