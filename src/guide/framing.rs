//! How to move and turn the camera to repeat the framing of an earlier frame, and how much of the
//! earlier picture the frame shows as it is.

use super::target::{Whereabouts, whereabouts};
use crate::fit::Solution;
use crate::mount::separation_deg;
use crate::wcs::Wcs;

/// Points along each side of an outline.
const POINTS: u32 = 48;

/// Polynomials of a fit are believed out to this many times the distance of the corners.
const BELIEVED: f64 = 1.2;

/// What is between a frame and an earlier one. The moves are those that repeat the earlier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Framing {
    /// Where the centre of the earlier frame lies as seen from this one: the shift.
    pub shift: Whereabouts,
    /// By how much the position angle of the frame's 'up' has to grow, degrees, -180 to below 180.
    pub turn_deg: f64,
    /// Scale of this frame over that of the earlier one.
    pub scale_ratio: f64,
    /// One of the two is mirrored: no turn makes them alike.
    pub mirrored_apart: bool,
    /// Part of the earlier picture that this frame shows, 0 to 1, by the earlier one's pixels.
    pub shown: f64,
    /// Part of this frame that the earlier picture covers, 0 to 1, by this one's pixels.
    pub covered: f64,
}

/// Compares a frame with an earlier one, each with its size in stored pixels.
pub fn framing(now: (&Solution, [usize; 2]), earlier: (&Solution, [usize; 2])) -> Framing {
    let (solution, size) = now;
    let (other, _) = earlier;
    let centre_deg = [other.centre_ra_deg, other.centre_dec_deg];
    Framing {
        shift: whereabouts(solution, size, centre_deg),
        turn_deg: (other.rotation_deg - solution.rotation_deg + 180.0).rem_euclid(360.0) - 180.0,
        scale_ratio: solution.scale_arcsec_per_px / other.scale_arcsec_per_px,
        mirrored_apart: solution.mirrored != other.mirrored,
        shown: share(earlier, now),
        covered: share(now, earlier),
    }
}

/// The border of a frame of `size` pixels, ICRS degrees, in its own order of pixels.
pub fn outline(solution: &Solution, [width, height]: [usize; 2]) -> Vec<[f64; 2]> {
    let (right, top) = (width as f64 + 0.5, height as f64 + 0.5);
    let corners = [[0.5, 0.5], [right, 0.5], [right, top], [0.5, top]];
    let sides = (0..4).map(|k| (corners[k], corners[(k + 1) % 4]));
    sides
        .flat_map(|(from, to)| {
            (0..POINTS).map(move |i| {
                let part = f64::from(i) / f64::from(POINTS);
                [0, 1].map(|k| from[k] + part * (to[k] - from[k]))
            })
        })
        .map(|[x, y]| solution.wcs.pixel_to_sky(x, y))
        .collect()
}

/// The part of `of` that `by` covers: the outline of `by` in the pixels of `of`, cut to its
/// rectangle (Sutherland & Hodgman 1974, CACM 17, 32), its area by the shoelace formula.
fn share(of: (&Solution, [usize; 2]), by: (&Solution, [usize; 2])) -> f64 {
    let (solution, [width, height]) = of;
    let (other, other_size) = by;
    let centre_deg = |s: &Solution| [s.centre_ra_deg, s.centre_dec_deg];
    let reach_deg = |s: &Solution| {
        let corners = s.corners_deg.iter();
        corners
            .map(|corner| separation_deg(centre_deg(s), *corner))
            .fold(0.0, f64::max)
    };
    let apart_deg = separation_deg(centre_deg(solution), centre_deg(other));
    if apart_deg > 1.1 * (reach_deg(solution) + reach_deg(other)) {
        return 0.0;
    }
    // Far outside the polynomials mean nothing, and the straight projection serves.
    let plain = Wcs {
        sip: None,
        ..solution.wcs.clone()
    };
    let believed_deg = BELIEVED * reach_deg(solution);
    let place = |sky: [f64; 2]| {
        let wcs = match separation_deg(centre_deg(solution), sky) <= believed_deg {
            true => &solution.wcs,
            false => &plain,
        };
        wcs.sky_to_pixel(sky[0], sky[1])
    };
    let places = outline(other, other_size).into_iter().map(place);
    // `None` behind the camera: frames of half the sky, which nobody repeats.
    let Some(mut polygon) = places.collect::<Option<Vec<_>>>() else {
        return 0.0;
    };
    let sides = [width as f64, height as f64];
    for (axis, side) in sides.into_iter().enumerate() {
        polygon = cut(&polygon, |p| p[axis] - 0.5);
        polygon = cut(&polygon, |p| side + 0.5 - p[axis]);
    }
    (area(&polygon) / (sides[0] * sides[1])).clamp(0.0, 1.0)
}

/// The part of a polygon where `inside` is positive; linear in the place.
fn cut(polygon: &[[f64; 2]], inside: impl Fn([f64; 2]) -> f64) -> Vec<[f64; 2]> {
    let mut kept = Vec::with_capacity(polygon.len() + 2);
    for (i, &to) in polygon.iter().enumerate() {
        let from = polygon[(i + polygon.len() - 1) % polygon.len()];
        let (before, after) = (inside(from), inside(to));
        if (before > 0.0) != (after > 0.0) {
            let part = before / (before - after);
            kept.push([0, 1].map(|k| from[k] + part * (to[k] - from[k])));
        }
        if after > 0.0 {
            kept.push(to);
        }
    }
    kept
}

fn area(polygon: &[[f64; 2]]) -> f64 {
    let next = polygon.iter().cycle().skip(1);
    let twice: f64 = polygon
        .iter()
        .zip(next)
        .map(|(a, b)| a[0] * b[1] - b[0] * a[1])
        .sum();
    twice.abs() / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::guide::target::tests::solution;

    /// Shifted by a third of the width: two thirds are left; a quarter turn leaves a square of
    /// the shorter side.
    #[test]
    fn shares_of_area() {
        let size = [1200, 800];
        let here = solution([0.0, 1.0], false);
        let same = framing((&here, size), (&here, size));
        assert!((same.shown - 1.0).abs() < 1e-9 && (same.covered - 1.0).abs() < 1e-9);
        assert!(same.turn_deg == 0.0 && !same.mirrored_apart);
        let mut moved = here.clone();
        // The camera moved along its rows: the pixel that saw the reference point moved back.
        moved.wcs.crpix[0] -= 400.0;
        let [ra, dec] = moved.wcs.pixel_to_sky(600.5, 400.5);
        (moved.centre_ra_deg, moved.centre_dec_deg) = (ra, dec);
        moved.corners_deg = [[1.0, 1.0], [1200.0, 1.0], [1200.0, 800.0], [1.0, 800.0]]
            .map(|[x, y]| moved.wcs.pixel_to_sky(x, y));
        let apart = framing((&here, size), (&moved, size));
        assert!((apart.shown - 2.0 / 3.0).abs() < 1e-9, "{apart:?}");
        // The camera has to go to its right, by a third of the width.
        assert!((apart.shift.right_up_frames[0] - 1.0 / 3.0).abs() < 1e-3);
        assert!(apart.shift.right_up_frames[1].abs() < 1e-3, "{apart:?}");
        let mut turned = here.clone();
        let cd = here.wcs.cd;
        turned.wcs.cd = [[cd[0][1], -cd[0][0]], [cd[1][1], -cd[1][0]]];
        turned.rotation_deg = (here.rotation_deg + 90.0) % 360.0;
        let across = framing((&here, size), (&turned, size));
        assert!((across.shown - 2.0 / 3.0).abs() < 1e-3, "{across:?}");
        assert!((across.turn_deg - 90.0).abs() < 1e-9);
        let mut far = here.clone();
        (far.wcs.crval, far.centre_dec_deg) = ([150.0, 20.0], 20.0);
        far.corners_deg = [[1.0, 1.0], [1200.0, 1.0], [1200.0, 800.0], [1.0, 800.0]]
            .map(|[x, y]| far.wcs.pixel_to_sky(x, y));
        assert_eq!(framing((&here, size), (&far, size)).shown, 0.0);
    }

    /// Of a frame of twice the scale a quarter is covered, and all of the small one is.
    #[test]
    fn scales_apart() {
        let size = [1200, 800];
        let small = solution([0.0, 1.0], false);
        let mut wide = small.clone();
        wide.wcs.cd = small.wcs.cd.map(|row| row.map(|c| 2.0 * c));
        wide.scale_arcsec_per_px *= 2.0;
        wide.corners_deg = [[1.0, 1.0], [1200.0, 1.0], [1200.0, 800.0], [1.0, 800.0]]
            .map(|[x, y]| wide.wcs.pixel_to_sky(x, y));
        let found = framing((&small, size), (&wide, size));
        assert!((found.shown - 0.25).abs() < 1e-6 && (found.covered - 1.0).abs() < 1e-9);
        assert!((found.scale_ratio - 0.5).abs() < 1e-12);
    }

    /// Slow but obvious: pixels of the one looked up in the other, at random attitudes.
    #[test]
    fn shares_agree_with_counting_pixels() {
        let size = [1200, 800];
        let here = solution([0.0, 1.0], false);
        for k in 0..12 {
            let angle = f64::from(k) * 0.53;
            let mut other = here.clone();
            let (sin, cos) = angle.sin_cos();
            let cd = here.wcs.cd;
            other.wcs.cd = cd.map(|[a, b]| [a * cos + b * sin, b * cos - a * sin]);
            other.wcs.crval = [150.0 + 0.1 * f64::from(k), 60.0 - 0.03 * f64::from(k)];
            (other.centre_ra_deg, other.centre_dec_deg) = (other.wcs.crval[0], other.wcs.crval[1]);
            other.corners_deg = [[1.0, 1.0], [1200.0, 1.0], [1200.0, 800.0], [1.0, 800.0]]
                .map(|[x, y]| other.wcs.pixel_to_sky(x, y));
            let (mut seen, mut all) = (0, 0);
            for x in (5..1200).step_by(10) {
                for y in (5..800).step_by(10) {
                    let [ra, dec] = other.wcs.pixel_to_sky(f64::from(x), f64::from(y));
                    let at = here.wcs.sky_to_pixel(ra, dec);
                    let holds = |p: [f64; 2]| {
                        (0.5..=1200.5).contains(&p[0]) && (0.5..=800.5).contains(&p[1])
                    };
                    seen += i32::from(at.is_some_and(holds));
                    all += 1;
                }
            }
            let counted = f64::from(seen) / f64::from(all);
            let found = framing((&here, size), (&other, size)).shown;
            assert!((found - counted).abs() < 0.01, "{k}: {found} {counted}");
        }
    }
}
