//! Whether the time and the site of a frame can both be right: it was night, and the frame looks
//! at the sky. Where not, which usual misreading would explain it.

use super::Moment;
use super::sun::{altitude_deg, sun_altitude_deg};
use crate::frame::Site;
use crate::sphere::sky_to_vector;

/// The Sun higher than this is not night: the end of civil twilight.
const NIGHT_DEG: f64 = -6.0;

/// A frame that looks lower than this looks into the ground: refraction and a horizon from a
/// mountain are worth two degrees.
const GROUND_DEG: f64 = -2.0;

/// What frame and sky say about a time and a site that cannot both be right.
#[derive(Debug, Clone, PartialEq)]
pub struct Misread {
    /// Height of the Sun by time and site as stated, degrees.
    pub sun_deg: f64,
    /// Height of the place found, degrees.
    pub found_deg: f64,
    /// What would make it night there and the place visible, likeliest first.
    pub explained_by: Vec<String>,
}

/// Tests `moment` and `site` against the place that the frame shows (ICRS RA and Dec, degrees).
/// `None`: they can be right.
pub fn misread_site(moment: &Moment, site: &Site, found_deg: [f64; 2]) -> Option<Misread> {
    let direction = sky_to_vector(found_deg[0], found_deg[1]);
    let heights = |moment: &Moment, site: &Site| {
        let sun_deg = sun_altitude_deg(moment, site)?;
        Some((sun_deg, altitude_deg(moment, site, direction)))
    };
    let possible = |(sun_deg, found_deg): (f64, f64)| sun_deg < NIGHT_DEG && found_deg > GROUND_DEG;
    let as_stated = heights(moment, site)?;
    if possible(as_stated) {
        return None;
    }
    let west = Site {
        longitude_deg: -site.longitude_deg,
        ..*site
    };
    let south = Site {
        latitude_deg: -site.latitude_deg,
        ..*site
    };
    let zone_h = (site.longitude_deg / 15.0).round();
    let (day, fraction) = moment.utc();
    let from_local = |hours: f64| Moment::from_jd_utc(day + fraction - hours / 24.0);
    let readings = [
        (
            "with the longitude counted to the west".to_owned(),
            Some(*moment),
            west,
        ),
        (
            format!("with the time read as local time (UTC{zone_h:+})"),
            from_local(zone_h),
            *site,
        ),
        (
            format!(
                "with the time read as local daylight time (UTC{:+})",
                zone_h + 1.0
            ),
            from_local(zone_h + 1.0),
            *site,
        ),
        (
            "with the latitude on the other side of the equator".to_owned(),
            Some(*moment),
            south,
        ),
    ];
    let explained_by = readings
        .into_iter()
        .filter(|(_, moment, site)| {
            let heights = moment.as_ref().and_then(|moment| heights(moment, site));
            heights.is_some_and(possible)
        })
        .map(|(text, ..)| text)
        .collect();
    Some(Misread {
        sun_deg: as_stated.0,
        found_deg: as_stated.1,
        explained_by,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// astropy 8.0.2, `get_sun` and `SkyCoord.transform_to(AltAz)` without pressure, at longitude
    /// -110.88, latitude 31.68, 2017-12-20T01:34:13Z: Sun at -14.706,
    /// RA 31.25, Dec +46.74 at +62.511 degrees; at longitude +110.88: +20.119 and -10.783.
    #[test]
    fn a_longitude_to_the_west_is_found_out() {
        let Some(moment) = Moment::from_jd_utc(2_458_107.565_428) else {
            panic!("a day of 2017");
        };
        let site = |longitude_deg| Site {
            longitude_deg,
            latitude_deg: 31.68,
        };
        assert_eq!(misread_site(&moment, &site(-110.88), [31.25, 46.74]), None);
        let Some(misread) = misread_site(&moment, &site(110.88), [31.25, 46.74]) else {
            panic!("the Sun is up there");
        };
        assert!((misread.sun_deg - 20.119).abs() < 0.02, "{misread:?}");
        assert!((misread.found_deg + 10.783).abs() < 0.02, "{misread:?}");
        assert!(misread.explained_by[0].contains("west"), "{misread:?}");
    }
}
