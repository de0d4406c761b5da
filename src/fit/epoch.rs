//! A frame without a date: the stars' own motion says roughly when it was taken.
//!
//! Catalogue positions hold for one epoch. Most stars of a field drift the same way, so that in
//! an undated frame a few decades shift the centre by some tenths of an arcsecond; and they drift
//! by different amounts, from which the decades follow where the frame holds many stars. The
//! years since the catalogue's epoch are one more parameter of the fit, with a broad prior, and
//! what remains unknown of them is part of the error of the centre.

use super::polynomial::{Fitted, Point, regress};

/// Prior of the years since the epoch of the catalogue (J2000 as a rule), normal: digital frames
/// are at hand from the 1990s on, and one at work tonight is newer. A choice, not a measurement.
pub const PRIOR_YEARS: f64 = 13.0;
/// Its standard deviation.
pub const PRIOR_SIGMA_YEARS: f64 = 13.0;

/// The years that a frame was taken after the epoch of the catalogue.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Years {
    /// Best estimate.
    pub after: f64,
    /// Standard deviation; 0: the date is known.
    pub sigma: f64,
}

impl Years {
    /// The stars already stand where they were at the time of the frame.
    pub fn known() -> Years {
        Years {
            after: 0.0,
            sigma: 0.0,
        }
    }

    /// Nothing is known yet.
    pub fn unknown() -> Years {
        Years {
            after: PRIOR_YEARS,
            sigma: PRIOR_SIGMA_YEARS,
        }
    }
}

/// What residuals say of the years: how far the stars of a fit stand from where they should.
struct Drift {
    /// What a year adds to the coefficients of the fit.
    of_a_year: [Vec<f64>; 2],
    /// What of a year's motion the fit cannot take up, star by star.
    left: Vec<[f64; 2]>,
    /// Inverse variance of the years, and the years that are missing times that, star by star.
    shares: Vec<[f64; 2]>,
}

impl Drift {
    fn of(fitted: &Fitted, points: &[Point]) -> Option<Drift> {
        let (of_a_year, left) = regress(points, fitted, |point| point.motion)?;
        let stars = points.iter().zip(&fitted.residuals).zip(&left);
        let shares = stars.zip(&fitted.weights);
        let shares = shares.map(|(((point, residual), left), weight)| {
            let per_variance = weight / (point.sigma_px.powi(2) * fitted.variance);
            let product = |other: &[f64; 2]| left[0] * other[0] + left[1] * other[1];
            [
                per_variance * product(left),
                -per_variance * product(residual),
            ]
        });
        Some(Drift {
            shares: shares.collect(),
            of_a_year,
            left,
        })
    }

    /// Information and pull of all stars.
    fn total(&self) -> [f64; 2] {
        [0, 1].map(|k| self.shares.iter().map(|share| share[k]).sum())
    }
}

/// When the frame was taken by the stars' own motion alone, without any prior: years as those
/// at which the stars of `fitted` stand. `points` are those of the fit. `None` where they say
/// nothing.
///
/// The standard deviation is that of the residuals or that of leaving out one star at a time
/// (jackknife; Tukey 1958), the larger: often a few stars say it all, and one of them may have a
/// wrong motion in the catalogue.
pub fn told_by_stars(fitted: &Fitted, points: &[Point], years: f64) -> Option<Years> {
    let drift = Drift::of(fitted, points)?;
    let [information, pull] = drift.total();
    let told = pull / information;
    let without = |[i, p]: &[f64; 2]| (pull - p) / (information - i) - told;
    let squares: f64 = drift
        .shares
        .iter()
        .map(|share| without(share).powi(2))
        .sum();
    let count = drift.shares.len() as f64;
    let sigma = ((count - 1.0) / count * squares)
        .max(information.recip())
        .sqrt();
    (told.is_finite() && sigma.is_finite()).then_some(Years {
        after: years + told,
        sigma,
    })
}

/// Improves `years`, at which the stars of `fitted` stand, and the fit along with them; adds what
/// stays uncertain to the error of its constants. `points` are those of the fit.
pub fn improve(fitted: &mut Fitted, points: &[Point], years: Years) -> Years {
    // Linear in the years, so one step is all it takes.
    let Some(drift) = Drift::of(fitted, points) else {
        return years;
    };
    let prior = PRIOR_SIGMA_YEARS.powi(-2);
    let [by_stars, pull] = drift.total();
    let information = prior + by_stars;
    let step = (pull + (PRIOR_YEARS - years.after) * prior) / information;
    if !step.is_finite() || information <= 0.0 {
        return years;
    }
    for (coefficients, of_a_year) in fitted.coefficients.iter_mut().zip(&drift.of_a_year) {
        for (coefficient, change) in coefficients.iter_mut().zip(of_a_year) {
            *coefficient += step * change;
        }
    }
    for (residual, left) in fitted.residuals.iter_mut().zip(&drift.left) {
        for axis in 0..2 {
            residual[axis] += step * left[axis];
        }
    }
    let [x, y] = [drift.of_a_year[0][0], drift.of_a_year[1][0]];
    let centre = &mut fitted.centre.covariance;
    centre[0] += x * x / information;
    centre[1] += x * y / information;
    centre[2] += y * y / information;
    Years {
        after: years.after + step,
        sigma: information.sqrt().recip(),
    }
}
