//! Robust least squares over the fields of a night, with the scatter of both kinds of data found
//! from the data themselves.

use super::layout::Layout;
use super::linear::{Line, Look, Solved, USUAL, kind, lines, solve};
use super::model::Terms;
use super::stops::Stop;
use nalgebra::{DMatrix, DVector, Vector3};

/// Rounds of improvement; it settles in four or five.
const ROUNDS: usize = 10;
/// Values of its kind that the usual scatter stands for.
const USUAL_COUNTS: f64 = 1.0;

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
    let mut numbers = start(stops, zenith, layout, look);
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

/// The camera's turn in each grip, if that counts, everything else zero. A number that no datum speaks
/// of has to begin where its prior has it: a step back to there would outweigh all others.
fn start(stops: &[Stop], zenith: Vector3<f64>, layout: &Layout, look: Look) -> DVector<f64> {
    let mut numbers = DVector::zeros(layout.usual.len());
    if !look.turn {
        return numbers;
    }
    for (i, stop) in stops.iter().enumerate().rev() {
        if let Some(turn) = stop.turn(&Terms::default(), zenith) {
            numbers[layout.columns[i][5]] = turn;
        }
    }
    numbers
}
