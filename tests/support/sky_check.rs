//! What tests of whole solves share: angles on the sky.
#![allow(dead_code)]

use nightfix::fit::Solution;
use sample_fields::Truth;

/// Angle between two sky positions by the haversine formula, arcsec.
pub fn apart_arcsec(a: [f64; 2], b: [f64; 2]) -> f64 {
    let [a, b] = [a, b].map(|p| p.map(f64::to_radians));
    let half = ((a[1] - b[1]) / 2.0).sin().powi(2)
        + a[1].cos() * b[1].cos() * ((a[0] - b[0]) / 2.0).sin().powi(2);
    2.0 * half.sqrt().asin().to_degrees() * 3600.0
}

/// Distance of the centre found from the true one, pixels.
pub fn off_px(solution: &Solution, truth: &Truth) -> f64 {
    let found = [solution.centre_ra_deg, solution.centre_dec_deg];
    apart_arcsec(found, [truth.ra_deg, truth.dec_deg]) / truth.scale_arcsec_per_px
}
