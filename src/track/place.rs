//! Where the site of a night is: what the headers say, unless the frames themselves refute it.

use super::row::Row;
use crate::frame::Site;
use crate::mount::{Moment, Reading, date_doubt, misread_site, site_possible};
use crate::robust::median;

/// Site and air of a night.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Place {
    /// Where it was; `None`: unknown, or what is stated cannot be right.
    pub site: Option<Site>,
    /// Hours to take off the stated times to get UTC: 0 unless the frames demand it.
    pub hours_ahead: f64,
    /// Pressure, hPa: stated, or that of the standard atmosphere at sea level.
    pub pressure_hpa: f64,
    /// Temperature of the air, degrees Celsius: stated, or a mild night's.
    pub air_c: f64,
    /// What was wrong with the statement, one sentence.
    pub remark: Option<String>,
}

/// Standard atmosphere at sea level (ISO 2533).
const PRESSURE_HPA: f64 = 1013.25;
/// A mild night.
const AIR_C: f64 = 10.0;

impl Place {
    /// From the solved rows; `chosen` by row number.
    pub fn of(rows: &[Row], chosen: &[usize]) -> Place {
        let picked = || chosen.iter().map(|i| &rows[*i]);
        let stated = |value: fn(&Row) -> Option<f64>| median(picked().filter_map(value));
        let place = Place {
            pressure_hpa: stated(|r| r.pressure_hpa).unwrap_or(PRESSURE_HPA),
            air_c: stated(|r| r.air_c).unwrap_or(AIR_C),
            ..Place::default()
        };
        let site = stated(|r| r.latitude_deg)
            .zip(stated(|r| r.longitude_deg))
            .map(|(latitude_deg, longitude_deg)| Site {
                longitude_deg,
                latitude_deg,
            })
            .filter(|s| s.latitude_deg.abs() <= 90.0 && s.longitude_deg.abs() <= 360.0);
        let Some(site) = site else {
            return place;
        };
        let seen: Vec<(f64, [f64; 2])> = picked()
            .filter_map(|r| r.mid_jd_utc.zip(r.centre_deg()))
            .collect();
        place.at(site, &seen)
    }

    /// The same at a site that frames seen at these times (JD UTC) and positions may contradict.
    fn at(self, site: Site, seen: &[(f64, [f64; 2])]) -> Place {
        let doubtful = seen.iter().find_map(|(jd, _)| {
            let moment = Moment::from_jd_utc(*jd)?;
            date_doubt(&moment).map(|_| moment)
        });
        if let Some(moment) = doubtful {
            return Place {
                remark: Some(format!(
                    "The headers' dates ({}) are doubtful: where the frames stood above the \
                     horizon is not worked out.",
                    moment.iso_utc()
                )),
                ..self
            };
        }
        let refuted = seen
            .iter()
            .find_map(|(jd, found)| misread_site(&Moment::from_jd_utc(*jd)?, &site, *found));
        let Some(misread) = refuted else {
            return Place {
                site: Some(site),
                ..self
            };
        };
        // A reading must suit every frame of the night.
        let suits = |reading: &&Reading| {
            seen.iter().all(|(jd, found)| {
                Moment::from_jd_utc(jd - reading.hours_ahead / 24.0)
                    .is_some_and(|moment| site_possible(&moment, &reading.site, *found))
            })
        };
        match misread.explained_by.iter().find(suits) {
            Some(reading) => Place {
                site: Some(reading.site),
                hours_ahead: reading.hours_ahead,
                remark: Some(format!(
                    "The headers' time and site cannot both be right (with them {misread}); all \
                     fits {reading}, and so it is read here."
                )),
                ..self
            },
            None => Place {
                remark: Some(format!(
                    "The headers' time and site cannot both be right (with them {misread}): the \
                     site is not used."
                )),
                ..self
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::track::RowStatus;

    /// The same figures from astropy as in `mount::site`: the Sun stands at -14.7 degrees with the
    /// longitude to the west, at +20.1 with it to the east.
    #[test]
    fn a_longitude_that_puts_the_sun_up_is_turned() {
        let row = |longitude_deg| Row {
            status: RowStatus::Solved,
            mid_jd_utc: Some(2_458_107.565_428),
            ra_deg: Some(31.25),
            dec_deg: Some(46.74),
            latitude_deg: Some(31.68),
            longitude_deg: Some(longitude_deg),
            ..Row::default()
        };
        let east = Place::of(&[row(110.88)], &[0]);
        assert_eq!(east.site.unwrap().longitude_deg, -110.88);
        assert!(east.remark.unwrap().contains("west"));
        let west = Place::of(&[row(-110.88)], &[0]);
        assert_eq!(west.site.unwrap().longitude_deg, -110.88);
        assert_eq!(west.remark, None);
    }

    /// A clock that was reset: heights from its times would be made up.
    #[test]
    fn no_site_with_doubtful_dates() {
        let row = Row {
            status: RowStatus::Solved,
            mid_jd_utc: Some(2_440_587.9),
            ra_deg: Some(31.25),
            dec_deg: Some(46.74),
            latitude_deg: Some(31.68),
            longitude_deg: Some(-110.88),
            ..Row::default()
        };
        let place = Place::of(&[row], &[0]);
        assert_eq!(place.site, None);
        let remark = place.remark.unwrap();
        assert!(
            remark.contains("1970") && remark.contains("doubtful"),
            "{remark}"
        );
    }

    /// At night, with a target that never rises at the stated latitude: not the Sun's doing.
    #[test]
    fn a_target_below_the_horizon_is_named_as_such() {
        let row = Row {
            status: RowStatus::Solved,
            mid_jd_utc: Some(2_458_107.565_428),
            ra_deg: Some(31.25),
            dec_deg: Some(-85.0),
            latitude_deg: Some(60.0),
            longitude_deg: Some(-110.88),
            ..Row::default()
        };
        let remark = Place::of(&[row], &[0]).remark.unwrap();
        assert!(remark.contains("below the horizon"), "{remark}");
        assert!(!remark.contains("Sun"), "{remark}");
    }
}
