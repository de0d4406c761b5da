//! A pinhole camera on the sky, and its fit to a few stars.

use crate::sphere::{cross, dot, normalised};
use nalgebra::{SMatrix, SVector};

/// Parameters of a small change of a camera, all in pixels: shift along x and y, turn about the
/// axis (pixels at the reference radius), change of focal length (likewise), radial distortion
/// (likewise). In pixels their sizes are alike and matrices stay well conditioned.
pub const PARAMETERS: usize = 5;

/// Matrix of the five parameters.
pub type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;
/// Vector of the five parameters.
pub type Vector = SVector<f64, PARAMETERS>;

/// Where a frame points, without reference to keywords: gnomonic projection about the frame's
/// centre with one radial term, `r' = r (1 + radial (r / reference)^2)`.
///
/// Offsets are pixels from the frame's centre, with y turned over where `flipped`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Camera {
    /// Unit vectors of the camera's x axis, y axis and line of sight (right-handed), ICRS.
    pub axes: [[f64; 3]; 3],
    /// Focal length, pixels.
    pub focal_px: f64,
    /// The pixel plane's y axis is turned over.
    pub flipped: bool,
    /// Radial term at the reference radius.
    pub radial: f64,
    /// Reference radius: half the frame's diagonal, pixels.
    pub reference_px: f64,
}

impl Camera {
    /// Offset at which the unit vector `w` appears; `None` behind the camera.
    #[inline]
    pub fn project(&self, w: [f64; 3]) -> Option<[f64; 2]> {
        let z = dot(w, self.axes[2]);
        if z <= 0.05 {
            return None;
        }
        let u = self.focal_px * dot(w, self.axes[0]) / z;
        let v = self.focal_px * dot(w, self.axes[1]) / z;
        let stretch = 1.0 + self.radial * (u * u + v * v) / (self.reference_px * self.reference_px);
        Some([u * stretch, v * stretch])
    }

    /// Unit vector seen at an offset (the radial term left out).
    pub fn direction(&self, [x, y]: [f64; 2]) -> [f64; 3] {
        let [e, n, p] = self.axes;
        normalised(std::array::from_fn(|i| {
            x * e[i] + y * n[i] + self.focal_px * p[i]
        }))
    }

    /// Derivatives of an offset by the five parameters, as two rows.
    #[inline]
    pub fn derivatives(&self, [x, y]: [f64; 2]) -> [Vector; 2] {
        let (u, v) = (x / self.focal_px, y / self.focal_px);
        let (xr, yr) = (x / self.reference_px, y / self.reference_px);
        let r2 = xr * xr + yr * yr;
        [
            Vector::new(1.0 + u * u, u * v, -yr, xr, xr * r2),
            Vector::new(u * v, 1.0 + v * v, xr, yr, yr * r2),
        ]
    }

    /// The camera after a small change.
    pub fn changed(&self, by: &Vector) -> Camera {
        // Stars move by +shift in the frame when the axes turn the other way.
        let (a, b) = (by[0] / self.focal_px, by[1] / self.focal_px);
        let turn = by[2] / self.reference_px;
        let [e, n, p] = self.axes;
        let forward = normalised(std::array::from_fn(|i| p[i] - a * e[i] - b * n[i]));
        let right: [f64; 3] = std::array::from_fn(|i| e[i] + a * p[i] - turn * n[i]);
        let along = dot(right, forward);
        let right = normalised(std::array::from_fn(|i| right[i] - along * forward[i]));
        Camera {
            axes: [right, cross(forward, right), forward],
            focal_px: self.focal_px * (by[3] / self.reference_px).exp(),
            radial: self.radial + by[4] / self.reference_px,
            ..*self
        }
    }

    /// The camera that puts two stars where they were found, if `focal_px` is right.
    fn from_two(
        offsets: [[f64; 2]; 2],
        stars: [[f64; 3]; 2],
        focal_px: f64,
        flipped: bool,
        reference_px: f64,
    ) -> Option<Camera> {
        let seen = offsets.map(|[x, y]| normalised([x, y, focal_px]));
        let triad = |a: [f64; 3], b: [f64; 3]| {
            let middle = normalised(std::array::from_fn(|i| a[i] + b[i]));
            let across = cross(a, b);
            if dot(across, across) < 1e-24 {
                return None;
            }
            let across = normalised(across);
            Some([middle, across, cross(middle, across)])
        };
        let here = triad(seen[0], seen[1])?;
        let there = triad(stars[0], stars[1])?;
        // Axis i of the camera in the sky's frame: sum over the triad of its components.
        let axes = std::array::from_fn(|i| {
            std::array::from_fn(|j| (0..3).map(|k| here[k][i] * there[k][j]).sum())
        });
        Some(Camera {
            axes,
            focal_px,
            flipped,
            radial: 0.0,
            reference_px,
        })
    }
}

impl Camera {
    /// Least squares over the four stars of a quad. `focal_px`: a first guess, from the lens
    /// assumed or from the quad's length. The radial term is held near zero by its prior
    /// `radial_px` (1 sigma at the reference radius) in units of the position error.
    pub fn from_quad(
        offsets: [[f64; 2]; 4],
        stars: [[f64; 3]; 4],
        focal_px: f64,
        flipped: bool,
        reference_px: f64,
        radial_px: f64,
    ) -> Option<Camera> {
        let mut camera = Camera::from_two(
            [offsets[0], offsets[1]],
            [stars[0], stars[1]],
            focal_px,
            flipped,
            reference_px,
        )?;
        for _ in 0..3 {
            let mut information = Matrix::zeros();
            information[(4, 4)] = 1.0 / (radial_px * radial_px);
            let mut gradient = Vector::zeros();
            gradient[4] = -camera.radial * reference_px / (radial_px * radial_px);
            for (offset, &star) in offsets.iter().zip(&stars) {
                let at = camera.project(star)?;
                let rows = camera.derivatives(at);
                for axis in 0..2 {
                    let residual = offset[axis] - at[axis];
                    information += rows[axis] * rows[axis].transpose();
                    gradient += rows[axis] * residual;
                }
            }
            let step = information.try_inverse()? * gradient;
            if !step.iter().all(|s| s.is_finite()) {
                return None;
            }
            camera = camera.changed(&step);
            if !(camera.focal_px > 1.0) || !camera.focal_px.is_finite() {
                return None;
            }
            if step.norm() < 1e-3 {
                break;
            }
        }
        Some(camera)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quad_fit_recovers_a_camera() {
        let truth = Camera {
            axes: {
                let p = normalised([0.3, -0.5, 0.7]);
                let e = normalised(cross([0.0, 0.0, 1.0], p));
                [e, cross(p, e), p]
            },
            focal_px: 1500.0,
            flipped: false,
            radial: 0.0,
            reference_px: 700.0,
        };
        let offsets = [
            [-400.0, 100.0],
            [350.0, -220.0],
            [10.0, 300.0],
            [120.0, -50.0],
        ];
        let stars = offsets.map(|o| truth.direction(o));
        let camera = Camera::from_quad(offsets, stars, 1400.0, false, 700.0, 1.0).unwrap();
        assert!((camera.focal_px / 1500.0 - 1.0).abs() < 1e-4);
        for offset in [[0.0, 0.0], [500.0, 400.0]] {
            let back = camera.project(truth.direction(offset)).unwrap();
            assert!((back[0] - offset[0]).hypot(back[1] - offset[1]) < 0.05);
        }
    }

    /// Numeric differentiation as the slow but obvious oracle.
    #[test]
    fn derivatives_agree_with_differences() {
        let camera = Camera {
            axes: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            focal_px: 900.0,
            flipped: false,
            radial: 0.0,
            reference_px: 600.0,
        };
        let star = camera.direction([310.0, -140.0]);
        let rows = camera.derivatives([310.0, -140.0]);
        for parameter in 0..PARAMETERS {
            let mut step = Vector::zeros();
            step[parameter] = 1e-3;
            let moved = camera.changed(&step).project(star).unwrap();
            for (axis, start) in [310.0, -140.0].into_iter().enumerate() {
                let difference = (moved[axis] - start) / 1e-3;
                assert!((difference - rows[axis][parameter]).abs() < 1e-3);
            }
        }
    }
}
