//! The frame as a fit sees it, and the WCS of the verified pose, which the fit begins with.

use super::model::Model;
use crate::projection::Projection;
use crate::sphere::{dot, tangent_basis, vector_to_sky};
use crate::verify::Camera;
use crate::wcs::{Sip, Wcs};

/// From this angle between the middle and a corner on a lens may be a fisheye, radians (35 deg).
const WIDE_RAD: f64 = 0.61;
/// Size of a frame, and how far its stars must reach out.
#[derive(Clone, Copy)]
pub struct Geometry {
    /// Middle of the frame, FITS pixels.
    pub crpix: [f64; 2],
    /// Half its width and height, pixels.
    pub half_px: [f64; 2],
    /// Half its diagonal, the unit of a fit, pixels.
    pub length_px: f64,
    /// Stars farther out than this show curvature, parts of `length_px`.
    pub outer: f64,
    /// Highest power of a polynomial.
    pub highest: usize,
}

impl Geometry {
    /// Of a frame of this size behind the lens of `camera`.
    pub fn new(size: [f64; 2], camera: &Camera) -> Geometry {
        let length_px = 0.5 * size[0].hypot(size[1]);
        // A fisheye may show half the sky as a circle within the frame.
        let half_sky = camera.projection.radius(std::f64::consts::FRAC_PI_2);
        let circle = match camera.projection {
            Projection::Gnomonic => 1.0,
            _ => (half_sky * camera.focal_px / length_px).min(1.0),
        };
        Geometry {
            crpix: size.map(|s| (s + 1.0) / 2.0),
            half_px: size.map(|s| s / 2.0),
            length_px,
            outer: 0.5 * circle,
            highest: if is_wide(camera) { 5 } else { 4 },
        }
    }

    /// The same where all stars lie in a part of this size in the middle: they show curvature as far out
    /// in it, but none of a power that runs away beyond it.
    pub fn of_part(mut self, part: Option<[usize; 2]>) -> Geometry {
        if let Some([width, height]) = part {
            self.outer *= 0.5 * (width as f64).hypot(height as f64) / self.length_px;
            self.highest = 3;
        }
        self
    }

    /// Whether the lens may be a fisheye.
    pub fn is_wide(&self) -> bool {
        self.highest > 4
    }

    /// The next model, which tells what the chosen one leaves out; `None` where nothing that matters.
    pub fn freer_than(&self, model: Model, flipped: bool) -> Option<Model> {
        match model {
            Model::Similarity { .. } | Model::Polynomial(1) if !self.is_wide() => {
                Some(Model::Polynomial(2))
            }
            _ if !self.is_wide() => None,
            Model::Decentred { .. } => Some(Model::Polynomial(3)),
            Model::Polynomial(order) if order > 1 => Some(Model::Polynomial(order + 1)),
            _ => Some(Model::Decentred { flipped }),
        }
    }
}

/// Whether the lens of `camera` may be a fisheye.
pub fn is_wide(camera: &Camera) -> bool {
    let corner = camera.reference_px / camera.focal_px;
    camera.projection != Projection::Gnomonic || corner.atan() > WIDE_RAD
}

/// The WCS of a camera in a projection that need not be its own, the radial term as SIP.
pub fn wcs_of_camera(camera: &Camera, projection: Projection, geometry: &Geometry) -> Wcs {
    let [ra, dec] = vector_to_sky(camera.axes[2]);
    let [east, north, _] = tangent_basis(ra, dec);
    let scale = (1.0 / camera.focal_px).to_degrees();
    let sign = if camera.flipped { -1.0 } else { 1.0 };
    let cd = [east, north].map(|axis| {
        [
            scale * dot(axis, camera.axes[0]),
            scale * sign * dot(axis, camera.axes[1]),
        ]
    });
    // r' = r (1 + k r^2) inverted to first order.
    let bend = (projection.cubic() - camera.projection.cubic()) / camera.focal_px.powi(2);
    let k = bend - camera.radial / camera.reference_px.powi(2);
    let sip = (k != 0.0).then(|| Sip {
        order: 3,
        a: vec![(3, 0, k), (1, 2, k)],
        b: vec![(2, 1, k), (0, 3, k)],
        inverse_order: 3,
        ap: vec![(3, 0, -k), (1, 2, -k)],
        bp: vec![(2, 1, -k), (0, 3, -k)],
    });
    Wcs {
        crpix: geometry.crpix,
        crval: [ra, dec],
        cd,
        projection,
        sip,
    }
}

/// Degrees per pixel at the reference pixel: sqrt |det CD|.
pub fn scale_of(wcs: &Wcs) -> f64 {
    (wcs.cd[0][0] * wcs.cd[1][1] - wcs.cd[0][1] * wcs.cd[1][0])
        .abs()
        .sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sphere::{angle_between, sky_to_vector};

    #[test]
    fn camera_and_wcs_agree() {
        let lenses = Projection::ALL.into_iter();
        for (projection, flipped) in lenses.flat_map(|p| [(p, false), (p, true)]) {
            let camera = Camera {
                axes: {
                    let p = sky_to_vector(200.0, 89.0);
                    let [e, n, _] = tangent_basis(200.0, 89.0);
                    [e, n, p]
                },
                focal_px: 2000.0,
                flipped,
                radial: 0.0,
                reference_px: 500.0,
                projection,
            };
            let geometry = Geometry::new([800.0, 600.0], &camera);
            let wcs = wcs_of_camera(&camera, projection, &geometry);
            let sign = if flipped { -1.0 } else { 1.0 };
            for [x, y] in [[0.0, 0.0], [300.0, -200.0]] {
                let seen = camera.direction([x, sign * y]);
                let here = wcs.pixel_to_vector(400.5 + x, 300.5 + y);
                assert!(angle_between(seen, here) < 1e-12);
            }
        }
    }
}
