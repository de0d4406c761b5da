//! Position of date: ICRS to the true equator and equinox of a moment, and back.
//!
//! What is in it: bias, precession and nutation (IAU 2006/2000A), annual aberration and light
//! deflection by the Sun; the place is geocentric apparent. What is not: diurnal aberration
//! (0.3 arcsec at most), refraction, polar motion, parallax, and the mount's own errors.
//! The right ascension is counted from the true equinox (not from the CIO): that is what mounts
//! which work 'of date' mean.
//!
//! The formulas are those of the IAU SOFA collection in its ERFA edition (`atci13`, `atic13`).

use std::f64::consts::TAU;

/// Julian dates that are taken for a time of observation: the years 1850 to 2150. Photography
/// of stars begins with the first, and the models lose their stated accuracy beyond such a span.
const BELIEVABLE_JD: std::ops::RangeInclusive<f64> = 2_396_758.5..=2_506_331.5;

/// A moment in time, ready for the formulas.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    utc: (f64, f64),
    tt: (f64, f64),
}

impl Moment {
    /// The moment of a Julian date UTC; `None` for dates outside the years 1850 to 2150 (and
    /// NaN), which are slips of a clock or of a header.
    ///
    /// Before 1960 there was no UTC: the date is read as if TAI - UTC were 0 then, 30 s off at
    /// most, which moves no position of date by a milliarcsecond.
    pub fn from_jd_utc(jd_utc: f64) -> Option<Moment> {
        if !BELIEVABLE_JD.contains(&jd_utc) {
            return None;
        }
        let day = jd_utc.floor();
        let utc = (day, jd_utc - day);
        let (tai, _) = erfars::timescales::Utctai(utc.0, utc.1).ok()?;
        let tt = erfars::timescales::Taitt(tai.0, tai.1);
        Some(Moment { utc, tt })
    }

    /// Julian date UTC in two parts.
    pub(super) fn utc(&self) -> (f64, f64) {
        self.utc
    }

    /// Julian date TT in two parts. It stands in for TDB too, which differs by 2 ms at most.
    pub(super) fn tt(&self) -> (f64, f64) {
        self.tt
    }

    /// Julian date UTC.
    pub fn jd_utc(&self) -> f64 {
        self.utc.0 + self.utc.1
    }

    /// Julian year, for example 2026.9: the epoch to which proper motion carries stars.
    pub fn julian_year(&self) -> f64 {
        2000.0 + ((self.tt.0 - 2_451_545.0) + self.tt.1) / 365.25
    }

    /// Date and time UTC as `2026-11-25T21:04:07.5Z`.
    pub fn iso_utc(&self) -> String {
        match erfars::timescales::D2dtf(true, 1, self.utc.0, self.utc.1) {
            Ok(((year, month, day, hour, minute, second, tenth), _)) => {
                format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{tenth}Z")
            }
            // Cannot happen for a date that `from_jd_utc` let through.
            Err(_) => format!("JD {:.6}", self.utc.0 + self.utc.1),
        }
    }

    /// Position of date (apparent, true equator and equinox) of the ICRS direction RA, Dec.
    ///
    /// Degrees in and out, RA 0 to 360. The direction is that of something infinitely far and
    /// without proper motion after this moment, as a direction found from stars moved to the
    /// moment is.
    pub fn icrs_to_date(&self, ra_deg: f64, dec_deg: f64) -> [f64; 2] {
        let (ra, dec, origins) = erfars::astrometry::Atci13(
            ra_deg.to_radians(),
            dec_deg.to_radians(),
            0.0,
            0.0,
            0.0,
            0.0,
            self.tt.0,
            self.tt.1,
        );
        [turn_deg(ra - origins), dec.to_degrees()]
    }

    /// ICRS direction of the position of date RA, Dec: the inverse of [`Moment::icrs_to_date`].
    pub fn date_to_icrs(&self, ra_deg: f64, dec_deg: f64) -> [f64; 2] {
        // The equation of the origins depends on the moment alone, so any direction serves.
        let (_, _, origins) =
            erfars::astrometry::Atci13(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, self.tt.0, self.tt.1);
        let (ra, dec, _) = erfars::astrometry::Atic13(
            ra_deg.to_radians() + origins,
            dec_deg.to_radians(),
            self.tt.0,
            self.tt.1,
        );
        [turn_deg(ra), dec.to_degrees()]
    }
}

/// Radians to degrees, 0 to below 360.
fn turn_deg(angle_rad: f64) -> f64 {
    let degrees = angle_rad.rem_euclid(TAU).to_degrees();
    if degrees >= 360.0 { 0.0 } else { degrees }
}
