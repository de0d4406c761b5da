//! A frame with a date: whether the stars' own motion bears it out.
//!
//! Clocks are reset to 1970 or to the year a camera was built, and plates of 1951 are what they
//! say. The stars know: they stand where their motion had brought them. Two explanations are
//! weighed by the ratio of their likelihoods (Bayes factor; Kass & Raftery 1995, 'Bayes factors'):
//! the date is right, or the frame was taken when frames without a date are (`epoch`).

use super::epoch::{PRIOR_SIGMA_YEARS, PRIOR_YEARS};
use super::{DateVerdict, Epoch, Solution, Told};
use crate::sky::RegionStar;
use crate::sphere::{angle_between, sky_to_vector};

/// ln of the ratio from which on a date that is not plausible is believed, or below its opposite
/// contradicted: "very strong" evidence on the scale of Kass & Raftery.
const VERY_STRONG: f64 = 5.0;
/// The same for a plausible date to be contradicted: most clocks are right. Chance alone gives one
/// in 20,000; each of the 31 real frames that this was tried on favours its date.
const AGAINST_PLAUSIBLE: f64 = 10.0;

/// The date that a frame states.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stated {
    /// Julian year.
    pub jyear: f64,
    /// False for a date that needs the stars' word: long past, or in the future.
    pub plausible: bool,
    /// Epoch of the catalogue, Julian year.
    pub catalogue_jyear: f64,
}

/// Fits with the stars where they were at the `stated` date (as `stars` stand), or as without a
/// date, as the stars themselves decide.
pub fn fit_dated(
    stars: &[RegionStar],
    stated: Stated,
    fit: impl Fn(&[RegionStar], Epoch) -> Option<Solution>,
) -> Option<Solution> {
    let jyear = stated.jyear;
    let dated = fit(stars, Epoch::Known { jyear });
    let for_dated = dated
        .as_ref()
        .map(|dated| for_date(dated.told_by_stars, stated));
    if stated.plausible && for_dated.is_some_and(|ratio| ratio > -AGAINST_PLAUSIBLE) {
        return dated;
    }
    let years = stated.catalogue_jyear - jyear;
    let undated: Vec<RegionStar> = stars.iter().map(|star| star.after(years)).collect();
    let catalogue_jyear = stated.catalogue_jyear;
    let undated = fit(&undated, Epoch::Unknown { catalogue_jyear });
    let (dated, for_dated, undated) = match (dated, for_dated, undated) {
        (Some(dated), Some(for_dated), Some(undated)) => (dated, for_dated, undated),
        (dated, _, undated) => return undated.map(contradicted).or(dated.map(|s| open(s, None))),
    };
    // Each fit favours the years that it began with, by the stars that it matches and trusts.
    let ratio = 0.5 * (for_dated + for_date(undated.told_by_stars, stated));
    Some(match stated.plausible {
        true if ratio < -AGAINST_PLAUSIBLE => contradicted(undated),
        true => dated,
        false if ratio > VERY_STRONG => dated,
        false if ratio < -VERY_STRONG => contradicted(undated),
        false if ratio > 0.0 => open(dated, Some(&undated)),
        false => open(undated, Some(&dated)),
    })
}

fn contradicted(undated: Solution) -> Solution {
    Solution {
        date: DateVerdict::Contradicted,
        ..undated
    }
}

/// A solution whose radius holds where the other one puts the centre as well.
fn open(solution: Solution, other: Option<&Solution>) -> Solution {
    let centre = |s: &Solution| sky_to_vector(s.centre_ra_deg, s.centre_dec_deg);
    let apart_rad = other.map_or(0.0, |other| angle_between(centre(&solution), centre(other)));
    Solution {
        uncertainty_arcsec: solution.uncertainty_arcsec + 3600.0 * apart_rad.to_degrees(),
        date: DateVerdict::Open,
        ..solution
    }
}

/// ln of the likelihood that the stars give the stated date, over that of a frame whose date is
/// unknown; 0 where they say nothing.
fn for_date(told: Option<Told>, stated: Stated) -> f64 {
    let Some(told) = told else {
        return 0.0;
    };
    let ln_density = |mean: f64, sigma: f64| {
        let off = (told.jyear - mean) / sigma;
        -0.5 * off * off - sigma.ln()
    };
    let usual = stated.catalogue_jyear + PRIOR_YEARS;
    ln_density(stated.jyear, told.sigma_years)
        - ln_density(usual, told.sigma_years.hypot(PRIOR_SIGMA_YEARS))
}
