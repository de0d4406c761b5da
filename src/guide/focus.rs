//! A star to focus on: the nearest of the bright ones that suits.

use crate::frame::Site;
use crate::mount::{Moment, altitude_of_deg, separation_deg, sun_icrs_deg};
use crate::sphere::{normalised, tangent_basis, vector_to_sky};
use star_names::{FAINTEST, NamedStar, all};
use std::fmt;
use std::str::FromStr;

/// Lower stars dance in the air: at 30 degrees the way through it is twice that at the zenith
/// (plane-parallel air, sec z). Common practice.
const LEAST_ALTITUDE_DEG: f64 = 30.0;

/// Nearer to the Sun than this no star is named. Common practice: telescopes are kept 20 to 30
/// degrees away from it.
const SUN_NEAR_DEG: f64 = 30.0;

/// Brightest and faintest magnitude that is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MagnitudeRange {
    brightest: f64,
    faintest: f64,
}

impl Default for MagnitudeRange {
    /// Bright enough for short exposures, too faint to burn out at once. Common practice.
    fn default() -> Self {
        MagnitudeRange {
            brightest: 3.0,
            faintest: 6.0,
        }
    }
}

impl fmt::Display for MagnitudeRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}..{}", self.brightest, self.faintest)
    }
}

impl FromStr for MagnitudeRange {
    type Err = String;

    /// Reads `3..6`.
    fn from_str(text: &str) -> Result<Self, String> {
        let number = |part: &str| part.trim().parse::<f64>().ok().filter(|m| m.is_finite());
        let ends = text.split_once("..");
        let Some((brightest, faintest)) = ends.and_then(|(a, b)| number(a).zip(number(b))) else {
            return Err("write the brightest and the faintest magnitude: 3..6".into());
        };
        match (brightest <= faintest, brightest <= FAINTEST) {
            (false, _) => Err("brighter stars have smaller magnitudes: write 3..6".into()),
            (_, false) => Err(format!(
                "stars are known by name to magnitude {FAINTEST} only"
            )),
            _ => Ok(MagnitudeRange {
                brightest,
                faintest,
            }),
        }
    }
}

/// A star to focus on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FocusStar {
    /// Which one.
    pub star: NamedStar,
    /// Where it stands at the frame's time, ICRS RA and Dec, degrees.
    pub place_deg: [f64; 2],
    /// Its height above the horizon without refraction, where time and site are known.
    pub altitude_deg: Option<f64>,
}

/// Why no star is named.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error(
    "no star of magnitude {0} that is not double stands high enough and far from the Sun: widen \
     the range of magnitudes"
)]
pub struct NoFocusStar(MagnitudeRange);

/// The star nearest to `centre_deg` (ICRS RA and Dec, degrees) that is in the range and not
/// double, and, where that can be told, higher than 30 degrees and far from the Sun.
///
/// # Errors
///
/// No star suits.
pub fn focus_star(
    centre_deg: [f64; 2],
    range: MagnitudeRange,
    moment: Option<&Moment>,
    site: Option<&Site>,
) -> Result<FocusStar, NoFocusStar> {
    let years = moment.map_or(0.0, |moment| moment.julian_year() - 2000.0);
    let sun_deg = moment.and_then(sun_icrs_deg);
    let suits = |star: &FocusStar| {
        star.altitude_deg.is_none_or(|a| a >= LEAST_ALTITUDE_DEG)
            && sun_deg.is_none_or(|sun| separation_deg(star.place_deg, sun) >= SUN_NEAR_DEG)
    };
    let magnitudes = range.brightest..=range.faintest;
    all()
        .filter(|star| !star.is_double && magnitudes.contains(&star.magnitude))
        .map(|star| {
            let place_deg = moved(&star, years);
            FocusStar {
                star,
                place_deg,
                altitude_deg: moment
                    .zip(site)
                    .map(|(moment, site)| altitude_of_deg(moment, site, place_deg)),
            }
        })
        .filter(suits)
        .min_by(|a, b| {
            let apart = |star: &FocusStar| separation_deg(centre_deg, star.place_deg);
            apart(a).total_cmp(&apart(b))
        })
        .ok_or(NoFocusStar(range))
}

/// Where the star stands `years` after J2000.0.
fn moved(star: &NamedStar, years: f64) -> [f64; 2] {
    let [east, north, at] = tangent_basis(star.ra_deg, star.dec_deg);
    let [to_east, to_north] = star.pm_mas_yr.map(|pm| (pm * years / 3.6e6).to_radians());
    vector_to_sky(normalised(std::array::from_fn(|i| {
        at[i] + to_east * east[i] + to_north * north[i]
    })))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn range(text: &str) -> MagnitudeRange {
        text.parse().expect("a range")
    }

    /// Around the Lyre: Vega is the nearest bright star, and the pair epsilon Lyr beside it is no
    /// star to focus on.
    #[test]
    fn the_nearest_that_is_not_double() {
        let vega = focus_star([280.0, 39.0], range("-2..1"), None, None).unwrap();
        assert_eq!(vega.star.name, Some("Vega"));
        assert_eq!(vega.altitude_deg, None);
        let beside = focus_star([281.1, 39.65], range("4..6.5"), None, None).unwrap();
        assert!(!beside.star.is_double, "{beside:?}");
        assert!(separation_deg(beside.place_deg, [281.1, 39.65]) > 1.0 / 60.0);
        assert!(focus_star([0.0, 0.0], range("-9..-5"), None, None).is_err());
    }

    /// astropy 8.0.2, as in `mount::site`: at longitude -110.88, latitude 31.68,
    /// 2017-12-20T01:34:13Z, RA 31.25, Dec +46.74 stands at +62.5 degrees; the southern sky is down.
    #[test]
    fn low_stars_and_those_below_the_horizon_are_left_out() {
        let moment = Moment::from_jd_utc(2_458_107.565_428).expect("2017");
        let site = Site {
            longitude_deg: -110.88,
            latitude_deg: 31.68,
        };
        for centre in [
            [31.25, 46.74],
            [31.25, -80.0],
            [250.0, -20.0],
            [100.0, 10.0],
        ] {
            let range = MagnitudeRange::default();
            let found = focus_star(centre, range, Some(&moment), Some(&site)).unwrap();
            assert!(found.altitude_deg.unwrap() >= 30.0, "{found:?}");
        }
    }

    /// 61 Cyg A (HIP 104214) moves by 4.1 and 3.3 arcsec a year to the east and north (van Leeuwen
    /// 2007; from memory).
    #[test]
    fn proper_motion_is_applied() {
        let star = all().find(|star| star.hip == 104_214).expect("61 Cyg A");
        let later = moved(&star, 25.0);
        let north = 3600.0 * (later[1] - star.dec_deg);
        let east = 3600.0 * (later[0] - star.ra_deg) * star.dec_deg.to_radians().cos();
        assert!((north - 25.0 * 3.26).abs() < 2.0, "{north}");
        assert!((east - 25.0 * 4.16).abs() < 2.0, "{east}");
    }

    #[test]
    fn ranges_that_make_no_sense_are_refused() {
        for text in ["6..3", "3", "..", "a..b", "7..9", "3..inf", "nan..4"] {
            assert!(text.parse::<MagnitudeRange>().is_err(), "{text}");
        }
        assert_eq!(range(" 2.5 .. 5 ").to_string(), "2.5..5");
    }
}
