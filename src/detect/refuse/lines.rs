//! Images strung on straight lines: the lights of an aircraft, pieces of a satellite's trail, the
//! teeth of an edge. Each of them looks like a star; that so many lie on one line does not.

use crate::detect::Detection;
use std::f64::consts::PI;

/// Directions tried: half a step makes a line miss its last image by less than a band.
const DIRECTIONS: usize = 720;
/// Width of the band that counts as one line, pixels.
const BAND_PX: f64 = 4.0;
/// A line holds at least so many images ...
const LEAST: usize = 10;
/// ... and so many times those that would lie in its band by chance.
const EXCESS: f64 = 4.0;
/// Lines looked for: two trails that cross, with lights on both sides.
const MOST_LINES: usize = 8;

/// The stars that lie on no such line across a frame of `size_px`, in their order; `None` where
/// there is no such line.
pub(in crate::detect) fn off_lines(
    stars: &[Detection],
    size_px: [usize; 2],
) -> Option<Vec<Detection>> {
    let mut left = stars.to_vec();
    for _ in 0..MOST_LINES {
        let Some(line) = fullest(&left, size_px) else {
            break;
        };
        // Directions are steps, and the images as wide as stars are: a band on both sides.
        left.retain(|star| (line.across(star) - line.offset_px).abs() > 1.5 * BAND_PX);
    }
    (left.len() < stars.len()).then_some(left)
}

/// A line by its normal and its distance from the first pixel.
struct Line {
    normal: [f64; 2],
    offset_px: f64,
}

impl Line {
    fn across(&self, star: &Detection) -> f64 {
        self.normal[0] * star.x_px + self.normal[1] * star.y_px
    }
}

/// The line with the most images, where they are too many to lie on it by chance. Votes of all
/// images for all lines through them (Hough transform; Duda and Hart 1972, Communications of the
/// ACM 15, 11, in normal form).
fn fullest(stars: &[Detection], [width, height]: [usize; 2]) -> Option<Line> {
    let (width, height) = (width as f64, height as f64);
    let diagonal = width.hypot(height);
    let bands = (2.0 * diagonal / BAND_PX) as usize + 2;
    let normals: Vec<[f64; 2]> = (0..DIRECTIONS)
        .map(|k| {
            let (sin, cos) = (PI * k as f64 / DIRECTIONS as f64).sin_cos();
            [cos, sin]
        })
        .collect();
    let mut votes = vec![0_u16; bands];
    let mut best: Option<(u16, Line)> = None;
    for normal in normals {
        votes.fill(0);
        for star in stars {
            let across = normal[0] * star.x_px + normal[1] * star.y_px;
            let band = ((across + diagonal) / BAND_PX).max(0.0) as usize;
            votes[band.min(bands - 1)] += 1;
        }
        let Some((band, &count)) = votes.iter().enumerate().max_by_key(|(_, count)| **count) else {
            continue;
        };
        if best.as_ref().is_none_or(|(most, _)| count > *most) {
            let offset_px = (band as f64 + 0.5) * BAND_PX - diagonal;
            best = Some((count, Line { normal, offset_px }));
        }
    }
    let (count, line) = best?;
    // No line across the frame is longer than its diagonal.
    let by_chance = stars.len() as f64 * BAND_PX * diagonal / (width * height);
    let enough = LEAST as f64 + EXCESS * by_chance;
    (f64::from(count) >= enough).then_some(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Places that follow no line: steps of the golden ratio and of the root of two.
    fn strewn(count: usize) -> Vec<Detection> {
        let place = |k: usize, step: f64| (k as f64 * step + 0.01 * (k * k % 97) as f64).fract();
        (0..count)
            .map(|k| Detection::clear(1200.0 * place(k, 0.618_034), 800.0 * place(k, 0.414_214)))
            .collect()
    }

    #[test]
    fn beads_are_taken_and_strewn_stars_left() {
        let mut stars = strewn(100);
        stars.extend(
            (0..40).map(|k| Detection::clear(30.0 * f64::from(k), 100.0 + 11.0 * f64::from(k))),
        );
        stars.extend(
            (0..25).map(|k| Detection::clear(900.0 - 3.0 * f64::from(k), 31.0 * f64::from(k))),
        );
        let left = off_lines(&stars, [1200, 800]).expect("two lines");
        let lost = stars[..100].iter().filter(|s| !left.contains(s)).count();
        assert!(lost <= 5, "{lost} stars lost");
        assert!(left.len() <= 100, "{}", left.len());
    }

    #[test]
    fn stars_lie_on_no_line() {
        for count in [5, 50, 300, 1000] {
            assert!(off_lines(&strewn(count), [1200, 800]).is_none(), "{count}");
        }
    }
}
