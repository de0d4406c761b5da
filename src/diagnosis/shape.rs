//! What the objects of a frame look like: points, trails or discs.

use crate::detect::{Object, Survey};
use std::f64::consts::PI;

/// Objects that agree, at least: one trail is a satellite, several are the mount.
const LEAST_ALIKE: usize = 4;
/// Objects judged, those with most light.
const JUDGED: usize = 40;
/// Long over short from where an object is a trail.
const TRAIL_RATIO: f64 = 2.0;
/// Trails shorter than this are what the detector copes with, pixels.
const LEAST_TRAIL_PX: f64 = 24.0;
/// Discs smaller than this are what the detector copes with, pixels.
const LEAST_DISC_PX: f64 = 26.0;
/// How well directions agree, from 0 (all ways) to 1.
const AGREEMENT: f64 = 0.8;

/// What most objects have in common.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Common {
    /// Trails of one direction.
    Trails {
        /// Median length, pixels.
        length_px: f64,
        /// From the first pixel axis towards the second, degrees, 0 to 180.
        angle_deg: f64,
    },
    /// Wide discs or rings.
    Discs {
        /// Median diameter, pixels.
        width_px: f64,
    },
}

/// Looks for a shape that most objects share; `None`: they are points, or few, or each different.
pub(super) fn common(survey: &Survey) -> Option<Common> {
    let mut objects: Vec<&Object> = survey.objects.iter().filter(|o| !o.crosses).collect();
    objects.truncate(JUDGED);
    if objects.len() < LEAST_ALIKE {
        return None;
    }
    trails(&objects).or_else(|| discs(&objects))
}

fn trails(objects: &[&Object]) -> Option<Common> {
    let long: Vec<&&Object> = objects
        .iter()
        .filter(|o| o.length_px >= LEAST_TRAIL_PX && o.length_px >= TRAIL_RATIO * o.width_px)
        .collect();
    if long.len() < LEAST_ALIKE || long.len() * 2 < objects.len() {
        return None;
    }
    // Doubled angles: a direction and its opposite are the same trail.
    let n = long.len() as f64;
    let x = long.iter().map(|o| (2.0 * o.angle_rad).cos()).sum::<f64>() / n;
    let y = long.iter().map(|o| (2.0 * o.angle_rad).sin()).sum::<f64>() / n;
    (x.hypot(y) >= AGREEMENT).then(|| Common::Trails {
        length_px: median(long.iter().map(|o| o.length_px).collect()),
        angle_deg: (0.5 * y.atan2(x)).rem_euclid(PI).to_degrees(),
    })
}

fn discs(objects: &[&Object]) -> Option<Common> {
    // A disc of diameter D has the variance D^2 / 16 along each axis, and the bar of the same
    // variance is 0.866 D long.
    const BAR_TO_DISC: f64 = 1.154_700_538;
    let diameter = |o: &&Object| BAR_TO_DISC * (o.length_px * o.width_px).sqrt();
    let round: Vec<f64> = objects
        .iter()
        .filter(|o| o.length_px < TRAIL_RATIO * o.width_px)
        .map(diameter)
        .filter(|d| *d >= LEAST_DISC_PX)
        .collect();
    let most = round.len() >= LEAST_ALIKE && round.len() * 2 >= objects.len();
    most.then(|| Common::Discs {
        width_px: median(round),
    })
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
