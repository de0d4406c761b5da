//! How a lens lays directions out on a sensor: the zenithal projections of FITS that lenses follow.
//!
//! Source: Calabretta & Greisen 2002 (A&A 395, 1077), section 5.1. Distances from the axis are in units
//! of the focal length, as the angle `theta` from the axis gives them.

use crate::sphere::normalised;

/// A law of distances from the axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Projection {
    /// `tan theta`: lenses that keep lines straight (section 5.1.3).
    #[default]
    Gnomonic,
    /// `2 tan(theta / 2)`: fisheyes that keep shapes (section 5.1.4).
    Stereographic,
    /// `theta`: fisheyes that keep angles from the axis (section 5.1.6).
    Equidistant,
    /// `2 sin(theta / 2)`: fisheyes that keep areas (section 5.1.8).
    Equisolid,
}

/// Nearer to the axis than this the series serve, which begin with 1.
const NEAR_AXIS: f64 = 1e-4;

impl Projection {
    /// All of them.
    pub const ALL: [Projection; 4] = [
        Projection::Gnomonic,
        Projection::Stereographic,
        Projection::Equidistant,
        Projection::Equisolid,
    ];

    /// What FITS calls it, as in `RA---TAN`.
    pub fn code(self) -> &'static str {
        match self {
            Projection::Gnomonic => "TAN",
            Projection::Stereographic => "STG",
            Projection::Equidistant => "ARC",
            Projection::Equisolid => "ZEA",
        }
    }

    /// In words, as FITS has them.
    pub fn name(self) -> &'static str {
        match self {
            Projection::Gnomonic => "gnomonic",
            Projection::Stereographic => "stereographic",
            Projection::Equidistant => "zenithal equidistant",
            Projection::Equisolid => "zenithal equal-area",
        }
    }

    /// By its code in FITS.
    pub fn of_code(code: &str) -> Option<Projection> {
        Projection::ALL.into_iter().find(|p| p.code() == code)
    }

    /// Distance from the axis of what is seen at this angle from it, radians, 0 to pi; the gnomonic
    /// one ends before a right angle.
    pub fn radius(self, angle: f64) -> f64 {
        match self {
            Projection::Gnomonic => angle.tan(),
            Projection::Stereographic => 2.0 * (0.5 * angle).tan(),
            Projection::Equidistant => angle,
            Projection::Equisolid => 2.0 * (0.5 * angle).sin(),
        }
    }

    /// Angle from the axis, radians, that appears at this distance; pi where the sphere ends before.
    pub fn angle(self, radius: f64) -> f64 {
        match self {
            Projection::Gnomonic => radius.atan(),
            Projection::Stereographic => 2.0 * (0.5 * radius).atan(),
            Projection::Equidistant => radius.min(std::f64::consts::PI),
            Projection::Equisolid => 2.0 * (0.5 * radius).min(1.0).asin(),
        }
    }

    /// Whether anything of the sphere appears at this distance from the axis.
    pub fn reaches(self, radius: f64) -> bool {
        match self {
            Projection::Gnomonic | Projection::Stereographic => radius.is_finite(),
            Projection::Equidistant => radius <= std::f64::consts::PI,
            Projection::Equisolid => radius <= 2.0,
        }
    }

    /// Where a unit vector, its third component along the axis, appears; `None` where it does not.
    #[inline]
    pub fn place(self, [x, y, z]: [f64; 3]) -> Option<[f64; 2]> {
        let factor = match self {
            Projection::Gnomonic if z <= 0.0 => return None,
            Projection::Gnomonic => 1.0 / z,
            // The point behind is everywhere at once.
            _ if z < -1.0 + 1e-9 => return None,
            Projection::Stereographic => 2.0 / (1.0 + z),
            Projection::Equisolid => (2.0 / (1.0 + z)).sqrt(),
            Projection::Equidistant => {
                let sine = x.hypot(y);
                if sine < NEAR_AXIS && z > 0.0 {
                    1.0 + sine * sine / 6.0
                } else {
                    sine.atan2(z) / sine
                }
            }
        };
        Some([x * factor, y * factor])
    }

    /// Unit vector, its third component along the axis, that appears at a place.
    #[inline]
    pub fn direction(self, [x, y]: [f64; 2]) -> [f64; 3] {
        if self == Projection::Gnomonic {
            return normalised([x, y, 1.0]);
        }
        let radius = x.hypot(y);
        let (sine, cosine) = self.angle(radius).sin_cos();
        let part = if radius > 0.0 { sine / radius } else { 1.0 };
        [x * part, y * part, cosine]
    }

    /// How what appears at a distance from the axis moves when the camera turns by a small angle:
    /// `[t, g]` of the matrix `t I + g r r^T` that takes the shift in the middle to that at the place r.
    #[inline]
    pub fn carried(self, radius: f64) -> [f64; 2] {
        let r2 = radius * radius;
        match self {
            Projection::Gnomonic => [1.0, 1.0],
            Projection::Stereographic => [1.0 - 0.25 * r2, 0.5],
            Projection::Equidistant if radius < NEAR_AXIS => [1.0, 1.0 / 3.0],
            Projection::Equidistant => {
                let along = radius / radius.tan();
                [along, (1.0 - along) / r2]
            }
            Projection::Equisolid => {
                let half = (1.0 - 0.25 * r2).max(1e-6).sqrt();
                [(1.0 - 0.5 * r2) / half, 0.25 / half]
            }
        }
    }

    /// The cubic term of [`Projection::radius`].
    pub fn cubic(self) -> f64 {
        match self {
            Projection::Gnomonic => 1.0 / 3.0,
            Projection::Stereographic => 1.0 / 12.0,
            Projection::Equidistant => 0.0,
            Projection::Equisolid => -1.0 / 24.0,
        }
    }

    /// How much the ratio of radial to tangential scale at this distance changes when the focal
    /// length does, both relative.
    pub fn bending(self, radius: f64) -> f64 {
        let r2 = radius * radius;
        match self {
            Projection::Gnomonic => r2 / (1.0 + r2),
            Projection::Stereographic => 0.0,
            Projection::Equidistant if radius < NEAR_AXIS => r2 / 3.0,
            Projection::Equidistant => 1.0 - radius / radius.tan(),
            Projection::Equisolid => 0.5 * r2 / (1.0 - 0.25 * r2).max(1e-6),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Places at angles up to 1.2 rad, where all four are defined.
    fn samples() -> impl Iterator<Item = [f64; 3]> {
        (0..60).map(|k| {
            let (angle, turn) = (0.02 * f64::from(k), 0.7 * f64::from(k));
            [
                angle.sin() * turn.cos(),
                angle.sin() * turn.sin(),
                angle.cos(),
            ]
        })
    }

    #[test]
    fn there_and_back() {
        for projection in Projection::ALL {
            for v in samples() {
                let at = projection.place(v).unwrap();
                let angle = v[0].hypot(v[1]).atan2(v[2]);
                assert!((at[0].hypot(at[1]) - projection.radius(angle)).abs() < 1e-12);
                assert!((projection.angle(projection.radius(angle)) - angle).abs() < 1e-12);
                let back = projection.direction(at);
                assert!((0..3).all(|i| (back[i] - v[i]).abs() < 1e-12));
            }
        }
        assert_eq!(Projection::Gnomonic.place([1.0, 0.0, 0.0]), None);
        let behind = Projection::Equidistant.place([0.6, 0.0, -0.8]).unwrap();
        assert!((behind[0] - (0.6_f64).atan2(-0.8)).abs() < 1e-12);
    }

    /// Numeric differentiation as the slow but obvious oracle.
    #[test]
    fn small_turns_agree_with_differences() {
        const STEP: f64 = 1e-6;
        for projection in Projection::ALL {
            for [x, y, z] in samples() {
                let at = projection.place([x, y, z]).unwrap();
                let [t, g] = projection.carried(at[0].hypot(at[1]));
                // What lies on the axis moves by one step along x, or along y.
                let along_x = projection.place([x + STEP * z, y, z - STEP * x]).unwrap();
                let along_y = projection.place([x, y + STEP * z, z - STEP * y]).unwrap();
                let rows = [
                    [t + g * at[0] * at[0], g * at[0] * at[1]],
                    [g * at[0] * at[1], t + g * at[1] * at[1]],
                ];
                for axis in 0..2 {
                    assert!((rows[axis][0] - (along_x[axis] - at[axis]) / STEP).abs() < 1e-4);
                    assert!((rows[axis][1] - (along_y[axis] - at[axis]) / STEP).abs() < 1e-4);
                }
            }
        }
    }

    #[test]
    fn an_uncertain_focal_length_bends_as_the_scales_say() {
        const STEP: f64 = 1e-5;
        for projection in Projection::ALL {
            let ratio = |angle: f64| {
                let along = projection.radius(angle + STEP) - projection.radius(angle - STEP);
                along / (2.0 * STEP) / (projection.radius(angle) / angle.sin())
            };
            for angle in [0.2, 0.6, 1.1] {
                let radius = projection.radius(angle);
                let taken_for = projection.angle(1.001 * radius);
                let seen = (ratio(angle) / ratio(taken_for)).ln().abs() / 0.001;
                assert!((projection.bending(radius) - seen).abs() < 0.02 * seen + 1e-3);
            }
        }
    }
}
