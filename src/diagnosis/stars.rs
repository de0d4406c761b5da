//! How many detections of a frame are stars beyond doubt. Where there are many it hardly matters;
//! where there are few, peaks of the noise and faults of the sensor outnumber them.

use super::survey::Survey;
use super::{FrameFacts, SURE_SNR, shape};
use crate::detect::Detection;
use std::collections::BTreeMap;

/// Where stars are few they are counted from here on: of the millions of places of a frame some
/// reach 6 sigma by noise alone.
const LONE_SNR: f64 = 7.0;
/// ... and no longer than this times their width: bad columns, tracks of particles.
const LONE_ELONGATION: f64 = 2.5;
/// So many detections in one row or column of the sensor are that row or column.
const IN_LINE: usize = 4;
/// A star shines through a cloud with this share of the cloud's own range at least: what is less is
/// the grain of the cloud.
const SHARE_OF_CLOUD: f64 = 0.1;

/// Stars counted in three ways.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Counted {
    /// By their signal, those in line left out.
    pub sure: usize,
    /// Each a star even if it were alone.
    pub lone: usize,
    /// Those of them that a cloud would let through.
    pub above_cloud: usize,
}

impl Counted {
    pub fn of(facts: &FrameFacts<'_>, survey: &Survey) -> Counted {
        let detections = facts.detections;
        let size = [detections.width, detections.height];
        let sure: Vec<&Detection> = detections
            .stars
            .iter()
            .filter(|s| s.snr >= SURE_SNR)
            .collect();
        let sure = without_lines(&sure, size);
        let lone: Vec<&&Detection> = sure.iter().filter(|s| is_lone(s, size)).collect();
        let (low, high) = survey.light.range();
        let least = SHARE_OF_CLOUD * (high - low);
        let above_cloud = lone.iter().filter(|s| peak(s) >= least).count();
        // A wide glow passed for the typical star, and the detector looked for the like of it.
        let fooled = detections.fwhm_px >= shape::LEAST_DISC_PX;
        let compact = if fooled { shape::compact(survey) } else { 0 };
        Counted {
            sure: sure.len(),
            lone: lone.len().max(compact),
            above_cloud,
        }
    }
}

/// A star even where it is alone: no peak of the noise, bad column, track of a particle, nor the
/// tip of a glow at the edge, of which less than half is seen.
fn is_lone(star: &Detection, [width, height]: [usize; 2]) -> bool {
    let inside = |at: f64, size: usize| (star.fwhm_px..size as f64 - star.fwhm_px).contains(&at);
    star.snr >= LONE_SNR
        && star.elongation < LONE_ELONGATION
        && star.fwhm_px < shape::LEAST_DISC_PX
        && inside(star.x_px, width)
        && inside(star.y_px, height)
}

/// Brightest pixel of a Gaussian of that flux and width: flux / (2 pi sigma^2).
fn peak(star: &Detection) -> f64 {
    // 4 ln 2 / pi, of the full width at half maximum.
    0.882_5 * star.flux / star.fwhm_px.powi(2).max(1.0)
}

/// Leaves out what shares its row or column with several others, where chance would not have it:
/// bad columns, rows of a banded read-out.
fn without_lines<'a>(stars: &[&'a Detection], size: [usize; 2]) -> Vec<&'a Detection> {
    let axes = [|s: &Detection| s.x_px, |s: &Detection| s.y_px];
    let mut in_line = vec![false; stars.len()];
    for (at, size) in axes.into_iter().zip(size) {
        // Lines three pixels wide, around each star's own.
        let mut lines: BTreeMap<i64, usize> = BTreeMap::new();
        for star in stars {
            for line in -1..=1 {
                *lines.entry(at(star).round() as i64 + line).or_default() += 1;
            }
        }
        // So many meet in a line by chance, on the average.
        let chance = 3.0 * stars.len() as f64 / size.max(1) as f64;
        let most = IN_LINE.max((4.0 * chance).ceil() as usize);
        for (star, flag) in stars.iter().zip(&mut in_line) {
            *flag |= lines.get(&(at(star).round() as i64)) >= Some(&most);
        }
    }
    let kept = stars.iter().zip(in_line).filter(|(_, in_line)| !in_line);
    kept.map(|(star, _)| *star).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn star(x_px: f64, y_px: f64) -> Detection {
        Detection {
            x_px,
            y_px,
            sigma_px: 0.1,
            flux: 1000.0,
            snr: 20.0,
            fwhm_px: 3.0,
            elongation: 1.1,
            saturated: false,
        }
    }

    #[test]
    fn a_column_is_left_out_and_what_lies_beside_it_is_not() {
        let mut stars: Vec<Detection> = (0..9)
            .map(|k| star(400.3, 30.0 + 71.0 * f64::from(k)))
            .collect();
        stars.extend([star(100.0, 250.0), star(700.0, 512.0), star(405.0, 555.0)]);
        let all: Vec<&Detection> = stars.iter().collect();
        assert_eq!(without_lines(&all, [900, 700]).len(), 3);
    }

    /// A thousand stars on a narrow sensor: a dozen in each line is chance.
    #[test]
    fn crowds_are_no_lines() {
        let stars: Vec<Detection> = (0..1000)
            .map(|k| star(f64::from(k * 7 % 300), f64::from(k * 11 % 303)))
            .collect();
        let all: Vec<&Detection> = stars.iter().collect();
        assert_eq!(without_lines(&all, [300, 303]).len(), 1000);
    }
}
