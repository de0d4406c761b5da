//! Where a frame was taken. The sign of a longitude is half the time a matter of taste: sidereal
//! time in the header settles it.

use super::Site;
use super::position::read_angle;
use crate::angle::AngleUnit;
use crate::frame::fits::card::{Card, Header};

/// How well local sidereal time has to agree with a longitude, degrees: five minutes of time and
/// a rounded longitude.
const AGREEMENT_DEG: f64 = 1.5;

const LATITUDES: [&str; 9] = [
    "SITELAT", "LAT-OBS", "OBS-LAT", "LATITUDE", "OBSLAT", "GEOLAT", "SITE-LAT", "OBSGEO-B", "LAT",
];
const LONGITUDES: [&str; 11] = [
    "SITELONG", "LONG-OBS", "OBS-LONG", "LONGITUD", "OBSLONG", "GEOLON", "SITE-LON", "OBSGEO-L",
    "SITELON", "LON-OBS", "LONG",
];
const SIDEREAL: [&str; 6] = ["LST-OBS", "LST", "ST", "SIDEREAL", "LMST", "LAST"];

/// Reads the site; `start_jd_utc` is the beginning of the exposure.
pub(crate) fn site(
    header: &Header,
    start_jd_utc: Option<f64>,
    remarks: &mut Vec<String>,
) -> Option<Site> {
    let latitude_deg = first_deg(header, &LATITUDES)?.0;
    let (longitude_deg, keyword) = first_deg(header, &LONGITUDES)?;
    if !(-90.0..=90.0).contains(&latitude_deg) || !(-360.0..=360.0).contains(&longitude_deg) {
        remarks.push("the site's latitude or longitude is out of range and was ignored".into());
        return None;
    }
    if latitude_deg == 0.0 && longitude_deg == 0.0 {
        return None;
    }
    let mut east_deg = centred(longitude_deg);
    if let Some(jd) = start_jd_utc {
        let (agrees, opposes) = sidereal_votes(header, jd, east_deg);
        if opposes && !agrees {
            east_deg = centred(-east_deg);
            remarks.push(format!(
                "{keyword} counts positive to the west, by the sidereal time in the header: it \
                 was turned"
            ));
        }
    }
    Some(Site {
        longitude_deg: east_deg,
        latitude_deg,
    })
}

/// To -180 to 180.
fn centred(deg: f64) -> f64 {
    if (-180.0..=180.0).contains(&deg) {
        return deg;
    }
    (deg + 180.0).rem_euclid(360.0) - 180.0
}

fn first_deg<'a>(header: &Header, names: &[&'a str]) -> Option<(f64, &'a str)> {
    names
        .iter()
        .find_map(|name| Some((site_angle_deg(header.card(name)?)?, *name)))
}

/// Degrees of `-116:51:48.00`, `110.88`, `110 52 W`; south and west are negative.
fn site_angle_deg(card: &Card) -> Option<f64> {
    let text = card.value.to_text().to_ascii_uppercase();
    let text = text.trim();
    if !ends_in_south(text)
        && let Some(angle) = read_angle(card)
    {
        return match angle.unit {
            AngleUnit::Hours => Some(angle.value * 15.0),
            _ => Some(angle.value),
        };
    }
    let (first, last) = (text.chars().next()?, text.chars().next_back()?);
    let (side, rest) = if "NSEW".contains(last) {
        (last, text.trim_end_matches(last))
    } else if "NSEW".contains(first) {
        (first, text.trim_start_matches(first))
    } else {
        return None;
    };
    let value = crate::angle::parse_angle(rest)?.value;
    Some(if "SW".contains(side) {
        -value.abs()
    } else {
        value
    })
}

/// Whether a last S means south: seconds have a sign only where degrees have one.
fn ends_in_south(text: &str) -> bool {
    text.strip_suffix('S').is_some_and(|rest| {
        rest.chars()
            .all(|c| c.is_ascii_digit() || c.is_whitespace() || ".,:+-".contains(c))
    })
}

/// Whether any statement of sidereal time fits the longitude as it stands, and whether any fits
/// it turned.
fn sidereal_votes(header: &Header, jd_utc: f64, east_deg: f64) -> (bool, bool) {
    // UT1 - UTC is below a second.
    let gmst_deg = erfars::rotationtime::Gmst82(jd_utc, 0.0).to_degrees();
    let fits = |lst_deg: f64, longitude: f64| {
        centred(lst_deg - gmst_deg - longitude).abs() < AGREEMENT_DEG
    };
    let claims = sidereal_claims_deg(header);
    (
        claims.iter().any(|lst| fits(*lst, east_deg)),
        claims.iter().any(|lst| fits(*lst, -east_deg)),
    )
}

/// Local sidereal times in degrees: stated ones, and right ascension plus hour angle.
fn sidereal_claims_deg(header: &Header) -> Vec<f64> {
    let mut claims = Vec::new();
    for name in SIDEREAL {
        claims.extend(header.card(name).into_iter().flat_map(readings_deg));
    }
    for (ra, ha) in [
        ("RA", "HA"),
        ("RA-MNT", "HA-MNT"),
        ("OBJCTRA", "OBJCTHA"),
        ("RA", "HOURANG"),
    ] {
        if let (Some(ra), Some(ha)) = (header.card(ra), header.card(ha)) {
            let ra = readings_deg(ra);
            claims.extend(
                readings_deg(ha)
                    .iter()
                    .flat_map(|h| ra.iter().map(move |r| r + h)),
            );
        }
    }
    claims
}

/// An angle in degrees: sexagesimal counts hours; what may count either is read both ways, since
/// only one reading has a chance of 1 % to fit by accident.
fn readings_deg(card: &Card) -> Vec<f64> {
    match read_angle(card) {
        Some(angle) if angle.sexagesimal || angle.unit == AngleUnit::Hours => {
            vec![angle.value * 15.0]
        }
        Some(angle) if angle.unit == AngleUnit::Radians => vec![angle.value.to_degrees()],
        Some(angle) if angle.value.abs() <= 24.0 => vec![angle.value, angle.value * 15.0],
        Some(angle) => vec![angle.value],
        None => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn deg(value: &str) -> Option<f64> {
        let value_quoted = value.replace('\'', "''");
        let card = format!("{:<79}", format!("SITELAT = '{value_quoted}'"));
        let read = |bytes: &[u8]| {
            let header = Header::parse(bytes);
            site_angle_deg(header.card("SITELAT")?)
        };
        let latin_1: Vec<u8> = card.chars().map(|c| c as u8).collect();
        let found = read(card.as_bytes());
        assert_eq!(found, read(&latin_1), "{value}");
        found
    }

    #[test]
    fn seconds_and_south_are_told_apart() {
        for text in [
            "33 24 24 S",
            "33:24:24S",
            "S 33 24 24",
            "33d24m24s S",
            "33d24m24sS",
            "-33d24m24s",
            "33 24.4 S",
        ] {
            assert!(
                deg(text).is_some_and(|d| (d + 33.406_666_67).abs() < 1e-8),
                "{text}"
            );
        }
        for text in ["33d24m24s", "33 24 24 N", "33\u{b0}24'24\"", "33d24'24s"] {
            assert!(
                deg(text).is_some_and(|d| (d - 33.406_666_67).abs() < 1e-8),
                "{text}"
            );
        }
    }

    proptest! {
        #[test]
        fn sides_give_the_sign(
            size in (0..180_u32, 0..60_u32, 0..60_u32),
            side in prop::sample::select(vec!['N', 'S', 'E', 'W', 'n', 's', 'e', 'w']),
            gap in " ?",
        ) {
            let (d, m, s) = size;
            let size = f64::from(d) + f64::from(m) / 60.0 + f64::from(s) / 3600.0;
            let expected = if "SWsw".contains(side) { -size } else { size };
            for text in [
                format!("{d}:{m:02}:{s:02}{gap}{side}"),
                format!("{d} {m} {s}{gap}{side}"),
                format!("{d}d{m}m{s}s{gap}{side}"),
                format!("{size:.9}{gap}{side}"),
                format!("{side}{gap}{d} {m} {s}"),
            ] {
                let found = deg(&text);
                prop_assert!(found.is_some_and(|f| (f - expected).abs() < 1e-8), "{text}: {found:?}");
            }
        }
    }
}
