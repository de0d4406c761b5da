//! Where a place of the sky lies as seen from a frame.

use crate::fit::Solution;
use crate::mount::{PointingError, pointing_error, separation_deg};

/// Where a place lies, counted from the centre of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Whereabouts {
    /// FITS pixel that shows it; `None` outside of the frame.
    pub pixel: Option<[f64; 2]>,
    /// From the centre to the place: separation, position angle, east and north.
    pub way: PointingError,
    /// Right ascension of the place minus that of the centre, degrees, -180 to below 180: the turn
    /// of a well aligned RA axis.
    pub ra_difference_deg: f64,
    /// Declination of the place minus that of the centre, degrees.
    pub dec_difference_deg: f64,
    /// Along the displayed frame's right and up at its centre, degrees: the separation times sine
    /// and cosine of the angle from 'up'.
    pub right_up_deg: [f64; 2],
    /// The same in widths and heights of the displayed frame.
    pub right_up_frames: [f64; 2],
    /// The separation in widths of the displayed frame.
    pub frame_widths: f64,
}

/// Where `place_deg` (ICRS RA and Dec, degrees) lies as seen from a frame of `size` stored pixels.
pub fn whereabouts(solution: &Solution, size: [usize; 2], place_deg: [f64; 2]) -> Whereabouts {
    let centre_deg = [solution.centre_ra_deg, solution.centre_dec_deg];
    let way = pointing_error(centre_deg, place_deg);
    let (sin, cos) = (way.position_angle_deg - solution.rotation_deg)
        .to_radians()
        .sin_cos();
    // East lies to the left of north, unless the frame is mirrored.
    let hand = if solution.mirrored { 1.0 } else { -1.0 };
    let right_up_deg = [hand * way.separation_deg * sin, way.separation_deg * cos];
    let [width_deg, height_deg] = displayed_deg(solution, size);
    Whereabouts {
        pixel: pixel_of(solution, size, place_deg),
        way,
        ra_difference_deg: (place_deg[0] - centre_deg[0] + 180.0).rem_euclid(360.0) - 180.0,
        dec_difference_deg: place_deg[1] - centre_deg[1],
        right_up_deg,
        right_up_frames: [right_up_deg[0] / width_deg, right_up_deg[1] / height_deg],
        frame_widths: way.separation_deg / width_deg,
    }
}

/// The FITS pixel of a frame of `size` pixels that shows `place_deg`; `None` outside of the frame.
pub fn pixel_of(
    solution: &Solution,
    [width, height]: [usize; 2],
    place_deg: [f64; 2],
) -> Option<[f64; 2]> {
    let centre_deg = [solution.centre_ra_deg, solution.centre_dec_deg];
    let corners = solution.corners_deg.iter();
    let radius_deg = corners
        .map(|corner| separation_deg(centre_deg, *corner))
        .fold(0.0, f64::max);
    // Far outside the polynomials of the fit mean nothing.
    if separation_deg(centre_deg, place_deg) > radius_deg {
        return None;
    }
    let [x, y] = solution.wcs.sky_to_pixel(place_deg[0], place_deg[1])?;
    let holds = |c: f64, side: usize| (0.5..=side as f64 + 0.5).contains(&c);
    (holds(x, width) && holds(y, height)).then_some([x, y])
}

/// Width and height of the frame as it is displayed, which may be turned by a quarter.
fn displayed_deg(solution: &Solution, size: [usize; 2]) -> [f64; 2] {
    let [x, y] = size.map(|side| (side as f64 + 1.0) / 2.0);
    let centre_deg = [solution.centre_ra_deg, solution.centre_dec_deg];
    let rows = pointing_error(centre_deg, solution.wcs.pixel_to_sky(x, y + 1.0));
    let off = (rows.position_angle_deg - solution.rotation_deg).to_radians();
    let [along_row, along_column] = solution.field_deg;
    match off.cos().abs() < off.sin().abs() {
        true => [along_column, along_row],
        false => [along_row, along_column],
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::fit::{DateVerdict, Display, Solution};
    use crate::projection::Projection;
    use crate::wcs::Wcs;

    /// A frame of 1200 by 800 pixels of 3.6 arcsec at RA 10h, Dec +60; its second axis points to
    /// the position angle 30 deg.
    pub fn solution(up: [f64; 2], mirrored: bool) -> Solution {
        let scale = 0.001;
        let (sin, cos) = 30.0_f64.to_radians().sin_cos();
        let hand = if mirrored { 1.0 } else { -1.0 };
        let wcs = Wcs {
            crpix: [600.5, 400.5],
            crval: [150.0, 60.0],
            cd: [
                [hand * scale * cos, scale * sin],
                [-hand * scale * sin, scale * cos],
            ],
            projection: Projection::Gnomonic,
            sip: None,
        };
        let corner = |x, y| wcs.pixel_to_sky(x, y);
        let corners_deg = [
            corner(1.0, 1.0),
            corner(1200.0, 1.0),
            corner(1200.0, 800.0),
            corner(1.0, 800.0),
        ];
        let towards = wcs.pixel_to_sky(600.5 + up[0], 400.5 + up[1]);
        Solution {
            wcs,
            centre_ra_deg: 150.0,
            centre_dec_deg: 60.0,
            uncertainty_arcsec: 0.1,
            scale_arcsec_per_px: 3.6,
            rotation_deg: pointing_error([150.0, 60.0], towards).position_angle_deg,
            mirrored,
            field_deg: [1.2, 0.8],
            corners_deg,
            matched: Vec::new(),
            rms_px: 0.1,
            log10_chance: -20.0,
            epoch_jyear: 2025.0,
            epoch_sigma_years: 0.0,
            told_by_stars: None,
            date: DateVerdict::Believed,
        }
    }

    /// A pixel up and to the right of the centre by this much is found again there: the display says
    /// what is up, and pixels are what they are.
    #[test]
    fn right_and_up_are_those_of_the_displayed_frame() {
        let size = [1200, 800];
        for mirrored in [false, true] {
            // Last row on top; first row on top; turned by a quarter either way.
            for (up, right) in [
                ([0.0, 1.0], [1.0, 0.0]),
                ([1.0, 0.0], [0.0, -1.0]),
                ([-1.0, 0.0], [0.0, 1.0]),
            ] {
                let display = Display { up, right };
                let solution = solution(display.up, mirrored);
                let at = |k: usize| 150.0 * right[k] + 90.0 * up[k];
                let pixel = [600.5 + at(0), 400.5 + at(1)];
                let place = solution.wcs.pixel_to_sky(pixel[0], pixel[1]);
                let found = whereabouts(&solution, size, place);
                let shown = found.pixel.unwrap();
                assert!((shown[0] - pixel[0]).hypot(shown[1] - pixel[1]) < 1e-6);
                let [r, u] = found.right_up_deg;
                assert!(
                    (r - 0.15).abs() < 1e-4 && (u - 0.09).abs() < 1e-4,
                    "{mirrored} {up:?}: {r} {u}"
                );
                let [width, height] = if up[0] == 0.0 { [1.2, 0.8] } else { [0.8, 1.2] };
                assert!((found.right_up_frames[0] - 0.15 / width).abs() < 1e-3);
                assert!((found.right_up_frames[1] - 0.09 / height).abs() < 1e-3);
            }
        }
    }

    /// On the same meridian and over the pole the figures are known by hand.
    #[test]
    fn differences_along_the_axes_and_outside() {
        let solution = solution([0.0, 1.0], false);
        let found = whereabouts(&solution, [1200, 800], [150.0, 65.0]);
        assert_eq!(found.pixel, None);
        assert!((found.way.separation_deg - 5.0).abs() < 1e-9);
        assert!((found.dec_difference_deg - 5.0).abs() < 1e-9);
        assert!((found.frame_widths - 5.0 / 1.2).abs() < 1e-9);
        // Over the pole: 12 hours of the RA axis, 60 degrees on the sky.
        let found = whereabouts(&solution, [1200, 800], [330.0, 60.0]);
        assert!((found.way.separation_deg - 60.0).abs() < 1e-9);
        assert!((found.ra_difference_deg.abs() - 180.0).abs() < 1e-9);
        // Behind the camera nothing is shown, at the antipode too.
        assert_eq!(pixel_of(&solution, [1200, 800], [330.0, -60.0]), None);
    }
}
