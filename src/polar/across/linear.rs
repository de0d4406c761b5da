//! The fields around a set of numbers: residuals, slopes, and the linear step that they ask for.

use super::layout::{ANYTHING, Layout};
use super::model::{LOCAL, NUDGE, Terms};
use super::stops::{Stop, wrapped};
use nalgebra::{DMatrix, DVector, Vector3};

/// Residuals beyond this many standard deviations weigh less (Huber 1964).
const HUBER: f64 = 2.5;
/// What a mount repeats to, and what a camera stays to in its holder, radians: 30 arcsec and half
/// an arcminute (common practice). The data say better; these stand for one value of them each.
pub const USUAL: [f64; 2] = [30.0 / 206_265.0, 0.5 / 3437.75];
/// What of the data a fit looks at, and how.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Number of the reading of where the mount was sent; `None`: not looked at.
    pub reading: Option<usize>,
    /// The camera's turn counts.
    pub turn: bool,
    /// The mount has terms besides its zeros.
    pub terms: bool,
}

/// Residuals of one field, and how they change with its terms: east and north (where the mount was
/// sent there) and the camera's turn. Seen minus model, radians.
#[derive(Debug, Clone)]
pub struct Line {
    /// `None` where there is no such datum.
    pub rest: [Option<f64>; 3],
    slope: [[f64; LOCAL]; 3],
    /// Scatter that is usual, by kind of data.
    pub usual: [f64; 2],
}

/// The fields around a set of numbers.
pub fn lines(
    stops: &[Stop],
    zenith: Vector3<f64>,
    layout: &Layout,
    look: Look,
    numbers: &DVector<f64>,
) -> Vec<Line> {
    let line = |(i, stop): (usize, &Stop)| {
        let terms = layout.terms(i, numbers);
        let seen = |terms: &Terms| -> [Option<f64>; 3] {
            let at = look.reading.and_then(|reading| stop.sent[reading]);
            let off = at.map(|at| stop.seen[0][0] - terms.sight(at, stop.flipped, zenith));
            let turn = stop.turn(terms, zenith);
            let turn = turn.filter(|_| look.turn && stop.turn_counts).map(wrapped);
            let [east, north] = stop.sideways.map(|way| off.map(|off| off.dot(&way)));
            [east, north, turn]
        };
        let rest = seen(&terms);
        let mut slope = [[0.0; LOCAL]; 3];
        for which in 0..LOCAL {
            let near = seen(&terms.nudged(which));
            for k in 0..3 {
                let change = near[k].zip(rest[k]).map_or(0.0, |(n, r)| wrapped(n - r));
                slope[k][which] = -change / NUDGE;
            }
        }
        Line {
            rest,
            slope,
            usual: [0, 1].map(|k| USUAL[k].hypot(stop.errors[k])),
        }
    };
    stops.iter().enumerate().map(line).collect()
}

/// 0 for where the mount was sent, 1 for the camera's turn.
pub fn kind(k: usize) -> usize {
    usize::from(k == 2)
}

/// Normal equations.
pub struct Normal {
    /// By kind of data, each divided by its variance.
    pub parts: [DMatrix<f64>; 2],
    prior: DVector<f64>,
    right: DVector<f64>,
    /// Values by kind.
    pub count: [f64; 2],
}

/// What a linear step leads to.
pub struct Solved {
    /// To be added to the numbers.
    pub step: DVector<f64>,
    /// Covariance of the numbers.
    pub inverse: DMatrix<f64>,
    /// The equations.
    pub normal: Normal,
}

/// Solves for the numbers of `layout` around `numbers`; `scale`: scatter by kind, in units of the usual.
pub fn solve(
    lines: &[Line],
    layout: &Layout,
    look: Look,
    numbers: &DVector<f64>,
    scale: [f64; 2],
    robust: bool,
) -> Option<Solved> {
    let size = layout.usual.len();
    let zeros = || DMatrix::zeros(size, size);
    let mut normal = Normal {
        parts: [zeros(), zeros()],
        prior: prior(layout, look),
        right: DVector::zeros(size),
        count: [0.0; 2],
    };
    for (i, line) in lines.iter().enumerate() {
        for k in 0..3 {
            let Some(rest) = line.rest[k] else { continue };
            let sigma = scale[kind(k)] * line.usual[kind(k)];
            let huber = if robust { line.huber(k, sigma) } else { 1.0 };
            let weight = huber / (sigma * sigma);
            normal.count[kind(k)] += huber;
            for (a, column_a) in layout.columns[i].iter().enumerate() {
                let slope = weight * line.slope[k][a];
                normal.right[*column_a] += slope * rest;
                for (b, column_b) in layout.columns[i].iter().enumerate() {
                    normal.parts[kind(k)][(*column_a, *column_b)] += slope * line.slope[k][b];
                }
            }
        }
    }
    normal.right -= normal.prior.component_mul(numbers);
    let whole = &normal.parts[0] + &normal.parts[1] + DMatrix::from_diagonal(&normal.prior);
    let inverse = whole.cholesky()?.inverse();
    let step = &inverse * &normal.right;
    step.iter().all(|v| v.is_finite()).then_some(Solved {
        step,
        inverse,
        normal,
    })
}

fn prior(layout: &Layout, look: Look) -> DVector<f64> {
    /// Of a term that is taken to be zero, radians.
    const NOTHING: f64 = 1e-9;
    DVector::from_iterator(
        layout.usual.len(),
        layout.usual.iter().map(|usual| {
            let free = look.terms || *usual == ANYTHING;
            (if free { *usual } else { NOTHING }).powi(-2)
        }),
    )
}

impl Line {
    /// The robust weight of a residual.
    pub fn huber(&self, k: usize, sigma: f64) -> f64 {
        let size = match k {
            2 => self.rest[2].unwrap_or(0.0).abs(),
            _ => self.rest[0]
                .unwrap_or(0.0)
                .hypot(self.rest[1].unwrap_or(0.0)),
        };
        (HUBER * sigma / size.max(1e-15)).min(1.0)
    }

    /// What is left of the residuals after a step.
    pub fn after(&self, columns: &[usize; LOCAL], step: &DVector<f64>) -> [Option<f64>; 3] {
        std::array::from_fn(|k| {
            let moved: f64 = (0..LOCAL)
                .map(|a| self.slope[k][a] * step[columns[a]])
                .sum();
            self.rest[k].map(|rest| rest - moved)
        })
    }
}

impl Solved {
    /// Sum of squares by kind and of the terms themselves after the step, in units of the variances.
    pub fn squares(
        &self,
        lines: &[Line],
        layout: &Layout,
        numbers: &DVector<f64>,
        scale: [f64; 2],
    ) -> [f64; 3] {
        let mut squares = [0.0; 3];
        for (i, line) in lines.iter().enumerate() {
            let rest = line.after(&layout.columns[i], &self.step);
            for k in 0..3 {
                let sigma = scale[kind(k)] * line.usual[kind(k)];
                squares[kind(k)] += (rest[k].unwrap_or(0.0) / sigma).powi(2);
            }
        }
        let there = numbers + &self.step;
        squares[2] = (0..there.len())
            .map(|i| self.normal.prior[i] * there[i] * there[i])
            .sum();
        squares
    }

    /// Logarithm of how much of the room that the numbers had before they have now.
    pub fn ln_room(&self) -> f64 {
        let left = self.inverse.clone().cholesky();
        let left = left.map_or(f64::NEG_INFINITY, |l| {
            l.l().diagonal().iter().map(|d| d.ln()).sum()
        });
        left + 0.5 * self.normal.prior.iter().map(|p| p.ln()).sum::<f64>()
    }

    /// Degrees of freedom that each kind of data keeps.
    pub fn freedom(&self) -> [f64; 2] {
        let used = |part: &DMatrix<f64>| part.component_mul(&self.inverse).sum();
        [0, 1].map(|k| (self.normal.count[k] - used(&self.normal.parts[k])).max(0.0))
    }
}
