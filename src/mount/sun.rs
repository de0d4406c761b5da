//! Where the Sun is. Good to a hundredth of a degree, which is plenty for a caution.

use super::Moment;
use crate::frame::Site;
use crate::sphere::{dot, vector_to_sky};

/// Geocentric direction of the Sun, ICRS RA and Dec in degrees.
///
/// From the Earth's heliocentric position (ERFA `epv00`); light time, which is worth 20 arcsec,
/// is left out.
pub fn sun_icrs_deg(moment: &Moment) -> Option<[f64; 2]> {
    sun_vector(moment).map(vector_to_sky)
}

/// Height of the Sun's centre above the horizon of `site`, degrees, without refraction.
pub fn sun_altitude_deg(moment: &Moment, site: &Site) -> Option<f64> {
    Some(altitude_deg(moment, site, sun_vector(moment)?))
}

/// Height of an ICRS direction (unit vector) above the horizon of `site`, degrees, without
/// refraction.
pub(super) fn altitude_deg(moment: &Moment, site: &Site, direction: [f64; 3]) -> f64 {
    let (tt, utc) = (moment.tt(), moment.utc());
    let mut rows = [0.0; 9];
    erfars::precnutpolar::Pnm06a(tt.0, tt.1, &mut rows);
    let [a, b, c, d, e, f, g, h, i] = rows;
    let of_date = [[a, b, c], [d, e, f], [g, h, i]].map(|row| dot(row, direction));
    let [ra_deg, dec_deg] = vector_to_sky(of_date);
    // UTC stands in for UT1: 0.9 s at most, 4 thousandths of a degree.
    let sidereal_deg = erfars::rotationtime::Gst06(utc.0, utc.1, tt.0, tt.1, &rows).to_degrees();
    let hour_angle = (sidereal_deg + site.longitude_deg - ra_deg).to_radians();
    let (sin_dec, cos_dec) = dec_deg.to_radians().sin_cos();
    let (sin_lat, cos_lat) = site.latitude_deg.to_radians().sin_cos();
    let sin_altitude = sin_lat * sin_dec + cos_lat * cos_dec * hour_angle.cos();
    sin_altitude.clamp(-1.0, 1.0).asin().to_degrees()
}

fn sun_vector(moment: &Moment) -> Option<[f64; 3]> {
    let (tt1, tt2) = moment.tt();
    let ((heliocentric, _), _) = erfars::ephemerides::Epv00(tt1, tt2).ok()?;
    let [x, y, z, ..] = heliocentric;
    Some([-x, -y, -z])
}
