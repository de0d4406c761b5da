//! Where nothing may go.

use super::Fault;
use crate::frame::Site;
use crate::mount::{
    Moment, altitude_of_deg, hour_angle_deg, separation_deg, sun_altitude_deg, sun_icrs_deg,
};
use crate::sphere::{angle_between, normalised, sky_to_vector, vector_to_sky};

/// Nearer to the Sun than this nothing goes while it counts. Common practice.
const SUN_CLEAR_DEG: f64 = 30.0;
/// The Sun counts while it is higher than this: the end of nautical twilight.
const SUN_COUNTS_DEG: f64 = -12.0;
/// A way is looked at in steps of this.
const STEP_DEG: f64 = 1.0;

/// What the user allows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// No lower than this above the horizon, degrees.
    pub min_altitude_deg: f64,
    /// From one side of the meridian to the other no farther than this beyond it, degrees of hour
    /// angle; `None`: no limit.
    pub meridian_deg: Option<f64>,
    /// All slews of a run together, degrees.
    pub most_motion_deg: f64,
}

/// When and where.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// Now.
    pub moment: Moment,
    /// The mount's site.
    pub site: Site,
}

impl Place {
    /// The Sun's ICRS position, while it counts.
    fn sun_deg(&self) -> Option<[f64; 2]> {
        // A Sun that cannot be computed would have no position either.
        let altitude = sun_altitude_deg(&self.moment, &self.site).unwrap_or(90.0);
        (altitude > SUN_COUNTS_DEG)
            .then(|| sun_icrs_deg(&self.moment))
            .flatten()
    }
}

/// Refuses an ICRS position near the Sun.
///
/// # Errors
/// [`Fault::Refused`].
pub fn clear_of_sun(place: &Place, icrs_deg: [f64; 2]) -> Result<(), Fault> {
    let near = |sun: &[f64; 2]| separation_deg(*sun, icrs_deg) < SUN_CLEAR_DEG;
    match place.sun_deg().filter(near) {
        Some(_) => Err(Fault::Refused(format!(
            "that comes within {SUN_CLEAR_DEG:.0} degrees of the Sun: wait until it is {:.0} degrees \
             below the horizon, or choose another target",
            -SUN_COUNTS_DEG
        ))),
        None => Ok(()),
    }
}

/// Refuses a slew between ICRS positions that a rule forbids; `moved_deg` is what the run has
/// moved already.
///
/// # Errors
/// [`Fault::Refused`], which says why.
pub fn allowed(
    limits: &Limits,
    place: &Place,
    from_deg: [f64; 2],
    to_deg: [f64; 2],
    moved_deg: f64,
) -> Result<(), Fault> {
    let refused = |text: String| Err(Fault::Refused(text));
    let altitude = altitude_of_deg(&place.moment, &place.site, to_deg);
    if !(altitude >= limits.min_altitude_deg) {
        return refused(format!(
            "the slew would end {altitude:.1} degrees above the horizon, and --min-altitude is {}: \
             choose a target that stands higher",
            limits.min_altitude_deg
        ));
    }
    let motion = moved_deg + separation_deg(from_deg, to_deg);
    if !(motion <= limits.most_motion_deg) {
        return refused(format!(
            "all slews together would be {motion:.0} degrees, and --most-motion is {:.0}",
            limits.most_motion_deg
        ));
    }
    let [from_hour, to_hour] =
        [from_deg, to_deg].map(|p| hour_angle_deg(&place.moment, &place.site, p));
    let crosses = (from_hour < 0.0) != (to_hour < 0.0);
    if let Some(limit) = limits
        .meridian_deg
        .filter(|limit| crosses && to_hour.abs() > *limit)
    {
        return refused(format!(
            "the slew would end {:.1} degrees beyond the meridian, and --meridian-limit is {limit}",
            to_hour.abs()
        ));
    }
    if place.sun_deg().is_some() {
        if crosses {
            return refused(
                "by day and in twilight no slew crosses the meridian: the mount may turn over, on \
                 a way that cannot be foreseen near the Sun"
                    .into(),
            );
        }
        for way in [straight(from_deg, to_deg), by_axes(from_deg, to_deg)] {
            for point in way {
                clear_of_sun(place, point)?;
            }
        }
    }
    Ok(())
}

/// Points of the great circle.
fn straight(from_deg: [f64; 2], to_deg: [f64; 2]) -> Vec<[f64; 2]> {
    let [a, b] = [from_deg, to_deg].map(|[ra, dec]| sky_to_vector(ra, dec));
    let steps = (angle_between(a, b).to_degrees() / STEP_DEG)
        .ceil()
        .max(1.0) as usize;
    (0..=steps)
        .map(|step| {
            let t = step as f64 / steps as f64;
            let mix = [0, 1, 2].map(|i| (1.0 - t) * a[i] + t * b[i]);
            // Between opposite points every way is straight; the ends still count.
            if mix.iter().all(|c| c.abs() < 1e-6) {
                from_deg
            } else {
                vector_to_sky(normalised(mix))
            }
        })
        .collect()
}

/// Points passed where both axes turn at one speed and each stops where it should.
fn by_axes(from_deg: [f64; 2], to_deg: [f64; 2]) -> Vec<[f64; 2]> {
    let ra = (to_deg[0] - from_deg[0] + 180.0).rem_euclid(360.0) - 180.0;
    let dec = to_deg[1] - from_deg[1];
    let steps = (ra.abs().max(dec.abs()) / STEP_DEG).ceil() as usize;
    let part = |whole: f64, step: usize| whole.signum() * whole.abs().min(step as f64 * STEP_DEG);
    (0..=steps)
        .map(|step| {
            [
                (from_deg[0] + part(ra, step)).rem_euclid(360.0),
                from_deg[1] + part(dec, step),
            ]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits = Limits {
        min_altitude_deg: 15.0,
        meridian_deg: Some(5.0),
        most_motion_deg: 200.0,
    };

    fn place(jd: f64) -> Place {
        Place {
            moment: Moment::from_jd_utc(jd).unwrap(),
            site: Site {
                longitude_deg: 11.0,
                latitude_deg: 48.0,
            },
        }
    }

    /// An ICRS position at this hour angle and declination (near enough).
    fn at(place: &Place, hour: f64, dec: f64) -> [f64; 2] {
        let zero = hour_angle_deg(&place.moment, &place.site, [0.0, dec]);
        [(zero - hour).rem_euclid(360.0), dec]
    }

    fn refusal(place: &Place, from: [f64; 2], to: [f64; 2], moved: f64) -> String {
        allowed(&LIMITS, place, from, to, moved)
            .map_or_else(|f| f.to_string(), |()| "allowed".into())
    }

    #[test]
    fn at_night_horizon_meridian_and_sum_count() {
        // 2026-11-28T23:12 UTC: midnight at that longitude.
        let night = place(2_461_373.467);
        let east = at(&night, -40.0, 30.0);
        assert_eq!(
            refusal(&night, east, at(&night, -20.0, 40.0), 0.0),
            "allowed"
        );
        assert!(refusal(&night, east, at(&night, -20.0, -40.0), 0.0).contains("horizon"));
        assert!(refusal(&night, east, at(&night, -20.0, 40.0), 190.0).contains("--most-motion"));
        assert!(refusal(&night, east, at(&night, 20.0, 40.0), 0.0).contains("meridian"));
        assert_eq!(refusal(&night, east, at(&night, 4.0, 40.0), 0.0), "allowed");
        assert_ne!(refusal(&night, east, [f64::NAN, 40.0], 0.0), "allowed");
    }

    #[test]
    fn by_day_the_sun_counts_and_on_the_way_too() {
        // 2026-06-21T09:00 UTC: the Sun (RA 90, Dec +23.4: solstice) stands in the south-east.
        let day = place(2_461_212.875);
        let sun = sun_icrs_deg(&day.moment).unwrap();
        assert!(clear_of_sun(&day, [sun[0] + 5.0, sun[1]]).is_err());
        assert!(clear_of_sun(&day, [sun[0], 80.0]).is_ok());
        let (before, behind) = ([sun[0] - 40.0, 23.0], [sun[0] + 40.0, 23.0]);
        let limits = Limits {
            meridian_deg: None,
            min_altitude_deg: -90.0,
            ..LIMITS
        };
        let text = format!("{:?}", allowed(&limits, &day, before, behind, 0.0));
        assert!(text.contains("Sun"), "{text}");
    }
}
