//! How far off the centre of a fit may be.
//!
//! The prior errors of the stars say which of them to trust more, not how far off they really
//! are: bright ones may be saturated, others blended. The covariance is therefore taken from the
//! residuals themselves, star by star (the sandwich estimator of M-estimation, Huber 1981, ch. 6;
//! White 1980; residuals corrected for their leverage as MacKinnon & White 1985, HC2).

use super::model::Equations;
use super::polynomial::Point;
use nalgebra::DMatrix;

/// Least freedom of an estimate of the centre's error, where the fit as a whole has as much.
const FEWEST_FREEDOM: f64 = 3.0;

/// Error of the two constants of a fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CentreError {
    /// Covariance (xx, xy, yy) along the axes of the tangent plane, pixels squared.
    pub covariance: [f64; 3],
    /// Degrees of freedom that stand behind it.
    pub freedom: f64,
}

/// What a robust fit ended with.
pub struct Converged<'a> {
    /// Equations of each point.
    pub design: &'a [Equations],
    /// The points.
    pub points: &'a [Point],
    /// Residuals, target minus model, pixels.
    pub residuals: &'a [[f64; 2]],
    /// Robust weights, 0 to 1.
    pub weights: &'a [f64],
    /// Derivative of each point's influence by its residual, mean over both axes.
    pub slopes: &'a [f64],
    /// Inverse of the weighted normal matrix (of one axis where both are alike).
    pub inverse: &'a DMatrix<f64>,
    /// Free parameters of both axes together.
    pub parameters: usize,
}

impl Converged<'_> {
    /// The error of the constants; `None` where no freedom is left to judge it by.
    pub fn centre_error(&self) -> Option<CentreError> {
        let mut covariance = [0.0; 3];
        let (mut shares, mut shares2) = (0.0, 0.0);
        for (i, point) in self.points.iter().enumerate() {
            let weight = self.weights[i] / (point.sigma_px * point.sigma_px);
            let [x, y] = self.residuals[i];
            let (leverage, pulls) = self.leverage_and_pulls(&self.design[i]);
            let leverage = (weight * leverage).clamp(0.0, 0.95);
            let variance = 0.5 * (x * x + y * y) / (1.0 - leverage);
            for pull in pulls {
                let [a, b] = pull.map(|p| p * weight);
                covariance[0] += a * a * variance;
                covariance[1] += a * b * variance;
                covariance[2] += b * b * variance;
                let share = (a * a + b * b) * point.sigma_px * point.sigma_px;
                shares += share;
                shares2 += share * share;
            }
        }
        // Equations that carry the centre: all of them where they carry it alike. A few bright
        // stars may carry it alone: their scatter is then judged by that of the others too.
        let carriers = shares * shares / shares2.max(f64::MIN_POSITIVE);
        let parameters = self.parameters as f64;
        let all = 2.0 * self.weights.iter().sum::<f64>() - parameters;
        let freedom = (carriers - parameters).max(FEWEST_FREEDOM).min(all);
        let slope: f64 = self.slopes.iter().sum();
        let flattened = (self.weights.iter().sum::<f64>() / slope).powi(2);
        let sound = freedom >= 1.0 && slope > 0.0 && flattened.is_finite();
        sound.then(|| CentreError {
            covariance: covariance.map(|c| c * flattened),
            freedom,
        })
    }

    /// Leverage of a point of unit weight, mean over both axes; how far a unit residual along
    /// each axis pulls the two constants.
    fn leverage_and_pulls(&self, equations: &Equations) -> (f64, [[f64; 2]; 2]) {
        let size = self.inverse.nrows();
        let times = |row: &[f64], k: usize| -> f64 {
            (0..size).map(|j| self.inverse[(k, j)] * row[j]).sum()
        };
        let quadratic =
            |row: &[f64]| -> f64 { (0..size).map(|k| row[k] * times(row, k)).sum::<f64>() };
        match equations {
            Equations::Joint(rows) => (
                0.5 * (quadratic(&rows[0]) + quadratic(&rows[1])),
                [0, 1].map(|axis| [times(&rows[axis], 0), times(&rows[axis], 1)]),
            ),
            Equations::Alike(row) => {
                let pull = times(row, 0);
                (quadratic(row), [[pull, 0.0], [0.0, pull]])
            }
        }
    }
}

impl CentreError {
    /// Radius in pixels of the circle that holds 95 % of the errors: exact for a two-dimensional normal
    /// error of any ellipse; where its size was estimated with few degrees of freedom, with the
    /// wings of Student's distribution (for a round error sqrt(2 F(0.95; 2, freedom))).
    pub fn radius95(&self) -> f64 {
        let [xx, xy, yy] = self.covariance;
        let (middle, half) = (
            0.5 * (xx + yy),
            (0.25 * (xx - yy) * (xx - yy) + xy * xy).sqrt(),
        );
        let (long2, short2) = (middle + half, (middle - half).max(1e-3 * (middle + half)));
        if !(long2 > 0.0) {
            return 0.0;
        }
        let round = |variance: f64| {
            (self.freedom * (0.05_f64.powf(-2.0 / self.freedom) - 1.0) * variance).sqrt()
        };
        if short2 > 0.999 * long2 {
            return round(long2);
        }
        let ellipse = Ellipse::new(long2, short2, self.freedom);
        // Between that of a line and that of the circle about the ellipse: where the logarithm of the
        // probability beyond, which falls smoothly, meets that of 5 % (regula falsi; Dowell & Jarratt
        // 1971, the Illinois rule).
        let over = |radius: f64| (ellipse.beyond(radius) / 0.05).ln();
        let (mut low, mut high) = (0.0, round(long2));
        let (mut over_low, mut over_high) = (over(low), over(high));
        let mut last_was_low = None;
        for _ in 0..40 {
            if high - low < 1e-12 * high || over_high >= 0.0 {
                break;
            }
            let radius = low + (high - low) * over_low / (over_low - over_high);
            let here = over(radius);
            let is_low = here > 0.0;
            if is_low {
                (low, over_low) = (radius, here);
            } else {
                (high, over_high) = (radius, here);
            }
            if last_was_low.replace(is_low) == Some(is_low) {
                let kept = if is_low {
                    &mut over_high
                } else {
                    &mut over_low
                };
                *kept *= 0.5;
            }
        }
        high
    }
}

/// A two-dimensional error with an ellipse of these squared axes.
struct Ellipse {
    /// Inverse variance in evenly spread directions.
    inverse: [f64; Ellipse::DIRECTIONS],
    /// Geometric mean of the squared axes.
    mean2: f64,
    freedom: f64,
}

impl Ellipse {
    const DIRECTIONS: usize = 360;

    fn new(long2: f64, short2: f64, freedom: f64) -> Ellipse {
        let inverse = std::array::from_fn(|step| {
            let part = (step as f64 + 0.5) / Ellipse::DIRECTIONS as f64;
            let (sin, cos) = (part * std::f64::consts::FRAC_PI_2).sin_cos();
            cos * cos / long2 + sin * sin / short2
        });
        Ellipse {
            inverse,
            mean2: (long2 * short2).sqrt(),
            freedom,
        }
    }

    /// Probability of an error larger than `radius`: the integral over the position angle of the radial
    /// one, which has a closed form.
    fn beyond(&self, radius: f64) -> f64 {
        let tail = |inverse: &f64| {
            let tail = 1.0 + radius * radius * inverse / self.freedom;
            tail.powf(-0.5 * self.freedom) / inverse
        };
        let sum: f64 = self.inverse.iter().map(tail).sum();
        sum / Ellipse::DIRECTIONS as f64 / self.mean2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn radius(covariance: [f64; 3], freedom: f64) -> f64 {
        CentreError {
            covariance,
            freedom,
        }
        .radius95()
    }

    /// Tables of the F distribution (0.95; 2, n): 4.10 for n = 10, 3.00 for infinity.
    #[test]
    fn a_round_error_follows_the_f_distribution() {
        assert!((radius([1.0, 0.0, 1.0], 10.0) - (2.0_f64 * 4.1028).sqrt()).abs() < 2e-3);
        assert!((radius([4.0, 0.0, 4.0], 1e7) - 2.0 * 2.4477).abs() < 2e-3);
    }

    /// The normal distribution in one dimension: 1.960 sigma hold 95 %; whichever way it lies.
    #[test]
    fn an_error_along_a_line_needs_less() {
        assert!((radius([1.0, 0.0, 0.0], 1e7) - 1.96).abs() < 5e-3);
        assert!((radius([0.5, 0.5, 0.5], 1e7) - 1.96).abs() < 5e-3);
    }
}
