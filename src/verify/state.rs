//! A pose while stars are being added to it, one by one.

use super::brightness::ZeroPoint;
use super::camera::{Camera, Matrix, Vector};

/// The pose while it is being improved: a fixed camera and a small change of it.
pub struct State {
    pub camera: Camera,
    pub covariance: Matrix,
    pub shift: Vector,
    pub zero: ZeroPoint,
}

impl State {
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

    /// Kalman update with a residual of both axes.
    pub fn update(&mut self, rows: &[Vector; 2], residual: [f64; 2], variance: f64) {
        let px = self.covariance * rows[0];
        let py = self.covariance * rows[1];
        let s = [
            rows[0].dot(&px) + variance,
            rows[1].dot(&px),
            rows[1].dot(&py) + variance,
        ];
        let det = s[0] * s[2] - s[1] * s[1];
        let gain_x = (px * s[2] - py * s[1]) / det;
        let gain_y = (py * s[0] - px * s[1]) / det;
        self.shift += gain_x * residual[0] + gain_y * residual[1];
        self.covariance -= gain_x * px.transpose() + gain_y * py.transpose();
    }
}
