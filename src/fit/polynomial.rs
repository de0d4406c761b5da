//! Robust weighted least squares of two coordinates over pixel polynomials.

use super::covariance::{CentreError, Converged};
use super::model::{Equations, Model, terms_of};
use crate::robust::median;
use nalgebra::{DMatrix, DVector};

/// A star of the fit.
#[derive(Debug, Clone, Copy)]
pub struct Point {
    /// Pixels from the reference pixel, divided by the scaling length.
    pub uv: [f64; 2],
    /// Position on the tangent plane, in pixels of the present scale.
    pub target: [f64; 2],
    /// Prior error of the position per axis, pixels.
    pub sigma_px: f64,
    /// What a year of proper motion adds to `target`.
    pub motion: [f64; 2],
}

impl Point {
    /// A residual in units of the prior error, squared.
    fn squared(&self, residual: &[f64; 2]) -> f64 {
        (residual[0] * residual[0] + residual[1] * residual[1]) / (self.sigma_px * self.sigma_px)
    }
}

/// A fitted model: for each target axis the coefficients of `terms`.
#[derive(Debug, Clone)]
pub struct Fitted {
    /// The model.
    pub model: Model,
    /// Powers (p, q) of u and v, the constant first.
    pub terms: Vec<(usize, usize)>,
    /// Coefficients of both axes.
    pub coefficients: [Vec<f64>; 2],
    /// Residuals, target minus model.
    pub residuals: Vec<[f64; 2]>,
    /// Robust weights, 0 to 1, on top of the prior errors.
    pub weights: Vec<f64>,
    /// Variance of the residuals in units of their prior errors.
    pub variance: f64,
    /// Error of the two constants.
    pub centre: CentreError,
    /// Bayesian information criterion (Schwarz 1978).
    pub criterion: f64,
}

/// Weighted normal equations: parameters of both axes one after another, the inverse matrix (of
/// one axis where both are alike).
fn solve(
    design: &[Equations],
    points: &[Point],
    weights: &[f64],
    parameters: usize,
    target_of: impl Fn(&Point) -> [f64; 2],
) -> Option<(Vec<f64>, DMatrix<f64>)> {
    let alike = matches!(design.first()?, Equations::Alike(_));
    let size = if alike { parameters / 2 } else { parameters };
    let mut normal = DMatrix::<f64>::zeros(size, size);
    let mut right = [DVector::<f64>::zeros(size), DVector::<f64>::zeros(size)];
    let mut weighted = vec![0.0; size];
    let add = |sum: &mut [f64], weighted: &[f64], by: f64| {
        for (sum, weighted) in sum.iter_mut().zip(weighted) {
            *sum += weighted * by;
        }
    };
    for ((point, equations), weight) in points.iter().zip(design).zip(weights) {
        let w = weight / (point.sigma_px * point.sigma_px);
        let mut square = |row: &[f64], weighted: &mut [f64]| {
            for (weighted, value) in weighted.iter_mut().zip(row) {
                *weighted = w * value;
            }
            // Column by column, as they are stored.
            let columns = normal.as_mut_slice().chunks_exact_mut(size);
            for (column, value) in columns.zip(row) {
                add(column, weighted, *value);
            }
        };
        match equations {
            Equations::Joint(rows) => {
                for (row, target) in rows.iter().zip(target_of(point)) {
                    square(row, &mut weighted);
                    add(right[0].as_mut_slice(), &weighted, target);
                }
            }
            Equations::Alike(row) => {
                square(row, &mut weighted);
                for (side, target) in right.iter_mut().zip(target_of(point)) {
                    add(side.as_mut_slice(), &weighted, target);
                }
            }
        }
    }
    let inverse = normal.try_inverse()?;
    let axes = if alike { 2 } else { 1 };
    let solved: Vec<f64> = right[..axes]
        .iter()
        .flat_map(|side| (&inverse * side).iter().copied().collect::<Vec<_>>())
        .collect();
    solved
        .iter()
        .all(|c| c.is_finite())
        .then_some((solved, inverse))
}

/// Tukey's biweight (Beaton & Tukey 1974) with its usual constant: 95 % efficiency for normal
/// errors, no influence beyond 4.685 scatters.
///
/// The weight of a point with this size of its residual, and the slope of its influence (weight
/// times residual) by the residual, mean over both axes.
fn biweight(residual: f64, scatter: f64) -> [f64; 2] {
    let t = residual / (4.685 * scatter);
    let left = 1.0 - t * t;
    if left <= 0.0 {
        [0.0, 0.0]
    } else {
        [left * left, left * (1.0 - 3.0 * t * t)]
    }
}

/// Coefficients of both axes, and what they leave of the values at each point.
pub type Regression = ([Vec<f64>; 2], Vec<[f64; 2]>);

/// The same model, with the weights of `fitted`, for other values at the same points.
pub fn regress(
    points: &[Point],
    fitted: &Fitted,
    target_of: impl Fn(&Point) -> [f64; 2],
) -> Option<Regression> {
    let model = fitted.model;
    let design: Vec<Equations> = points.iter().map(|p| model.equations(p.uv)).collect();
    let parameters = model.parameters();
    let (solved, _) = solve(&design, points, &fitted.weights, parameters, &target_of)?;
    let left = points.iter().zip(&design).map(|(point, equations)| {
        let ([x, y], predicted) = (target_of(point), equations.predict(&solved));
        [x - predicted[0], y - predicted[1]]
    });
    Some((model.coefficients(&solved), left.collect()))
}

/// Fits `model` to `points`; `None` where they cannot carry it.
pub fn fit(points: &[Point], model: Model) -> Option<Fitted> {
    let parameters = model.parameters();
    if 2 * points.len() <= parameters {
        return None;
    }
    let design: Vec<Equations> = points.iter().map(|p| model.equations(p.uv)).collect();
    let Reweighted {
        solved,
        inverse,
        residuals,
        weights,
        slopes,
    } = reweighted(points, &design, parameters)?;
    let effective: f64 = weights.iter().sum();
    let freedom = 2.0 * effective - parameters as f64;
    if freedom < 1.0 {
        return None;
    }
    let squares = || {
        points
            .iter()
            .zip(&residuals)
            .map(|(point, residual)| point.squared(residual))
    };
    let chi2: f64 = squares().zip(&weights).map(|(square, w)| w * square).sum();
    let centre = Converged {
        design: &design,
        points,
        residuals: &residuals,
        weights: &weights,
        slopes: &slopes,
        inverse: &inverse,
        parameters,
    }
    .centre_error()?;
    // Every model is judged on all points, outliers with a bounded loss.
    let loss: f64 = squares().map(|square| square.min(40.0)).sum();
    let equations = 2.0 * points.len() as f64;
    Some(Fitted {
        model,
        terms: terms_of(model.order()),
        coefficients: model.coefficients(&solved),
        residuals,
        weights,
        variance: chi2 / freedom,
        centre,
        criterion: equations * (loss / equations).max(1e-12).ln()
            + parameters as f64 * equations.ln(),
    })
}

/// What the rounds of weighting end with.
struct Reweighted {
    /// The model's parameters, and the inverse of the normal matrix.
    solved: Vec<f64>,
    inverse: DMatrix<f64>,
    /// Of each point: target minus model, its weight, and the slope of its influence.
    residuals: Vec<[f64; 2]>,
    weights: Vec<f64>,
    slopes: Vec<f64>,
}

/// Solves and weights in turn until the weights stay; `None` where the points leave the model free.
fn reweighted(points: &[Point], design: &[Equations], parameters: usize) -> Option<Reweighted> {
    const MOST_ROUNDS: usize = 12;
    // Few degrees of freedom shrink residuals; the correction is that of the variance.
    let freedom = 1.0 - parameters as f64 / (2 * points.len()) as f64;
    let mut weights = vec![1.0; points.len()];
    let mut round = 0;
    loop {
        let (solved, inverse) = solve(design, points, &weights, parameters, |p| p.target)?;
        let left = |(point, equations): (&Point, &Equations)| {
            let [x, y] = equations.predict(&solved);
            [point.target[0] - x, point.target[1] - y]
        };
        let residuals: Vec<[f64; 2]> = points.iter().zip(design).map(left).collect();
        let sizes = points.iter().zip(&residuals);
        let sizes: Vec<f64> = sizes.map(|(p, r)| p.squared(r).sqrt()).collect();
        // Median of a Rayleigh distribution: 1.1774 sigma per axis.
        let scatter = (median(sizes.iter().copied())? / 1.1774 / freedom.sqrt()).max(0.2);
        if !scatter.is_finite() {
            return None;
        }
        let weighed = sizes.iter().map(|&r| biweight(r, 1.2 * scatter).into());
        let (now, slopes): (Vec<f64>, Vec<f64>) = weighed.unzip();
        let change: f64 = now.iter().zip(&weights).map(|(a, b)| (a - b).abs()).sum();
        weights = now;
        round += 1;
        if round == MOST_ROUNDS || change < 1e-4 * points.len() as f64 {
            return Some(Reweighted {
                solved,
                inverse,
                residuals,
                weights,
                slopes,
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(noise: f64) -> Vec<Point> {
        let mut seed = 7_u64;
        let mut next = || {
            seed = seed
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695);
            ((seed >> 33) as f64 / (1_u64 << 30) as f64 - 1.0) * noise
        };
        (0..49)
            .map(|i| {
                let (u, v) = (f64::from(i % 7) / 3.0 - 1.0, f64::from(i / 7) / 3.0 - 1.0);
                Point {
                    uv: [u, v],
                    target: [
                        3.0 + 500.0 * u - 20.0 * v + next(),
                        1.0 + 20.0 * u + 500.0 * v + next(),
                    ],
                    sigma_px: 0.1,
                    motion: [0.0; 2],
                }
            })
            .collect()
    }

    #[test]
    fn similarity_is_preferred_where_it_suffices() {
        let points = grid(0.1);
        let criteria = [
            Model::Similarity { flipped: false },
            Model::Polynomial(1),
            Model::Polynomial(2),
        ]
        .map(|m| fit(&points, m).unwrap().criterion);
        assert!(criteria[0] < criteria[1] && criteria[1] < criteria[2]);
        let wrong = fit(&points, Model::Similarity { flipped: true }).unwrap();
        assert!(wrong.criterion > criteria[0] + 100.0);
    }

    #[test]
    fn an_outlier_has_no_influence() {
        let mut points = grid(0.1);
        points[10].target[0] += 30.0;
        let fitted = fit(&points, Model::Similarity { flipped: false }).unwrap();
        assert!((fitted.coefficients[0][0] - 3.0).abs() < 0.05);
        assert_eq!(fitted.weights[10], 0.0);
    }

    #[test]
    fn curvature_asks_for_a_higher_order() {
        let mut points = grid(0.1);
        for point in &mut points {
            let [u, v] = point.uv;
            point.target[0] += 3.0 * u * (u * u + v * v);
            point.target[1] += 3.0 * v * (u * u + v * v);
        }
        let of = |m| fit(&points, m).unwrap().criterion;
        let third = of(Model::Polynomial(3));
        assert!(third < of(Model::Polynomial(2)) && third < of(Model::Polynomial(1)));
    }

    #[test]
    fn a_barrel_is_measured_from_one_half_of_the_frame() {
        for flipped in [false, true] {
            let sign = if flipped { -1.0 } else { 1.0 };
            let mut points = grid(0.1);
            for point in &mut points {
                let [u, v] = [point.uv[0], sign * point.uv[1]];
                let drawn = 1.0 + 0.04 * (u * u + v * v);
                point.target = [
                    3.0 + drawn * (500.0 * u - 20.0 * v),
                    1.0 + drawn * (20.0 * u + 500.0 * v),
                ];
            }
            points.retain(|p| p.uv[1] > -0.1);
            let fitted = fit(&points, Model::Radial { flipped }).unwrap();
            let worst = fitted
                .residuals
                .iter()
                .flatten()
                .fold(0.0, |w: f64, r| w.max(r.abs()));
            assert!(worst < 1e-9, "{worst}");
            // What the coefficients say of a corner without stars.
            let corner = [1.0_f64, -1.0];
            let value = |axis: usize| {
                let terms = fitted.terms.iter().zip(&fitted.coefficients[axis]);
                terms
                    .map(|(&(p, q), c)| c * corner[0].powi(p as i32) * corner[1].powi(q as i32))
                    .sum::<f64>()
            };
            let v = sign * corner[1];
            assert!((value(0) - (3.0 + 1.08 * (500.0 - 20.0 * v))).abs() < 1e-6);
            assert!((value(1) - (1.0 + 1.08 * (20.0 + 500.0 * v))).abs() < 1e-6);
        }
    }
}
