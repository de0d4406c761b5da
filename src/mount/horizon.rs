//! Where a direction stands for an observer.

use super::Moment;
use super::sun::altitude_deg;
use crate::frame::Site;
use crate::sphere::sky_to_vector;

/// Height of an ICRS position (degrees) above the horizon of `site`, degrees, without refraction.
pub fn altitude_of_deg(moment: &Moment, site: &Site, icrs_deg: [f64; 2]) -> f64 {
    altitude_deg(moment, site, sky_to_vector(icrs_deg[0], icrs_deg[1]))
}

/// Hour angle of an ICRS position (degrees), degrees, -180 to 180, positive in the west.
pub fn hour_angle_deg(moment: &Moment, site: &Site, icrs_deg: [f64; 2]) -> f64 {
    let (tt, utc) = (moment.tt(), moment.utc());
    let sidereal_deg = erfars::rotationtime::Gst06a(utc.0, utc.1, tt.0, tt.1).to_degrees();
    let [ra_deg, _] = moment.icrs_to_date(icrs_deg[0], icrs_deg[1]);
    (sidereal_deg + site.longitude_deg - ra_deg + 180.0).rem_euclid(360.0) - 180.0
}
