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

/// Improves `years`, at which the stars of `fitted` stand, and the fit along with them; adds what
/// stays uncertain to the error of its constants. `points` are those of the fit.
pub fn improve(fitted: &mut Fitted, points: &[Point], years: Years) -> Years {
    // What of a year's motion the fit cannot take up: linear, so one step is all it takes.
    let Some((of_a_year, left)) = regress(points, fitted, |point| point.motion) else {
        return years;
    };
    let mut information = PRIOR_SIGMA_YEARS.powi(-2);
    let mut pull = (PRIOR_YEARS - years.after) * information;
    for (((point, residual), left), weight) in points
        .iter()
        .zip(&fitted.residuals)
        .zip(&left)
        .zip(&fitted.weights)
    {
        let per_variance = weight / (point.sigma_px.powi(2) * fitted.variance);
        for axis in 0..2 {
            information += per_variance * left[axis] * left[axis];
            pull -= per_variance * left[axis] * residual[axis];
        }
    }
    let step = pull / information;
    if !step.is_finite() || information <= 0.0 {
        return years;
    }
    for axis in 0..2 {
        for (coefficient, change) in fitted.coefficients[axis].iter_mut().zip(&of_a_year[axis]) {
            *coefficient += step * change;
        }
    }
    for (residual, left) in fitted.residuals.iter_mut().zip(&left) {
        for axis in 0..2 {
            residual[axis] += step * left[axis];
        }
    }
    let [x, y] = [of_a_year[0][0], of_a_year[1][0]];
    let centre = &mut fitted.centre.covariance;
    centre[0] += x * x / information;
    centre[1] += x * y / information;
    centre[2] += y * y / information;
    Years {
        after: years.after + step,
        sigma: information.sqrt().recip(),
    }
}
