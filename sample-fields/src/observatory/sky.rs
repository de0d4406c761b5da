//! Hour angles to ICRS, written a second time and shorter than in the solver: good to about two
//! arcseconds in this century, which a rehearsal does not notice.
//!
//! Formulas: sidereal time and precession IAU 1976/1982 (Lieske et al. 1977, A&A 58, 1; Aoki et al.
//! 1982, A&A 105, 359), the four largest terms of nutation and low-precision aberration (Meeus,
//! Astronomical Algorithms, 2nd ed., chapters 12, 21 to 23, 25; coefficients from memory).

const DEG: f64 = std::f64::consts::PI / 180.0;

/// Unit vector of longitude and latitude in degrees.
pub(super) fn vector(longitude_deg: f64, latitude_deg: f64) -> [f64; 3] {
    crate::projection::direction(longitude_deg, latitude_deg)
}

/// Longitude (0 to 360) and latitude of a vector, degrees.
pub(super) fn angles_deg(v: [f64; 3]) -> [f64; 2] {
    let longitude = libm::atan2(v[1], v[0]) / DEG;
    [
        longitude.rem_euclid(360.0) % 360.0,
        libm::atan2(v[2], libm::hypot(v[0], v[1])) / DEG,
    ]
}

/// Turns about axis 0, 1 or 2 by an angle in degrees: the frame turns, the vector stays.
pub(super) fn turn(axis: usize, angle_deg: f64, v: [f64; 3]) -> [f64; 3] {
    let (sin, cos) = (libm::sin(angle_deg * DEG), libm::cos(angle_deg * DEG));
    let (j, k) = ((axis + 1) % 3, (axis + 2) % 3);
    let mut turned = v;
    turned[j] = cos * v[j] + sin * v[k];
    turned[k] = cos * v[k] - sin * v[j];
    turned
}

struct Nutation {
    longitude_deg: f64,
    obliquity_deg: f64,
    mean_obliquity_deg: f64,
}

fn nutation(t: f64) -> Nutation {
    let node = (125.044_52 - 1_934.136_261 * t) * DEG;
    let sun2 = 2.0 * (280.466_5 + 36_000.769_8 * t) * DEG;
    let moon2 = 2.0 * (218.316_5 + 481_267.881_3 * t) * DEG;
    let longitude = -17.20 * libm::sin(node) - 1.32 * libm::sin(sun2) - 0.23 * libm::sin(moon2)
        + 0.21 * libm::sin(2.0 * node);
    let obliquity = 9.20 * libm::cos(node) + 0.57 * libm::cos(sun2) + 0.10 * libm::cos(moon2)
        - 0.09 * libm::cos(2.0 * node);
    Nutation {
        longitude_deg: longitude / 3600.0,
        obliquity_deg: obliquity / 3600.0,
        mean_obliquity_deg: 23.439_291 - 0.013_004 * t,
    }
}

fn centuries(jd: f64) -> f64 {
    (jd - 2_451_545.0) / 36_525.0
}

/// Apparent sidereal time of a place (longitude to the east), degrees; the date is UTC.
pub fn sidereal_deg(jd: f64, longitude_deg: f64) -> f64 {
    let t = centuries(jd);
    let mean = 280.460_618_37 + 360.985_647_366_29 * (jd - 2_451_545.0) + 0.000_387_933 * t * t;
    let nutation = nutation(t);
    let equinoxes = nutation.longitude_deg * libm::cos(nutation.mean_obliquity_deg * DEG);
    (mean + equinoxes + longitude_deg).rem_euclid(360.0)
}

/// ICRS position of an apparent position of date; both RA and Dec in degrees.
pub fn date_to_icrs(jd: f64, ra_deg: f64, dec_deg: f64) -> [f64; 2] {
    let t = centuries(jd);
    let n = nutation(t);
    let true_obliquity = n.mean_obliquity_deg + n.obliquity_deg;
    // True to mean equator: back through obliquity, nutation in longitude, mean obliquity.
    let mut v = vector(ra_deg, dec_deg);
    v = turn(0, true_obliquity, v);
    v = turn(2, n.longitude_deg, v);
    v = turn(0, -n.mean_obliquity_deg, v);
    // Of date to J2000.
    let (t2, t3) = (t * t, t * t * t);
    let zeta = (2306.2181 * t + 0.30188 * t2 + 0.017998 * t3) / 3600.0;
    let z = (2306.2181 * t + 1.09468 * t2 + 0.018203 * t3) / 3600.0;
    let theta = (2004.3109 * t - 0.42665 * t2 - 0.041833 * t3) / 3600.0;
    v = turn(2, z, v);
    v = turn(1, -theta, v);
    v = turn(2, zeta, v);
    let speed = earth_velocity(t);
    angles_deg([v[0] - speed[0], v[1] - speed[1], v[2] - speed[2]])
}

/// Velocity of the Earth in units of that of light, along the equatorial axes, from the Sun's
/// longitude and the excentricity of the orbit.
fn earth_velocity(t: f64) -> [f64; 3] {
    const ABERRATION_DEG: f64 = 20.495_52 / 3600.0;
    let anomaly = (357.529_11 + 35_999.050_29 * t) * DEG;
    let sun = (280.466_46 + 36_000.769_83 * t + 1.914_602 * libm::sin(anomaly)) * DEG;
    let (excentricity, perihelion) = (0.016_708_6, (102.937_35 + 1.719_46 * t) * DEG);
    let k = ABERRATION_DEG * DEG;
    let x = k * (libm::sin(sun) - excentricity * libm::sin(perihelion));
    let y = -k * (libm::cos(sun) - excentricity * libm::cos(perihelion));
    turn(0, -23.439_3, [x, y, 0.0])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Meeus, Astronomical Algorithms, 2nd ed., example 12.a (from memory): apparent sidereal time
    /// at Greenwich, 1987 April 10, 0h UT: 13h 10m 46.1351s.
    #[test]
    fn sidereal_time_is_that_of_the_handbook() {
        let expected = 15.0 * (13.0 + 10.0 / 60.0 + 46.1351 / 3600.0);
        assert!((sidereal_deg(2_446_895.5, 0.0) - expected).abs() < 1.0 / 3600.0 * 1.5);
    }

    /// Meeus, example 23.a (from memory): theta Persei, 2028 November 13.19 TD, proper motion
    /// applied: mean J2000 41.05407, 49.22775 (at that epoch); apparent of date 41.55996, 49.35207.
    #[test]
    fn a_position_of_date_is_that_of_the_handbook() {
        let [ra, dec] = date_to_icrs(2_462_088.69, 41.559_96, 49.352_07);
        let east = (ra - 41.054_07) * libm::cos(49.2 * DEG) * 3600.0;
        let north = (dec - 49.227_75) * 3600.0;
        assert!(libm::hypot(east, north) < 2.5, "{ra} {dec}: {east} {north}");
    }
}
