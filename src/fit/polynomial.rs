//! Robust weighted least squares of two coordinates over pixel polynomials, and the choice of
//! their order.

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
}

/// Models in order of their freedom.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Model {
    /// Shift, turn and scale; the handedness is given.
    Similarity {
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
    /// Covariance (xx, xy, yy) of the two constants, for the scatter found.
    pub constant_covariance: [f64; 3],
    /// Degrees of freedom left: equations minus parameters.
    pub freedom: f64,
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
    fn order(self) -> usize {
        match self {
            Model::Similarity { .. } => 1,
            Model::Polynomial(order) => order,
        }
    }

    /// Free parameters.
    pub fn parameters(self) -> usize {
        match self {
            Model::Similarity { .. } => 4,
            Model::Polynomial(order) => (order + 1) * (order + 2),
        }
    }

    /// The two rows of the design matrix of a point.
    fn rows(self, [u, v]: [f64; 2]) -> [Vec<f64>; 2] {
        match self {
            Model::Similarity { flipped } => {
                let s = if flipped { -1.0 } else { 1.0 };
                // target = a + c u - d (s v), b + d u + c (s v)
                [vec![1.0, 0.0, u, -s * v], vec![0.0, 1.0, s * v, u]]
            }
            Model::Polynomial(order) => {
                let powers: Vec<f64> = terms_of(order)
                    .iter()
                    .map(|&(p, q)| u.powi(p as i32) * v.powi(q as i32))
                    .collect();
                let zeros = vec![0.0; powers.len()];
                [
                    [&powers[..], &zeros].concat(),
                    [&zeros[..], &powers].concat(),
                ]
            }
        }
    }

    fn coefficients(self, solved: &[f64]) -> [Vec<f64>; 2] {
        match self {
            Model::Similarity { flipped } => {
                let s = if flipped { -1.0 } else { 1.0 };
                let [a, b, c, d] = [solved[0], solved[1], solved[2], solved[3]];
                [vec![a, c, -s * d], vec![b, d, s * c]]
            }
            Model::Polynomial(_) => {
                let (x, y) = solved.split_at(solved.len() / 2);
                [x.to_vec(), y.to_vec()]
            }
        }
    }
}

/// Tukey's biweight (Beaton & Tukey 1974) with its usual constant: 95 % efficiency for normal
/// errors, no influence beyond 4.685 scatters.
fn biweight(residual: f64, scatter: f64) -> f64 {
    let t = residual / (4.685 * scatter);
    if t.abs() >= 1.0 {
        0.0
    } else {
        (1.0 - t * t).powi(2)
    }
}

/// Fits `model` to `points`; `None` where they cannot carry it.
pub fn fit(points: &[Point], model: Model) -> Option<Fitted> {
    let parameters = model.parameters();
    if 2 * points.len() <= parameters {
        return None;
    }
    let design: Vec<[Vec<f64>; 2]> = points.iter().map(|p| model.rows(p.uv)).collect();
    let mut weights = vec![1.0; points.len()];
    let mut residuals = vec![[0.0; 2]; points.len()];
    let mut solved = vec![0.0; parameters];
    let mut inverse = DMatrix::zeros(parameters, parameters);
    let mut scatter = 1.0;
    for _ in 0..12 {
        let mut normal = DMatrix::<f64>::zeros(parameters, parameters);
        let mut right = DVector::<f64>::zeros(parameters);
        for ((point, rows), weight) in points.iter().zip(&design).zip(&weights) {
            let w = weight / (point.sigma_px * point.sigma_px);
            for (row, target) in rows.iter().zip(point.target) {
                for i in (0..parameters).filter(|&i| row[i] != 0.0) {
                    right[i] += w * row[i] * target;
                    for j in 0..parameters {
                        normal[(i, j)] += w * row[i] * row[j];
                    }
                }
            }
        }
        inverse = normal.try_inverse()?;
        let step = &inverse * right;
        if !step.iter().all(|c| c.is_finite()) {
            return None;
        }
        solved = step.iter().copied().collect();
        let mut scaled = Vec::with_capacity(points.len());
        for ((point, rows), residual) in points.iter().zip(&design).zip(&mut residuals) {
            for axis in 0..2 {
                let model: f64 = rows[axis].iter().zip(&solved).map(|(r, s)| r * s).sum();
                residual[axis] = point.target[axis] - model;
            }
            scaled.push(residual[0].hypot(residual[1]) / point.sigma_px);
        }
        // Median of a Rayleigh distribution: 1.1774 sigma per axis. Few degrees of freedom
        // shrink residuals; the correction is that of the variance.
        let freedom = 1.0 - parameters as f64 / (2 * points.len()) as f64;
        scatter = (median(&mut scaled.clone()) / 1.1774 / freedom.sqrt()).max(0.2);
        let fresh: Vec<f64> = scaled.iter().map(|&r| biweight(r, 1.2 * scatter)).collect();
        let change = fresh
            .iter()
            .zip(&weights)
            .map(|(a, b): (&f64, &f64)| (a - b).abs())
            .sum::<f64>();
        weights = fresh;
        if change < 1e-6 * points.len() as f64 {
            break;
        }
    }
    let effective: f64 = weights.iter().sum();
    let freedom = 2.0 * effective - parameters as f64;
    if freedom < 1.0 {
        return None;
    }
    let chi2: f64 = points
        .iter()
        .zip(&residuals)
        .zip(&weights)
        .map(|((p, r), w)| w * (r[0] * r[0] + r[1] * r[1]) / (p.sigma_px * p.sigma_px))
        .sum();
    let variance = chi2 / freedom;
    let second = match model {
        Model::Similarity { .. } => 1,
        Model::Polynomial(_) => parameters / 2,
    };
    let constant_covariance =
        [(0, 0), (0, second), (second, second)].map(|at| inverse[at] * variance);
    // Every model is judged on all points, outliers with a bounded loss.
    let loss: f64 = points
        .iter()
        .zip(&residuals)
        .map(|(p, r)| ((r[0] * r[0] + r[1] * r[1]) / (p.sigma_px * p.sigma_px)).min(40.0))
        .sum();
    let equations = 2.0 * points.len() as f64;
    Some(Fitted {
        model,
        terms: terms_of(model.order()),
        coefficients: model.coefficients(&solved),
        residuals,
        weights,
        constant_covariance,
        freedom,
        criterion: equations * (loss / equations).max(1e-12).ln()
            + parameters as f64 * equations.ln(),
    })
    .filter(|_| scatter.is_finite())
}

/// The middle value (upper of two); 0 for none.
pub fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
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
}
