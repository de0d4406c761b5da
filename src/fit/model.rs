//! The models that pixels are fitted to the sky with, and the equations that they make.

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
    pub fn equations(self, [u, v]: [f64; 2]) -> Equations {
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

    /// Coefficients of both axes, in the order of [`terms_of`], from the parameters solved for.
    pub fn coefficients(self, solved: &[f64]) -> [Vec<f64>; 2] {
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

impl Equations {
    /// Both coordinates of a point by the parameters solved for.
    pub fn predict(&self, solved: &[f64]) -> [f64; 2] {
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
