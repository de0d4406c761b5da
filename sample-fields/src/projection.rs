//! The gnomonic (TAN) projection between the sky and the pixels of one frame.
//!
//! Worked with unit vectors: a direction divided by its component along the axis is a point of the
//! tangent plane, so no spherical trigonometry and no special case at the poles is needed.
//! Conventions: Calabretta & Greisen 2002, A&A 395, 1077, sections 2 and 5.1.3.

use crate::FieldSpec;
use libm::{asin, atan2, cos, hypot, sin};

const DEG: f64 = std::f64::consts::PI / 180.0;

/// Unit vector of a direction given in degrees: x to (0, 0), y to (90, 0), z to the north pole.
pub(crate) fn direction(ra_deg: f64, dec_deg: f64) -> [f64; 3] {
    let (ra, dec) = (ra_deg * DEG, dec_deg * DEG);
    [cos(dec) * cos(ra), cos(dec) * sin(ra), sin(dec)]
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// A frame laid on the sky: tangent point in the middle, linear transform, radial distortion.
#[derive(Debug, Clone, Copy)]
pub struct TangentFrame {
    centre: [f64; 3],
    east: [f64; 3],
    north: [f64; 3],
    cd_deg: [[f64; 2]; 2],
    middle_px: [f64; 2],
    /// Relative outward shift per squared pixel of distance from the middle.
    distortion_per_px2: f64,
}

impl TangentFrame {
    /// A frame of `width_px` x `height_px` pixels whose middle looks at (`ra_deg`, `dec_deg`).
    ///
    /// `cd_deg` turns pixel offsets (x, y) from the middle into tangent-plane offsets (east, north)
    /// in degrees, as the FITS keywords CD1_1, CD1_2, CD2_1, CD2_2 do.
    pub fn new(
        ra_deg: f64,
        dec_deg: f64,
        cd_deg: [[f64; 2]; 2],
        width_px: usize,
        height_px: usize,
    ) -> Self {
        let (ra, dec) = (ra_deg * DEG, dec_deg * DEG);
        Self {
            centre: direction(ra_deg, dec_deg),
            east: [-sin(ra), cos(ra), 0.0],
            north: [-sin(dec) * cos(ra), -sin(dec) * sin(ra), cos(dec)],
            cd_deg,
            middle_px: [
                (width_px as f64 - 1.0) / 2.0,
                (height_px as f64 - 1.0) / 2.0,
            ],
            distortion_per_px2: 0.0,
        }
    }

    /// The frame of `spec`, through its lens.
    pub fn of(spec: &FieldSpec) -> Self {
        let (width_px, height_px) = (spec.width_px, spec.height_px);
        Self::new(
            spec.ra_deg,
            spec.dec_deg,
            spec.cd_deg(),
            width_px,
            height_px,
        )
        .with_radial_distortion(spec.k1)
    }

    /// The same frame through a lens that moves a star at half the frame's width outward by `k1`
    /// of its distance (negative: inward, a barrel), growing with the cube of the distance.
    pub fn with_radial_distortion(mut self, k1: f64) -> Self {
        let half_width_px = self.middle_px[0] + 0.5;
        self.distortion_per_px2 = k1 / (half_width_px * half_width_px);
        self
    }

    /// Unit vector of the frame's middle.
    pub(crate) fn centre(&self) -> [f64; 3] {
        self.centre
    }

    /// Where a direction (unit vector) lands, 0-based pixels; none if it lies 85 deg or more from
    /// the middle, where the tangent plane runs away to infinity.
    pub(crate) fn to_pixel(self, star: [f64; 3]) -> Option<[f64; 2]> {
        let along = dot(star, self.centre);
        if along < cos(85.0 * DEG) {
            return None;
        }
        let east_deg = dot(star, self.east) / along / DEG;
        let north_deg = dot(star, self.north) / along / DEG;
        let [[a, b], [c, d]] = self.cd_deg;
        let det = a * d - b * c;
        let x = (d * east_deg - b * north_deg) / det;
        let y = (a * north_deg - c * east_deg) / det;
        let stretch = 1.0 + self.distortion_per_px2 * (x * x + y * y);
        Some([
            self.middle_px[0] + x * stretch,
            self.middle_px[1] + y * stretch,
        ])
    }

    /// Where (`ra_deg`, `dec_deg`) lands in FITS pixels (first stored pixel is (1, 1)); none if it
    /// lies 85 deg or more from the frame's middle.
    pub fn fits_pixel_of(&self, ra_deg: f64, dec_deg: f64) -> Option<[f64; 2]> {
        self.to_pixel(direction(ra_deg, dec_deg))
            .map(|[x, y]| [x + 1.0, y + 1.0])
    }

    /// The sky position (degrees) of a FITS pixel, distortion left out of account.
    pub fn sky_of_fits_pixel(&self, pixel: [f64; 2]) -> [f64; 2] {
        let (x, y) = (
            pixel[0] - 1.0 - self.middle_px[0],
            pixel[1] - 1.0 - self.middle_px[1],
        );
        let east = (self.cd_deg[0][0] * x + self.cd_deg[0][1] * y) * DEG;
        let north = (self.cd_deg[1][0] * x + self.cd_deg[1][1] * y) * DEG;
        let v: [f64; 3] =
            std::array::from_fn(|i| self.centre[i] + east * self.east[i] + north * self.north[i]);
        let ra_deg = atan2(v[1], v[0]) / DEG;
        let length = hypot(hypot(v[0], v[1]), v[2]);
        // atan2 keeps its accuracy at the pole, where the arc sine loses half its digits.
        let dec_deg = if v[2].abs() < 0.7 * length {
            asin(v[2] / length) / DEG
        } else {
            atan2(v[2], hypot(v[0], v[1])) / DEG
        };
        [ra_deg.rem_euclid(360.0), dec_deg]
    }
}

#[cfg(test)]
#[path = "projection_tests.rs"]
mod tests;
