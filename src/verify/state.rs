//! A pose while stars are being added to it, one by one.

use super::brightness::ZeroPoint;
use super::camera::{Camera, Matrix, Vector};

/// The pose while it is being improved: a fixed camera and a small change of it.
#[derive(Debug, Clone)]
pub struct State {
    pub camera: Camera,
    /// Covariance of the change: symmetric and positive definite.
    pub covariance: Matrix,
    pub shift: Vector,
    pub zero: ZeroPoint,
}

/// Where a star was found, beside where it was predicted.
pub struct Measured {
    /// Derivatives of the prediction by the five parameters, along x and y.
    pub rows: [Vector; 2],
    /// Found minus predicted, pixels.
    pub residual: [f64; 2],
    /// Variance per axis, square pixels.
    pub variance: f64,
}

impl State {
    /// Least squares over the two stars of a pair, `residual`s from `camera` itself. The radial
    /// term, which two stars do not tell, has `radial_px` for its standard deviation about zero.
    /// `None` where they leave the pose open: at the same place, say.
    pub fn of_pair(camera: Camera, pair: &[Measured; 2], radial_px: f64) -> Option<State> {
        let held = 1.0 / (radial_px * radial_px);
        let mut information = Matrix::zeros();
        information[(4, 4)] = held;
        let mut pull = Vector::zeros();
        pull[4] = -camera.radial * camera.reference_px * held;
        for star in pair {
            for axis in 0..2 {
                let row = star.rows[axis] / star.variance;
                information += row * star.rows[axis].transpose();
                pull += row * star.residual[axis];
            }
        }
        let covariance = information.cholesky()?.inverse();
        State {
            camera,
            covariance,
            shift: covariance * pull,
            zero: ZeroPoint::default(),
        }
        .sound()
    }

    /// Place of a star (pixels from the centre) and its derivatives; `None` behind the camera.
    pub fn predict(&self, star: [f64; 3]) -> Option<([f64; 2], [Vector; 2])> {
        let at = self.camera.project(star)?;
        let rows = self.camera.derivatives(at);
        Some((
            [0, 1].map(|axis| at[axis] + rows[axis].dot(&self.shift)),
            rows,
        ))
    }

    /// Covariance of a prediction (xx, xy, yy), pixels squared.
    pub fn prediction_covariance(&self, rows: &[Vector; 2], spread: f64) -> [f64; 3] {
        let px = self.covariance * rows[0];
        let py = self.covariance * rows[1];
        [
            rows[0].dot(&px) + spread,
            rows[1].dot(&px),
            rows[1].dot(&py) + spread,
        ]
    }

    /// Kalman update with a star. The new covariance is the sum of two squares (Joseph's form;
    /// Bucy & Joseph 1968), which rounding cannot make negative. `None` where the numbers have
    /// become unfit for it.
    pub fn updated(&self, star: &Measured) -> Option<State> {
        let Measured {
            rows,
            residual,
            variance,
        } = star;
        let px = self.covariance * rows[0];
        let py = self.covariance * rows[1];
        let s = [
            rows[0].dot(&px) + variance,
            rows[1].dot(&px),
            rows[1].dot(&py) + variance,
        ];
        let det = s[0] * s[2] - s[1] * s[1];
        if !(det > 0.0) {
            return None;
        }
        let gain = [(px * s[2] - py * s[1]) / det, (py * s[0] - px * s[1]) / det];
        let kept =
            Matrix::identity() - gain[0] * rows[0].transpose() - gain[1] * rows[1].transpose();
        let new = kept * self.covariance * kept.transpose()
            + (gain[0] * gain[0].transpose() + gain[1] * gain[1].transpose()) * *variance;
        State {
            covariance: 0.5 * (new + new.transpose()),
            shift: self.shift + gain[0] * residual[0] + gain[1] * residual[1],
            ..*self
        }
        .sound()
    }

    /// The state, if its numbers are finite and its variances positive.
    fn sound(self) -> Option<State> {
        let finite = |values: &[f64]| values.iter().all(|v| v.is_finite());
        let positive = self.covariance.diagonal().iter().all(|v| *v > 0.0);
        (positive && finite(self.covariance.as_slice()) && finite(self.shift.as_slice()))
            .then_some(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sphere::{cross, normalised};
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;

    /// How the places of a few stars may lie in a frame of 1000 pixels a side.
    fn places() -> impl Strategy<Value = Vec<[f64; 2]>> {
        let count = 2..14_usize;
        let numbers = prop::collection::vec((-500.0..500.0, -500.0..500.0), count);
        (0..6_u8, 0.5..60.0, numbers).prop_map(
            |(shape, size, numbers): (u8, f64, Vec<(f64, f64)>)| {
                let place = |(i, &(x, y)): (usize, &(f64, f64))| match shape {
                    // Anywhere, in the left tenth, on a line, in a clump, on a grid, at the corner.
                    0 => [x, y],
                    1 => [-450.0 + 0.1 * x, y],
                    2 => [x, 0.3 * x + 1e-3 * y],
                    3 => [200.0 + size * x / 500.0, -100.0 + size * y / 500.0],
                    4 => [(i % 4) as f64 * size, (i / 4) as f64 * size],
                    _ => [499.0 - 0.02 * (x + 500.0), 499.0 - 0.02 * (y + 500.0)],
                };
                numbers.iter().enumerate().map(place).collect()
            },
        )
    }

    fn camera(focal_px: f64) -> Camera {
        let p = normalised([0.3, -0.5, 0.7]);
        let e = normalised(cross([0.0, 0.0, 1.0], p));
        Camera {
            axes: [e, cross(p, e), p],
            focal_px,
            flipped: false,
            radial: 0.0,
            reference_px: 707.0,
            projection: crate::projection::Projection::Gnomonic,
        }
    }

    /// All stars at once by plain least squares: rows scaled by their errors, the radial term's
    /// prior as one more row, solved by singular values without ever forming the normal matrix.
    /// Gives the solution, and the factor F of its covariance F F^T.
    fn dense(stars: &[Measured], radial_px: f64) -> (DVector<f64>, DMatrix<f64>) {
        let count = 2 * stars.len() + 1;
        let mut design = DMatrix::zeros(count, 5);
        let mut target = DVector::zeros(count);
        for (i, star) in stars.iter().enumerate() {
            for axis in 0..2 {
                let sigma = star.variance.sqrt();
                for k in 0..5 {
                    design[(2 * i + axis, k)] = star.rows[axis][k] / sigma;
                }
                target[2 * i + axis] = star.residual[axis] / sigma;
            }
        }
        design[(count - 1, 4)] = 1.0 / radial_px;
        let svd = design.svd(true, true);
        let (u, vt) = (svd.u.unwrap(), svd.v_t.unwrap());
        let inverse = svd.singular_values.map(|s| 1.0 / s);
        let solution = vt.transpose() * (u.transpose() * target).component_mul(&inverse);
        (
            solution,
            DMatrix::from_fn(5, 5, |i, j| vt[(j, i)] * inverse[j]),
        )
    }

    proptest! {
        /// Star by star as all at once, whatever the geometry; and never a variance that is not
        /// positive.
        #[test]
        fn updates_agree_with_dense_least_squares(
            places in places(),
            focal_px in 400.0..200_000.0_f64,
            radial_px in 0.3..15.0_f64,
            sigma_px in 0.05..3.0_f64,
            residuals in prop::collection::vec((-3.0..3.0, -3.0..3.0), 14),
        ) {
            let camera = camera(focal_px);
            let [a, b] = [places[0], places[1]];
            prop_assume!((a[0] - b[0]).hypot(a[1] - b[1]) > 4.0);
            let of_place = |k: usize| Measured {
                rows: camera.derivatives(places[k]),
                residual: [residuals[k].0, residuals[k].1],
                variance: sigma_px * sigma_px * (1.0 + k as f64 / 5.0),
            };
            let all: Vec<Measured> = (0..places.len()).map(of_place).collect();
            let mut state = State::of_pair(camera, &[of_place(0), of_place(1)], radial_px).unwrap();
            for star in &all[2..] {
                // The filter is told what is found beside the prediction so far.
                let residual =
                    [0, 1].map(|axis| star.residual[axis] - star.rows[axis].dot(&state.shift));
                state = state.updated(&Measured { residual, ..*star }).unwrap();
                prop_assert!(state.covariance.cholesky().is_some());
            }
            let (shift, factor) = dense(&all, radial_px);
            // Far from a clump of a few pixels errors grow a thousandfold, and of the sixteen digits
            // of a covariance few are left: what is asked for is far below what a search notices.
            const SAME: f64 = 0.01;
            for place in [[0.0, 0.0], [480.0, -480.0], places[0]] {
                let rows = camera.derivatives(place);
                for row in rows {
                    let dense_row = DVector::from_column_slice(row.as_slice());
                    let truth = (factor.transpose() * &dense_row).norm();
                    let own = row.dot(&(state.covariance * row)).sqrt();
                    prop_assert!((own / truth - 1.0).abs() < SAME, "sigma {own} {truth}");
                    let (here, there) = (row.dot(&state.shift), dense_row.dot(&shift));
                    prop_assert!((here - there).abs() < SAME * truth, "{here} {there} {truth}");
                }
            }
        }
    }
}
