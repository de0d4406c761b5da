//! The projection against astropy 8.0.2 (`WCS(naxis=2)`, RA---TAN/DEC--TAN, CRPIX in the middle,
//! `wcs_pix2world(points, 1)`), printed to 1e-10 deg: both ways, at the poles and across RA 0.

use super::*;

struct Case {
    centre: [f64; 2],
    size: [usize; 2],
    cd: [[f64; 2]; 2],
    /// FITS pixel, then RA and Dec in degrees.
    points: [[[f64; 2]; 2]; 4],
}

#[rustfmt::skip]
const CASES: [Case; 5] = [
    Case { centre: [83.633, 22.0145], size: [1200, 800],
        cd: [[-0.000838701226, 0.000544658945], [0.000544658945, 0.000838701226]],
        points: [[[1.000, 1.000], [83.9392080093, 21.3526677438]], [[1200.000, 1.000], [82.8560464817, 22.0041318129]],
                 [[924.000, 800.000], [83.5748360883, 22.5257342927]], [[400.000, 363.636], [83.7925689561, 21.8743014535]]] },
    Case { centre: [0.02, -35.5], size: [900, 600],
        cd: [[-0.005223830126, -0.001901318675], [0.001901318675, -0.005223830126]],
        points: [[[1.000, 1.000], [3.5677777635, -34.7386573828]], [[900.000, 1.000], [357.9000594241, -33.0643176617]],
                 [[693.000, 600.000], [357.7343141601, -36.5815042554]], [[300.000, 272.727], [1.0522574877, -35.6366631585]]] },
    Case { centre: [271.3, 89.7], size: [900, 600],
        cd: [[-0.000862927306, 0.003220488551], [0.003220488551, 0.000862927306]],
        points: [[[1.000, 1.000], [255.2622616786, 87.9133008113]], [[900.000, 1.000], [147.9771393817, 88.3820568541]],
                 [[693.000, 600.000], [45.6915173091, 88.9432486435]], [[300.000, 272.727], [274.1621131743, 89.1903539313]]] },
    Case { centre: [133.0, -89.95], size: [1000, 1000],
        cd: [[0.006444242980, -0.007679949723], [0.007679949723, 0.006444242980]],
        points: [[[1.000, 1.000], [307.9644923075, -83.0035640188]], [[1000.000, 1.000], [217.5972778093, -82.9492227940]],
                 [[770.000, 1000.000], [111.5328621837, -84.2819890022]], [[333.333, 454.545], [338.3341208795, -88.3077556761]]] },
    Case { centre: [210.8, 54.3], size: [1500, 1000],
        cd: [[0.029339421349, 0.011853895676], [0.011853895676, -0.029339421349]],
        points: [[[1.000, 1.000], [166.6467122754, 51.2343189807]], [[1500.000, 1.000], [259.0969517637, 70.3467208878]],
                 [[1155.000, 1000.000], [234.0313873235, 42.1179814554]], [[500.000, 454.545], [198.0014820524, 51.9820673500]]] },
];

#[test]
fn sky_and_pixels_agree_with_astropy() {
    for case in &CASES {
        let [ra, dec] = case.centre;
        let frame = TangentFrame::new(ra, dec, case.cd, case.size[0], case.size[1]);
        for [pixel, sky] in case.points {
            let found = frame.sky_of_fits_pixel(pixel);
            let miss_deg = (0..3)
                .map(|i| direction(found[0], found[1])[i] - direction(sky[0], sky[1])[i])
                .map(|d| d * d)
                .sum::<f64>()
                .sqrt()
                / DEG;
            assert!(miss_deg < 3e-10, "{pixel:?}: {found:?}, not {sky:?}");
            let [x, y] = frame.fits_pixel_of(sky[0], sky[1]).unwrap();
            assert!(
                hypot(x - pixel[0], y - pixel[1]) < 1e-5,
                "{sky:?}: {x}, {y}, not {pixel:?}"
            );
        }
    }
}

#[test]
fn the_far_side_of_the_sky_is_not_on_the_frame() {
    let frame = TangentFrame::new(10.0, 20.0, [[-0.01, 0.0], [0.0, 0.01]], 100, 100);
    assert_eq!(frame.fits_pixel_of(190.0, -20.0), None);
    assert_eq!(frame.fits_pixel_of(100.5, 0.0), None);
}

#[test]
fn distortion_moves_a_star_at_half_the_width_by_k1() {
    let frame = TangentFrame::new(10.0, 20.0, [[-0.01, 0.0], [0.0, 0.01]], 101, 101);
    let plain = frame.fits_pixel_of(10.0, 20.5).unwrap();
    let bent = frame
        .with_radial_distortion(-0.02)
        .fits_pixel_of(10.0, 20.5)
        .unwrap();
    // 50 px above the middle (51, 51): 0.5 deg is 50.001 px; half the width is 50.5 px.
    let expected = (plain[1] - 51.0) * (1.0 - 0.02 * (50.0_f64 / 50.5).powi(2));
    assert!((bent[1] - 51.0 - expected).abs() < 1e-3, "{bent:?}");
    assert!((bent[0] - 51.0).abs() < 1e-9);
}
