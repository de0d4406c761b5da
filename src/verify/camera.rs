//! A pinhole camera on the sky, and its fit to a few stars.

use crate::projection::Projection;
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

/// Where a frame points, without reference to keywords: a lens's projection about the frame's
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
    /// How its lens lays out directions.
    pub projection: Projection,
}

/// A lens shows nothing farther from its axis than this: cosines of 87 deg for one that keeps lines
/// straight, and of 110 deg, the widest fisheyes. Common practice.
const RIM: [f64; 2] = [0.05, -0.34];

impl Camera {
    /// Offset at which the unit vector `w` appears; `None` behind the camera.
    #[inline]
    pub fn project(&self, w: [f64; 3]) -> Option<[f64; 2]> {
        let seen = self.axes.map(|axis| dot(w, axis));
        if seen[2] <= RIM[usize::from(self.projection != Projection::Gnomonic)] {
            return None;
        }
        let [u, v] = self.projection.place(seen)?.map(|c| self.focal_px * c);
        let stretch = 1.0 + self.radial * (u * u + v * v) / (self.reference_px * self.reference_px);
        Some([u * stretch, v * stretch])
    }

    /// Unit vector seen at an offset (the radial term left out).
    pub fn direction(&self, [x, y]: [f64; 2]) -> [f64; 3] {
        let [e, n, p] = self.axes;
        let [x, y, z] = (self.projection).direction([x / self.focal_px, y / self.focal_px]);
        std::array::from_fn(|i| x * e[i] + y * n[i] + z * p[i])
    }

    /// Derivatives of an offset by the five parameters, as two rows.
    #[inline]
    pub fn derivatives(&self, [x, y]: [f64; 2]) -> [Vector; 2] {
        let (u, v) = (x / self.focal_px, y / self.focal_px);
        let (xr, yr) = (x / self.reference_px, y / self.reference_px);
        let r2 = xr * xr + yr * yr;
        let [t, g] = self.projection.carried(u.hypot(v));
        [
            Vector::new(t + g * u * u, g * u * v, -yr, xr, xr * r2),
            Vector::new(g * u * v, t + g * v * v, xr, yr, yr * r2),
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

    /// The camera that puts the first two stars of a quad where they were found, if its focal length
    /// is right.
    fn from_two(quad: &QuadMatch) -> Option<Camera> {
        let ([a, b, ..], [first, second, ..]) = (quad.offsets, quad.stars);
        let (projection, focal_px) = (quad.projection, quad.focal_px);
        let seen = [a, b].map(|[x, y]| projection.direction([x / focal_px, y / focal_px]));
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
        let there = triad(first, second)?;
        // Axis i of the camera in the sky's frame: sum over the triad of its components.
        let axes = std::array::from_fn(|i| {
            std::array::from_fn(|j| (0..3).map(|k| here[k][i] * there[k][j]).sum())
        });
        Some(Camera {
            axes,
            focal_px,
            flipped: quad.flipped,
            radial: 0.0,
            reference_px: quad.reference_px,
            projection,
        })
    }
}

/// A quad of the frame and of the sky, to be laid over each other.
#[derive(Debug, Clone, Copy)]
pub struct QuadMatch {
    /// Places of A, B, C, D, pixels from the frame's centre, turned over like the camera.
    pub offsets: [[f64; 2]; 4],
    /// ICRS unit vectors of the four stars.
    pub stars: [[f64; 3]; 4],
    /// How the lens is taken to lay out directions.
    pub projection: Projection,
    /// A first guess of the focal length, from the lens assumed or from the quad's length.
    pub focal_px: f64,
    /// The pixel plane's y axis is turned over.
    pub flipped: bool,
    /// Half the frame's diagonal, pixels.
    pub reference_px: f64,
    /// How far C and D may be off along either axis for the codes to match, pixels.
    pub gate_px: f64,
    /// Radial distortion that is to be expected, pixels at the reference radius, 1 sigma.
    pub radial_px: f64,
}

/// Position error, pixels, against which the radial term's prior is weighed in the fit of a quad.
const QUAD_ERROR_PX: f64 = 0.25;
/// Steps of the fit of a quad: from a focal length 15 % off the second one ends below 1e-3 px.
const STEPS: usize = 3;
/// The four stars of a quad must lie within this many gates of where the fitted camera sees them.
/// The gate bounds their distance before the fit, which only lessens it.
const MOST_GATES: f64 = 2.0;
/// The fitted radial term lies within this many standard deviations of its prior: four stars that
/// bend the field by more are no quad of it.
const MOST_RADIAL_SIGMAS: f64 = 5.0;

impl Camera {
    /// Least squares over the four stars of a quad, with the radial term held near zero by its
    /// prior. `None` where the camera does not see the stars where they were found: they have no
    /// common pose, or the steps did not converge to it.
    pub fn from_quad(quad: &QuadMatch) -> Option<Camera> {
        let reference_px = quad.reference_px;
        let mut camera = Camera::from_two(quad)?;
        let held = (QUAD_ERROR_PX / quad.radial_px).min(1.0).powi(2);
        for _ in 0..STEPS {
            let mut information = Matrix::zeros();
            information[(4, 4)] = held;
            let mut gradient = Vector::zeros();
            gradient[4] = -camera.radial * reference_px * held;
            for (offset, &star) in quad.offsets.iter().zip(&quad.stars) {
                let at = camera.project(star)?;
                let rows = camera.derivatives(at);
                for axis in 0..2 {
                    let residual = offset[axis] - at[axis];
                    information += rows[axis] * rows[axis].transpose();
                    gradient += rows[axis] * residual;
                }
            }
            let step = information.cholesky()?.solve(&gradient);
            camera = camera.changed(&step);
            if step.norm() < 1e-3 {
                break;
            }
        }
        camera.agrees_with(quad).then_some(camera)
    }

    /// Whether the stars of a quad appear where they were found, with a distortion that a lens may
    /// have. Written so that numbers which are not finite do not agree.
    fn agrees_with(&self, quad: &QuadMatch) -> bool {
        let limit_px = MOST_GATES * quad.gate_px.max(1.0);
        let near = |(offset, &star): (&[f64; 2], &[f64; 3])| {
            self.project(star)
                .is_some_and(|at| (offset[0] - at[0]).hypot(offset[1] - at[1]) <= limit_px)
        };
        let radial_px = (self.radial * self.reference_px).abs();
        self.is_finite()
            && self.focal_px > 1.0
            && radial_px <= MOST_RADIAL_SIGMAS * quad.radial_px.max(QUAD_ERROR_PX)
            && quad.offsets.iter().zip(&quad.stars).all(near)
    }

    /// Whether all its numbers are finite.
    pub fn is_finite(&self) -> bool {
        self.axes.iter().flatten().all(|c| c.is_finite())
            && self.focal_px.is_finite()
            && self.radial.is_finite()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

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
            projection: Projection::Gnomonic,
        };
        let offsets = [
            [-400.0, 100.0],
            [350.0, -220.0],
            [10.0, 300.0],
            [120.0, -50.0],
        ];
        let quad = QuadMatch {
            offsets,
            stars: offsets.map(|o| truth.direction(o)),
            focal_px: 1400.0,
            flipped: false,
            reference_px: 700.0,
            projection: Projection::Gnomonic,
            gate_px: 5.0,
            radial_px: 0.25,
        };
        let camera = Camera::from_quad(&quad).unwrap();
        assert!((camera.focal_px / 1500.0 - 1.0).abs() < 1e-4);
        for offset in [[0.0, 0.0], [500.0, 400.0]] {
            let back = camera.project(truth.direction(offset)).unwrap();
            assert!((back[0] - offset[0]).hypot(back[1] - offset[1]) < 0.05);
        }
    }

    proptest! {
        /// Four stars that are no quad of the frame, in a quarter of its width: least squares ran
        /// away to a radial term of -1.2 and residuals of 10^4 px, and was taken for a pose.
        #[test]
        fn a_pose_puts_the_stars_where_they_were_found(
            places in prop::array::uniform4((-600.0..-300.0, -400.0..400.0)),
            seen in prop::array::uniform4((-900.0..900.0, -900.0..900.0)),
            mix in 0.0..1.0_f64,
            focal_px in 300.0..100_000.0_f64,
        ) {
            let sky = Camera {
                axes: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
                focal_px,
                flipped: false,
                radial: 0.0,
                reference_px: 721.0,
                projection: Projection::Gnomonic,
            };
            let offsets = places.map(|(x, y)| [x, y]);
            // From four stars that fit the frame exactly to four that do not fit at all.
            let stars = std::array::from_fn(|k| {
                let [x, y] = offsets[k];
                sky.direction([x + mix.powi(6) * (seen[k].0 - x), y + mix.powi(6) * (seen[k].1 - y)])
            });
            let quad = QuadMatch {
                offsets,
                stars,
                focal_px: focal_px * (1.0 + 0.1 * mix),
                flipped: false,
                reference_px: 721.0,
                projection: Projection::Gnomonic,
                gate_px: 4.0,
                radial_px: 10.0,
            };
            if let Some(camera) = Camera::from_quad(&quad) {
                prop_assert!(camera.is_finite());
                prop_assert!((camera.radial * camera.reference_px).abs() <= 50.0);
                for (offset, star) in offsets.iter().zip(stars) {
                    let at = camera.project(star).unwrap();
                    prop_assert!((at[0] - offset[0]).hypot(at[1] - offset[1]) <= 8.0);
                }
            }
        }
    }

    /// Numeric differentiation as the slow but obvious oracle.
    #[test]
    fn derivatives_agree_with_differences() {
        for projection in Projection::ALL {
            let camera = Camera {
                axes: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
                focal_px: 900.0,
                flipped: false,
                radial: 0.0,
                reference_px: 600.0,
                projection,
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
}
