//! Robust least squares over the fields of a night, with the scatter of both kinds of data found
//! from the data themselves.

use super::model::{LOCAL, NUDGE, Terms};
use super::stops::{Stop, wrapped};
use nalgebra::{DMatrix, DVector, Vector3};

/// Rounds of improvement; it settles in four or five.
const ROUNDS: usize = 10;
/// Residuals beyond this many standard deviations weigh less (Huber 1964).
const HUBER: f64 = 2.5;
/// What a mount repeats to, and what a camera stays to in its holder, radians: 30 arcsec and half
/// an arcminute (common practice). The data say better; these stand for one value of them each.
const USUAL: [f64; 2] = [30.0 / 206_265.0, 0.5 / 3437.75];
const USUAL_COUNTS: f64 = 1.0;
/// How large terms usually are, standard deviation in radians (common practice): an axis within
/// some degrees of the pole, a line of sight within a degree of square, axes within a quarter of a
/// degree of square, a tube that hangs by some arcminutes; anything for turn and zeros.
const AXIS: f64 = 0.05;
const DROOP: f64 = 4.0 / 3437.75;
const CONE: f64 = 60.0 / 3437.75;
const SQUARE: f64 = 15.0 / 3437.75;
pub const ANYTHING: f64 = 10.0;

/// Numbers that all fields share; those of a grip come behind.
pub const SHARED: usize = 3;
/// Numbers of one grip: cone, square, turn.
pub const OF_GRIP: usize = 3;

/// Which number of the fit is which term of which field.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Since when the mount's zeros are the same, by field.
    pub group: Vec<usize>,
    /// The grip of the camera, by field.
    pub grip: Vec<usize>,
    columns: Vec<[usize; LOCAL]>,
    usual: Vec<f64>,
}

impl Layout {
    /// Zeros by `group`, cone and turn by `grip`; both counted from 0. In declination each side of
    /// the pier has zeros of its own: some mounts count them on the circle, others on the sky.
    pub fn new(stops: &[Stop], group: Vec<usize>, grip: Vec<usize>) -> Layout {
        let grips = grip.iter().max().map_or(0, |last| last + 1);
        let mut usual = vec![AXIS, AXIS, DROOP];
        for _ in 0..grips {
            usual.extend([CONE, SQUARE, ANYTHING]);
        }
        let mut zeros: Vec<(usize, Option<(usize, bool)>)> = Vec::new();
        let mut column = |key| {
            let at = zeros.iter().position(|k| *k == key).unwrap_or_else(|| {
                zeros.push(key);
                usual.push(ANYTHING);
                zeros.len() - 1
            });
            SHARED + OF_GRIP * grips + at
        };
        let columns = (0..stops.len()).map(|i| {
            let own = SHARED + OF_GRIP * grip[i];
            let hour = column((group[i], None));
            let dec = column((group[i], Some((grip[i], stops[i].flipped))));
            [0, 1, 2, own, own + 1, own + 2, hour, dec]
        });
        let columns = columns.collect();
        Layout {
            columns,
            group,
            grip,
            usual,
        }
    }

    /// Numbers that may be anything.
    pub fn free_numbers(&self) -> f64 {
        self.usual
            .iter()
            .filter(|usual| **usual == ANYTHING)
            .count() as f64
    }

    /// The numbers of another layout, for this one.
    pub fn carry(&self, other: &Layout, numbers: &DVector<f64>) -> DVector<f64> {
        let mut carried = DVector::zeros(self.usual.len());
        for (mine, theirs) in self.columns.iter().zip(&other.columns) {
            for (to, from) in mine.iter().zip(theirs) {
                carried[*to] = numbers[*from];
            }
        }
        carried
    }

    fn terms(&self, stop: usize, numbers: &DVector<f64>) -> Terms {
        Terms::of_numbers(self.columns[stop].map(|column| numbers[column]))
    }
}

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
    usual: [f64; 2],
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
fn kind(k: usize) -> usize {
    usize::from(k == 2)
}

/// Normal equations.
struct Normal {
    /// By kind of data, each divided by its variance.
    parts: [DMatrix<f64>; 2],
    prior: DVector<f64>,
    right: DVector<f64>,
    /// Values by kind.
    count: [f64; 2],
}

/// What a linear step leads to.
pub struct Solved {
    /// To be added to the numbers.
    pub step: DVector<f64>,
    /// Covariance of the numbers.
    pub inverse: DMatrix<f64>,
    normal: Normal,
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
    fn huber(&self, k: usize, sigma: f64) -> f64 {
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

/// A fit that has settled.
#[derive(Debug, Clone)]
pub struct Fit {
    /// The numbers, in the order of its layout.
    pub numbers: DVector<f64>,
    /// Their covariance.
    pub covariance: DMatrix<f64>,
    /// Of the data alone, without what is usual: the inverse of a covariance.
    pub information: DMatrix<f64>,
    /// Part of each variance that comes from each kind of data.
    parts: [DVector<f64>; 2],
    /// Scatter of each kind, in units of the usual.
    pub scale: [f64; 2],
    /// Degrees of freedom by kind, with what the usual counts for.
    pub freedom: [f64; 2],
    /// Sums of squares by kind, in units of the usual, with what the usual counts for.
    pub squares: [f64; 2],
    /// Values by kind.
    pub count: [f64; 2],
    /// Which number is which.
    pub layout: Layout,
}

impl Fit {
    /// Degrees of freedom of the error of a number (Welch 1947, Satterthwaite 1946).
    pub fn freedom_of(&self, number: usize) -> f64 {
        let whole = self.covariance[(number, number)];
        let wobble: f64 = (0..2)
            .map(|k| self.parts[k][number].powi(2) / self.freedom[k])
            .sum();
        (whole * whole / wobble.max(f64::MIN_POSITIVE)).min(1e6)
    }

    /// Standard deviation that is usual for a number.
    pub fn usual(&self, number: usize) -> f64 {
        self.layout.usual[number]
    }

    /// The terms of the first field.
    pub fn terms(&self) -> Terms {
        self.layout.terms(0, &self.numbers)
    }

    /// Root mean square of a kind of data, radians.
    pub fn scatter(&self, kind: usize) -> f64 {
        self.scale[kind] * USUAL[kind]
    }
}

/// Fits until nothing moves. `None` where nothing can be fitted.
pub fn settle(stops: &[Stop], zenith: Vector3<f64>, layout: &Layout, look: Look) -> Option<Fit> {
    let mut numbers = start(stops, zenith, layout);
    // Wide at first: far from the solution everything is an outlier.
    let mut scale = [100.0; 2];
    let mut last = None;
    for round in 0..ROUNDS {
        let lines = lines(stops, zenith, layout, look, &numbers);
        let solved = solve(&lines, layout, look, &numbers, scale, round > 1)?;
        let (squares, freedom) = squares_and_freedom(&solved, &lines, layout, scale);
        scale = [0, 1].map(|k| (squares[k] / freedom[k]).sqrt());
        let size = solved.step.amax();
        numbers += &solved.step * (0.3 / size.max(0.3));
        last = Some((solved, squares, freedom));
    }
    let (solved, squares, freedom) = last?;
    let part = |k: usize| (&solved.inverse * &solved.normal.parts[k] * &solved.inverse).diagonal();
    Some(Fit {
        numbers,
        parts: [part(0), part(1)],
        information: &solved.normal.parts[0] + &solved.normal.parts[1],
        covariance: solved.inverse,
        scale,
        freedom,
        squares,
        count: solved.normal.count,
        layout: layout.clone(),
    })
}

/// Sums of squares after a step, in units of the usual, and degrees of freedom, by kind.
fn squares_and_freedom(
    solved: &Solved,
    lines: &[Line],
    layout: &Layout,
    scale: [f64; 2],
) -> ([f64; 2], [f64; 2]) {
    let mut squares = [USUAL_COUNTS; 2];
    for (i, line) in lines.iter().enumerate() {
        let rest = line.after(&layout.columns[i], &solved.step);
        for k in 0..3 {
            let usual = line.usual[kind(k)];
            let huber = line.huber(k, scale[kind(k)] * usual);
            squares[kind(k)] += huber * (rest[k].unwrap_or(0.0) / usual).powi(2);
        }
    }
    (squares, solved.freedom().map(|f| f + USUAL_COUNTS))
}

/// The camera's turn in each grip, everything else zero.
fn start(stops: &[Stop], zenith: Vector3<f64>, layout: &Layout) -> DVector<f64> {
    let mut numbers = DVector::zeros(layout.usual.len());
    for (i, stop) in stops.iter().enumerate().rev() {
        if let Some(turn) = stop.turn(&Terms::default(), zenith) {
            numbers[layout.columns[i][5]] = turn;
        }
    }
    numbers
}
