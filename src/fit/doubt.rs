//! Curvature that a fit leaves out because the stars do not prove it, and what it may do to the
//! centre.
//!
//! The chosen model is the simplest that the criterion allows. Decentred or tilted optics bend a
//! field by a tenth of a pixel without any criterion noticing, and shift the centre of a fit
//! without curvature by more than the scatter of many stars would tell. How far the centre moves
//! once curvature is allowed, beyond what noise moves it (Hausman 1978, 'Specification tests in
//! econometrics': the difference of the two fits has the difference of their covariances), is
//! taken for an error of its own. So is what star images have in common that are not symmetric.

use super::Solution;
use super::model::Model;
use super::polynomial::{Fitted, Point, fit};
use nalgebra::{Matrix2, Vector2};

impl Solution {
    /// Adds to the error of the centre that all star images of the frame are lopsided, their light's
    /// middle `lopsided_px` from where their centres were taken: which of the two shows where a
    /// star stands only the optics know, so that this is one standard deviation, along a line.
    pub fn widen_by_lopsided(&mut self, lopsided_px: f64) {
        /// Of a normal deviate's, 95 %.
        const SIGMAS: f64 = 1.96;
        let arcsec = SIGMAS * lopsided_px * self.scale_arcsec_per_px;
        self.uncertainty_arcsec = self.uncertainty_arcsec.hypot(arcsec);
    }
}

/// Adds to the error of the centre of `fitted` what curvature left out may have done to it, by a
/// `freer` model: the lowest one that is curved, and even, since a cubic leaves the centre of a frame
/// alone; behind lenses that bend strongly the next one.
pub fn widen(fitted: &mut Fitted, points: &[Point], freer: Model) {
    let Some(freer) = fit(points, freer) else {
        return;
    };
    let constants = |f: &Fitted| Vector2::new(f.coefficients[0][0], f.coefficients[1][0]);
    let moved = constants(&freer) - constants(fitted);
    let matrix = |f: &Fitted| {
        let [xx, xy, yy] = f.centre.covariance;
        Matrix2::new(xx, xy, xy, yy)
    };
    let noise = matrix(&freer) - matrix(fitted);
    // Estimates of two covariances: their difference can come out as none.
    let noise = match noise.cholesky() {
        Some(_) => noise,
        None => matrix(&freer),
    };
    let Some(inverse) = noise.try_inverse() else {
        return;
    };
    // Of two numbers of pure noise the expectation is 2.
    let size = moved.dot(&(inverse * moved));
    let beyond_noise = 1.0 - 2.0 / size;
    if beyond_noise > 0.0 && beyond_noise.is_finite() {
        let [xx, xy, yy] = &mut fitted.centre.covariance;
        *xx += beyond_noise * moved.x * moved.x;
        *xy += beyond_noise * moved.x * moved.y;
        *yy += beyond_noise * moved.y * moved.y;
    }
}

/// Adds to the error of the centre of `fitted`, behind a lens that bends strongly, what polynomials
/// leave of its law: neighbouring stars share it, so that it averages out over patches of the frame
/// only, however many stars there are. With as many as this, 3 x 3, the stated radius held the centre
/// of 58 of 60 frames painted by `benches/wide_lenses.py`, without them 47.
pub fn share_among_patches(fitted: &mut Fitted) {
    const PATCHES: f64 = 9.0;
    let weights = fitted.weights.iter();
    let squares = weights
        .zip(&fitted.residuals)
        .map(|(w, r)| w * (r[0] * r[0] + r[1] * r[1]));
    let total: f64 = fitted.weights.iter().sum();
    let per_axis = squares.sum::<f64>() / (2.0 * total);
    if per_axis.is_finite() {
        let [xx, _, yy] = &mut fitted.centre.covariance;
        *xx += per_axis / PATCHES;
        *yy += per_axis / PATCHES;
    }
}
