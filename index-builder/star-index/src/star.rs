//! A catalogue star as stored: 14 bytes, decoded without trigonometry.

use bytemuck::{Pod, Zeroable};

/// A star as stored: octahedral coordinates of its direction, proper motion, magnitude.
///
/// The unit sphere is projected on the octahedron |x| + |y| + |z| = 1 and the lower half folded
/// outward into a square (Meyer et al. 2010, "On floating-point normal vectors", CGF 29, 1405).
/// 31 bits an axis resolve better than 0.3 mas.
#[repr(C, packed(2))]
#[derive(Debug, Clone, Copy, Pod, Zeroable, PartialEq, Eq)]
pub struct StarRecord {
    u: i32,
    v: i32,
    pm_ra_mas: i16,
    pm_dec_mas: i16,
    mag_centi: i16,
}

/// A star ready for use.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Star {
    /// ICRS unit vector.
    pub vector: [f64; 3],
    /// Magnitude.
    pub mag: f32,
}

const UNIT: f64 = 2_147_483_647.0;
const MAS_TO_RAD: f64 = std::f64::consts::PI / (180.0 * 3_600_000.0);

impl StarRecord {
    /// A record of a star: unit vector at the epoch of the index, proper motion in mas/yr (RA
    /// with cos Dec; beyond 32 arcsec/yr it is cut), magnitude.
    pub fn new(vector: [f64; 3], pm_mas_yr: [f64; 2], mag: f64) -> StarRecord {
        let [x, y, z] = vector;
        let sum = x.abs() + y.abs() + z.abs();
        let (mut u, mut v) = (x / sum, y / sum);
        if z < 0.0 {
            let sign = |c: f64| if c < 0.0 { -1.0 } else { 1.0 };
            (u, v) = ((1.0 - v.abs()) * sign(u), (1.0 - u.abs()) * sign(v));
        }
        StarRecord {
            u: (u * UNIT).round() as i32,
            v: (v * UNIT).round() as i32,
            pm_ra_mas: pm_mas_yr[0].round() as i16,
            pm_dec_mas: pm_mas_yr[1].round() as i16,
            mag_centi: (mag * 100.0).round() as i16,
        }
    }

    /// The point of the octahedron: a vector in the star's ICRS direction at the epoch of the index.
    #[inline]
    pub(crate) fn direction(&self) -> [f64; 3] {
        let (mut x, mut y) = (f64::from(self.u) / UNIT, f64::from(self.v) / UNIT);
        let z = 1.0 - x.abs() - y.abs();
        if z < 0.0 {
            let sign = |c: f64| if c < 0.0 { -1.0 } else { 1.0 };
            (x, y) = ((1.0 - y.abs()) * sign(x), (1.0 - x.abs()) * sign(y));
        }
        [x, y, z]
    }

    /// ICRS unit vector at the epoch of the index.
    #[inline]
    pub fn vector(&self) -> [f64; 3] {
        let [x, y, z] = self.direction();
        let scale = 1.0 / (x * x + y * y + z * z).sqrt();
        [x * scale, y * scale, z * scale]
    }

    /// What a year of proper motion adds to the unit vector: radians along its tangent plane.
    #[inline]
    pub fn motion(&self) -> [f64; 3] {
        self.motion_at(self.vector())
    }

    #[inline]
    fn motion_at(&self, p: [f64; 3]) -> [f64; 3] {
        let across = p[0].hypot(p[1]);
        if across < 1e-12 {
            return [0.0; 3];
        }
        let (ca, sa) = (p[0] / across, p[1] / across);
        let east = f64::from(self.pm_ra_mas) * MAS_TO_RAD;
        let north = f64::from(self.pm_dec_mas) * MAS_TO_RAD;
        [
            -east * sa - north * p[2] * ca,
            east * ca - north * p[2] * sa,
            north * across,
        ]
    }

    /// ICRS unit vector `years` after the epoch of the index: linear motion on the sphere,
    /// without parallax and radial velocity.
    #[inline]
    pub fn vector_after(&self, years: f64) -> [f64; 3] {
        let p = self.vector();
        if years == 0.0 || (self.pm_ra_mas == 0 && self.pm_dec_mas == 0) {
            return p;
        }
        let motion = self.motion_at(p);
        let moved: [f64; 3] = std::array::from_fn(|i| p[i] + years * motion[i]);
        let length = (moved[0] * moved[0] + moved[1] * moved[1] + moved[2] * moved[2]).sqrt();
        moved.map(|c| c / length)
    }

    /// The star `years` after the epoch of the index.
    #[inline]
    pub fn star_after(&self, years: f64) -> Star {
        Star {
            vector: self.vector_after(years),
            mag: self.mag(),
        }
    }

    /// By magnitude, brightest first; ties in an order that depends on nothing but the star.
    #[inline]
    pub fn cmp_brightness(&self, other: &StarRecord) -> std::cmp::Ordering {
        let key = |s: &StarRecord| (s.mag_centi, s.u, s.v, s.pm_ra_mas, s.pm_dec_mas);
        key(self).cmp(&key(other))
    }

    /// Magnitude in hundredths.
    #[inline]
    pub fn mag_centi(&self) -> i16 {
        self.mag_centi
    }

    /// Magnitude.
    #[inline]
    pub fn mag(&self) -> f32 {
        f32::from(self.mag_centi) / 100.0
    }

    /// Proper motion in RA times cos Dec, and in Dec, mas/yr.
    pub fn pm_mas_yr(&self) -> [f64; 2] {
        [f64::from(self.pm_ra_mas), f64::from(self.pm_dec_mas)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn angle_mas(a: [f64; 3], b: [f64; 3]) -> f64 {
        let d: f64 = (0..3).map(|i| (a[i] - b[i]).powi(2)).sum();
        d.sqrt() / MAS_TO_RAD
    }

    fn vector(ra_deg: f64, dec_deg: f64) -> [f64; 3] {
        let (sa, ca) = ra_deg.to_radians().sin_cos();
        let (sd, cd) = dec_deg.to_radians().sin_cos();
        [cd * ca, cd * sa, sd]
    }

    #[test]
    fn directions_survive_to_a_milliarcsecond() {
        for ra in 0..36 {
            for dec in [-90.0, -89.99, -45.3, -1e-7, 0.0, 12.0, 89.999, 90.0] {
                let v = vector(f64::from(ra) * 10.0 + 0.123, dec);
                let record = StarRecord::new(v, [0.0, 0.0], 5.0);
                assert!(angle_mas(v, record.vector()) < 1.0);
            }
        }
    }

    /// Barnard's star, Hipparcos 87937 (van Leeuwen 2007, I/311; epoch 1991.25): position
    /// 269.45402305, +4.66828815; proper motion -798.58, +10328.12 mas/yr (from memory). In a
    /// century it moves by the product of rate and time: 1035.9 arcsec.
    #[test]
    fn proper_motion_of_the_fastest_star() {
        let start = vector(269.45402305, 4.66828815);
        let record = StarRecord::new(start, [-798.58, 10328.12], 9.54);
        let moved = record.vector_after(100.0);
        assert!((angle_mas(start, moved) / 1000.0 - 1035.9).abs() < 0.3);
        assert!(moved[2] > start[2]);
    }
}
