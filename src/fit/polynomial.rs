//! Robust weighted least squares of two coordinates over pixel polynomials, and the choice of
//! their order.

use super::covariance::{CentreError, Converged};
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

/// Models in order of their freedom.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Model {
    /// Shift, turn and scale; the handedness is given.
    Similarity {
        /// y axis turned over.
        flipped: bool,
    },
    /// The same, and a lens that draws the field out or in with the cube of the distance from the
    /// reference pixel. It takes no stars in all corners to fit, as polynomials do.
    Radial {
        /// y axis turned over.
        flipped: bool,
    },
    /// The same, and a lens whose axis meets the frame beside its middle: for wide fields, where that
    /// bends the field with the square of the distance. In complex numbers, `z` the place, it adds
    /// `a z^2 + b |z|^2`: a turn of the projection about the middle, and a shifted cube, to first order.
    Decentred {
        /// y axis turned over.
        flipped: bool,
    },
    /// Polynomials of this order in both axes; order 1 is the general linear map.
    Polynomial(usize),
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

/// Powers up to `order`, lowest first.
pub fn terms_of(order: usize) -> Vec<(usize, usize)> {
    (0..=order)
        .flat_map(|n| (0..=n).map(move |q| (n - q, q)))
        .collect()
}

impl Model {
    /// Highest power.
    pub fn order(self) -> usize {
        match self {
            Model::Similarity { .. } => 1,
            Model::Radial { .. } | Model::Decentred { .. } => 3,
            Model::Polynomial(order) => order,
        }
    }

    /// Free parameters.
    pub fn parameters(self) -> usize {
        match self {
            Model::Similarity { .. } => 4,
            Model::Radial { .. } => 6,
            Model::Decentred { .. } => 10,
            Model::Polynomial(order) => (order + 1) * (order + 2),
        }
    }

    /// The equations of a point. Polynomials have the same row for both axes, each with
    /// coefficients of its own.
    fn equations(self, [u, v]: [f64; 2]) -> Equations {
        match self {
            Model::Similarity { flipped }
            | Model::Radial { flipped }
            | Model::Decentred { flipped } => {
                let v = if flipped { -v } else { v };
                let r2 = u * u + v * v;
                let [re, im] = [u * u - v * v, 2.0 * u * v];
                // target = a + c u - d v, b + d u + c v, the same for r^2 (u, v) and for z^2, and r^2
                Equations::Joint([
                    [1.0, 0.0, u, -v, r2 * u, -r2 * v, re, -im, r2, 0.0],
                    [0.0, 1.0, v, u, r2 * v, r2 * u, im, re, 0.0, r2],
                ])
            }
            Model::Polynomial(order) => Equations::Alike(
                terms_of(order)
                    .iter()
                    .map(|&(p, q)| u.powi(p as i32) * v.powi(q as i32))
                    .collect(),
            ),
        }
    }

    fn coefficients(self, solved: &[f64]) -> [Vec<f64>; 2] {
        match self {
            Model::Similarity { flipped } => {
                let s = if flipped { -1.0 } else { 1.0 };
                let [a, b, c, d] = [solved[0], solved[1], solved[2], solved[3]];
                [vec![a, c, -s * d], vec![b, d, s * c]]
            }
            Model::Radial { flipped } | Model::Decentred { flipped } => {
                let s = if flipped { -1.0 } else { 1.0 };
                let at = |k: usize| solved.get(k).copied().unwrap_or(0.0);
                let [a, b, c, d, e, f, g, h, i, j] = std::array::from_fn(at);
                // In the order of `terms_of(3)`: u^2, u v, v^2, then u^3, u^2 v, u v^2, v^3.
                [
                    vec![
                        a,
                        c,
                        -s * d,
                        i + g,
                        -2.0 * s * h,
                        i - g,
                        e,
                        -s * f,
                        e,
                        -s * f,
                    ],
                    vec![b, d, s * c, j + h, 2.0 * s * g, j - h, f, s * e, f, s * e],
                ]
            }
            Model::Polynomial(_) => {
                let (x, y) = solved.split_at(solved.len() / 2);
                [x.to_vec(), y.to_vec()]
            }
        }
    }
}

/// Rows of the design matrix that belong to one point.
pub enum Equations {
    /// One row per axis over common parameters, as many of them as the model has.
    Joint([[f64; 10]; 2]),
    /// The same row for both axes, parameters of their own.
    Alike(Vec<f64>),
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

impl Equations {
    fn predict(&self, solved: &[f64]) -> [f64; 2] {
        let product = |row: &[f64], part: &[f64]| row.iter().zip(part).map(|(r, s)| r * s).sum();
        match self {
            Equations::Joint([x, y]) => [product(x, solved), product(y, solved)],
            Equations::Alike(row) => {
                let (x, y) = solved.split_at(row.len());
                [product(row, x), product(row, y)]
            }
        }
    }
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
    let mut weights = vec![1.0; points.len()];
    let mut slopes = vec![1.0; points.len()];
    let mut residuals = Vec::new();
    let mut solved = Vec::new();
    let mut inverse = DMatrix::zeros(0, 0);
    let mut scatter = 1.0;
    for _ in 0..12 {
        (solved, inverse) = solve(&design, points, &weights, parameters, |p| p.target)?;
        let left = |(point, equations): (&Point, &Equations)| {
            let [x, y] = equations.predict(&solved);
            [point.target[0] - x, point.target[1] - y]
        };
        residuals = points.iter().zip(&design).map(left).collect();
        let scaled: Vec<f64> = points
            .iter()
            .zip(&residuals)
            .map(|(point, residual)| point.squared(residual).sqrt())
            .collect();
        // Median of a Rayleigh distribution: 1.1774 sigma per axis. Few degrees of freedom
        // shrink residuals; the correction is that of the variance.
        let freedom = 1.0 - parameters as f64 / (2 * points.len()) as f64;
        scatter = (median(scaled.iter().copied())? / 1.1774 / freedom.sqrt()).max(0.2);
        let before = weights;
        (weights, slopes) = scaled
            .iter()
            .map(|&r| biweight(r, 1.2 * scatter).into())
            .unzip();
        let change: f64 = weights
            .iter()
            .zip(&before)
            .map(|(a, b): (&f64, &f64)| (a - b).abs())
            .sum();
        if change < 1e-4 * points.len() as f64 {
            break;
        }
    }
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
    .filter(|_| scatter.is_finite())
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
