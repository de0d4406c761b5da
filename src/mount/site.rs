//! Whether the time and the site of a frame can both be right: it was night, and the frame looks
//! at the sky. Where not, which usual misreading would explain it.

use super::Moment;
use super::sun::{altitude_deg, sun_altitude_deg};
use crate::frame::Site;
use crate::sphere::sky_to_vector;
use std::fmt;

/// The Sun higher than this is not night: the end of civil twilight.
const NIGHT_DEG: f64 = -6.0;

/// A frame that looks lower than this looks into the ground: refraction and a horizon from a
/// mountain are worth two degrees.
const GROUND_DEG: f64 = -2.0;

/// What frame and sky say about a time and a site that cannot both be right. Displays as what
/// cannot be.
#[derive(Debug, Clone, PartialEq)]
pub struct Misread {
    /// Height of the Sun by time and site as stated, degrees.
    pub sun_deg: f64,
    /// Height of the place found, degrees.
    pub found_deg: f64,
    /// What would make it night there and the place visible, likeliest first.
    pub explained_by: Vec<Reading>,
}

impl fmt::Display for Misread {
    /// What cannot be, as the end of a sentence: "with them the Sun stood ...".
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sun = format!("the Sun stood at {:+.0} deg altitude", self.sun_deg);
        let field = format!(
            "the field stood at {:+.0} deg altitude, below the horizon",
            self.found_deg
        );
        match (self.sun_deg < NIGHT_DEG, self.found_deg > GROUND_DEG) {
            (false, true) => f.write_str(&sun),
            (true, false) => f.write_str(&field),
            _ => write!(f, "{sun} and {field}"),
        }
    }
}

/// Another way to read a stated time and site. Displays as the end of a sentence: "all fits ...".
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The site by this reading.
    pub site: Site,
    /// Hours to take off the stated time to get UTC.
    pub hours_ahead: f64,
    text: String,
}

impl fmt::Display for Reading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

/// Whether it was night at `site` and the place (ICRS RA and Dec, degrees) above the horizon.
pub fn site_possible(moment: &Moment, site: &Site, found_deg: [f64; 2]) -> bool {
    heights(moment, site, found_deg).is_some_and(possible)
}

/// Tests `moment` and `site` against the place that the frame shows (ICRS RA and Dec, degrees).
/// `None`: they can be right.
pub fn misread_site(moment: &Moment, site: &Site, found_deg: [f64; 2]) -> Option<Misread> {
    let as_stated = heights(moment, site, found_deg)?;
    if possible(as_stated) {
        return None;
    }
    let (day, fraction) = moment.utc();
    let fits = |reading: &Reading| {
        Moment::from_jd_utc(day + fraction - reading.hours_ahead / 24.0)
            .is_some_and(|moment| site_possible(&moment, &reading.site, found_deg))
    };
    Some(Misread {
        sun_deg: as_stated.0,
        found_deg: as_stated.1,
        explained_by: usual_readings(site).into_iter().filter(fits).collect(),
    })
}

/// How a time and a site are usually misread, likeliest first.
fn usual_readings(site: &Site) -> [Reading; 4] {
    let zone_h = (site.longitude_deg / 15.0).round();
    let reading = |text: String, longitude_deg, latitude_deg, hours_ahead| Reading {
        site: Site {
            longitude_deg,
            latitude_deg,
        },
        hours_ahead,
        text,
    };
    let (longitude_deg, latitude_deg) = (site.longitude_deg, site.latitude_deg);
    [
        reading(
            "with the longitude counted to the west".to_owned(),
            -longitude_deg,
            latitude_deg,
            0.0,
        ),
        reading(
            format!("with the time read as local time (UTC{zone_h:+})"),
            longitude_deg,
            latitude_deg,
            zone_h,
        ),
        reading(
            format!(
                "with the time read as local daylight time (UTC{:+})",
                zone_h + 1.0
            ),
            longitude_deg,
            latitude_deg,
            zone_h + 1.0,
        ),
        reading(
            "with the latitude on the other side of the equator".to_owned(),
            longitude_deg,
            -latitude_deg,
            0.0,
        ),
    ]
}

/// Of the Sun and of the place found, degrees.
fn heights(moment: &Moment, site: &Site, found_deg: [f64; 2]) -> Option<(f64, f64)> {
    let direction = sky_to_vector(found_deg[0], found_deg[1]);
    let sun_deg = sun_altitude_deg(moment, site)?;
    Some((sun_deg, altitude_deg(moment, site, direction)))
}

fn possible((sun_deg, found_deg): (f64, f64)) -> bool {
    sun_deg < NIGHT_DEG && found_deg > GROUND_DEG
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
        assert!(
            misread.explained_by[0].to_string().contains("west"),
            "{misread:?}"
        );
        assert_eq!(
            misread.to_string(),
            "the Sun stood at +20 deg altitude and the field stood at -11 deg altitude, below the \
             horizon"
        );
        // Night, and a place of the southern sky that never rises there.
        let Some(misread) = misread_site(&moment, &site(-110.88), [31.25, -80.0]) else {
            panic!("it never rises there");
        };
        let said = misread.to_string();
        assert!(
            said.starts_with("the field stood at -") && !said.contains("Sun"),
            "{said}"
        );
    }
}
