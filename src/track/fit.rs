//! Fits rotations of a mount to what a camera saw: one rotation matrix per frame, no small-angle
//! formula in the prediction.
//!
//! A mount that only turns about its hour axis keeps `T Rz(-w t) T'` times what it held at the
//! start of a run, where `T` tilts the pole onto the axis. On the small deviations of the ones
//! from the others this gives the well-known drift formulas of a misaligned mount (Challis 1879;
//! King 1902; Hook 1989, J. Brit. Astron. Assoc. 99, 19: sources from memory); the tests compare
//! both.

use super::attitude::Attitude;
use crate::robust::{SIGMA_PER_MAD, independent_share, median};
use nalgebra::{DMatrix, DVector, Matrix3, Rotation3, Vector3};

/// Turn of the Earth against the stars, radians per minute of UT1: 1.002737811911354 turns a day
/// (IAU 2000, ERFA `era00`).
pub const EARTH_RAD_PER_MIN: f64 = std::f64::consts::TAU * 1.002_737_811_911_354_6 / 1440.0;

/// What may move a camera besides tracking. Several may do so at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Cause {
    /// The hour axis does not point at the pole: two angles.
    Axis,
    /// The hour axis turns too fast or too slow.
    Rate,
    /// A steady motion in declination.
    Creep,
    /// The tube hangs: a shift along the vertical that grows with the sine of the zenith
    /// distance (Hooke's law).
    Sag,
}

impl Cause {
    /// All of them.
    pub const ALL: [Cause; 4] = [Cause::Axis, Cause::Rate, Cause::Creep, Cause::Sag];

    /// Numbers that it needs.
    pub fn parameters(self) -> usize {
        if self == Cause::Axis { 2 } else { 1 }
    }
}

/// One frame of one run, for the fit.
#[derive(Debug, Clone, Copy)]
pub struct Sample<'a> {
    /// What was seen.
    pub attitude: &'a Attitude,
    /// Number of the run.
    pub run: usize,
    /// Minutes since the run began.
    pub minutes: f64,
}

/// What a set of causes makes of a night.
#[derive(Debug, Clone)]
pub struct Fit {
    /// The causes in it.
    pub causes: Vec<Cause>,
    /// Tilt of the hour axis as a rotation vector (first two components), radians.
    pub tilt: [f64; 2],
    /// What the hour axis turns beyond the Earth's turn, radians per minute.
    pub rate: f64,
    /// Steady motion towards north, radians per minute.
    pub creep: f64,
    /// Shift towards the zenith at the horizon, radians.
    pub sag: f64,
    /// Covariance of `tilt`, `rate`, `creep`, `sag` in this order, those not fitted left out.
    pub covariance: DMatrix<f64>,
    /// Seen minus fitted: east, north and turn (north through east), radians, one per sample.
    pub residuals: Vec<[f64; 3]>,
    /// Standard deviation of the residuals, centre per axis and turn, radians.
    pub sigma: [f64; 2],
    /// Independent values per value, from the memory of the residuals.
    pub independent: f64,
}

impl Fit {
    fn parameters(&self) -> Vec<f64> {
        let mut list = Vec::new();
        for cause in &self.causes {
            match cause {
                Cause::Axis => list.extend(self.tilt),
                Cause::Rate => list.push(self.rate),
                Cause::Creep => list.push(self.creep),
                Cause::Sag => list.push(self.sag),
            }
        }
        list
    }

    fn set(&mut self, values: &[f64]) {
        let mut next = values.iter().copied();
        let mut take = || next.next().unwrap_or(0.0);
        for cause in self.causes.clone() {
            match cause {
                Cause::Axis => self.tilt = [take(), take()],
                Cause::Rate => self.rate = take(),
                Cause::Creep => self.creep = take(),
                Cause::Sag => self.sag = take(),
            }
        }
    }

    /// Place of the first number of `cause` among the fitted ones.
    pub fn place_of(&self, cause: Cause) -> Option<usize> {
        let at = self.causes.iter().position(|c| *c == cause)?;
        Some(self.causes[..at].iter().map(|c| c.parameters()).sum())
    }

    /// Standard error of the `k`-th number of `cause`.
    pub fn error_of(&self, cause: Cause, k: usize) -> Option<f64> {
        let at = self.place_of(cause)? + k;
        Some(self.covariance.get((at, at))?.max(0.0).sqrt())
    }

    /// Where the mount would point `minutes` into a run that began with `first`, had it only the
    /// causes of this fit.
    pub fn predict(&self, first: &Rotation3<f64>, now: &Attitude, minutes: f64) -> Rotation3<f64> {
        let motion = self.motion(now, minutes);
        motion.sag * motion.creep * motion.tracked * first
    }

    fn motion(&self, now: &Attitude, minutes: f64) -> Motion {
        let tilt = Rotation3::new(Vector3::new(self.tilt[0], self.tilt[1], 0.0));
        let turn = -(EARTH_RAD_PER_MIN + self.rate) * minutes;
        let [east, _, centre] = now.basis;
        Motion {
            tilt,
            tracked: tilt * Rotation3::from_axis_angle(&Vector3::z_axis(), turn) * tilt.inverse(),
            creep: Rotation3::new(-east * (self.creep * minutes)),
            sag: now.zenith.map_or_else(Rotation3::identity, |z| {
                Rotation3::new(centre.cross(&z) * self.sag)
            }),
        }
    }
}

/// Rounds of improvement; the problem is nearly linear and settles in three or four.
const ROUNDS: usize = 14;
/// Residuals beyond this many standard deviations weigh less (Huber 1964; from 1.5 to 3 in common
/// practice).
const HUBER: f64 = 2.5;
/// Tubes hang by an arc minute or two at most (common practice): a normal prior of two keeps the
/// sag from taking up what other motions leave.
const SAG_RAD: f64 = 2.0 / 60.0 * std::f64::consts::PI / 180.0;
/// Relative size of a pivot below which numbers cannot be told apart.
const SINGULAR: f64 = 1e-12;

/// Which part of what was seen a fit looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Centres and turns, each with the weight that its residuals deserve.
    Both,
    /// Centres only.
    Centres,
    /// Turns only.
    Turns,
}

impl Look {
    /// Factors on the weights of centres and turns: what is not looked at keeps just enough to
    /// hold the runs' starts.
    fn weights(self) -> [f64; 2] {
        const BLIND: f64 = 1e-6;
        match self {
            Look::Both => [1.0, 1.0],
            Look::Centres => [1.0, BLIND],
            Look::Turns => [BLIND, 1.0],
        }
    }
}

/// Fits `causes` to the samples of `runs` runs; every run starts with an orientation of its own.
/// `None` where the samples cannot tell the numbers apart, or are fewer than the numbers.
pub fn fit(samples: &[Sample<'_>], runs: usize, causes: &[Cause], look: Look) -> Option<Fit> {
    let count: usize = causes.iter().map(|c| c.parameters()).sum();
    if samples.len() * 3 < count + 3 * runs + 3 {
        return None;
    }
    if causes.contains(&Cause::Sag) && samples.iter().any(|s| s.attitude.zenith.is_none()) {
        return None;
    }
    let mut first: Vec<Option<Rotation3<f64>>> = vec![None; runs];
    for sample in samples {
        first[sample.run].get_or_insert(sample.attitude.seen);
    }
    let mut first: Vec<Rotation3<f64>> = first
        .into_iter()
        .map(|f| f.unwrap_or_else(Rotation3::identity))
        .collect();
    let floor = [
        median(samples.iter().map(|s| s.attitude.centre_error))?,
        median(samples.iter().map(|s| s.attitude.turn_error))?,
    ];
    let freedom = 1.0 - (count + 3 * runs) as f64 / (3 * samples.len()) as f64;
    let mut fit = Fit {
        causes: causes.to_vec(),
        tilt: [0.0; 2],
        rate: 0.0,
        creep: 0.0,
        sag: 0.0,
        covariance: DMatrix::zeros(count, count),
        residuals: Vec::new(),
        sigma: [10.0 * floor[0], 10.0 * floor[1]],
        independent: 1.0,
    };
    for _ in 0..ROUNDS {
        fit.residuals = residuals(&fit, samples, &first);
        fit.sigma = sigma(&fit.residuals, floor, freedom);
        let normal = Normal::of(&fit, samples, runs, look);
        let Step {
            common: step,
            starts,
            covariance,
        } = normal.solve()?;
        let values: Vec<f64> = fit
            .parameters()
            .iter()
            .zip(step.iter())
            .map(|(v, d)| v + d)
            .collect();
        fit.set(&values);
        fit.covariance = covariance;
        for (first, turn) in first.iter_mut().zip(starts) {
            *first = Rotation3::new(turn) * *first;
        }
    }
    fit.residuals = residuals(&fit, samples, &first);
    fit.sigma = sigma(&fit.residuals, floor, freedom);
    fit.independent = independent(&fit.residuals, samples, runs);
    Some(fit)
}

/// Bayesian information criterion (Schwarz 1978) of a fit if a share `independent` of its values is independent.
pub fn criterion(fit: &Fit, independent: f64) -> f64 {
    let n = fit.residuals.len() as f64 * independent;
    let parameters: usize = fit.causes.iter().map(|c| c.parameters()).sum();
    let [centre, turn] = fit.sigma;
    // Two values per frame for the centre, one for the turn; -2 log likelihood is n ln sigma^2.
    let prior = (fit.sag / SAG_RAD).powi(2);
    prior
        + 4.0 * n * centre.ln()
        + 2.0 * n * turn.ln()
        + parameters as f64 * (3.0 * n).max(2.0).ln()
}

fn residuals(fit: &Fit, samples: &[Sample<'_>], first: &[Rotation3<f64>]) -> Vec<[f64; 3]> {
    let one = |sample: &Sample<'_>| {
        let predicted = fit.predict(&first[sample.run], sample.attitude, sample.minutes);
        let turn = (sample.attitude.seen * predicted.inverse()).scaled_axis();
        let [east, north, centre] = sample.attitude.basis;
        // A turn w moves the centre c by w x c; about the line of sight it takes north away
        // from east.
        [turn.dot(&north), -turn.dot(&east), -turn.dot(&centre)]
    };
    samples.iter().map(one).collect()
}

/// Standard deviations of centre and turn, never below what the solver states.
fn sigma(residuals: &[[f64; 3]], floor: [f64; 2], freedom: f64) -> [f64; 2] {
    let huber = |values: &[f64]| {
        let mut sigma = SIGMA_PER_MAD * median(values.iter().map(|v| v.abs())).unwrap_or(0.0);
        for _ in 0..5 {
            // Clipped at 2.5 sigma, a normal distribution keeps 0.95 of its variance.
            let limit = HUBER * sigma;
            let sum: f64 = values.iter().map(|v| v.abs().min(limit).powi(2)).sum();
            sigma = (sum / values.len() as f64 / 0.954).sqrt().max(1e-12);
        }
        sigma / freedom.max(0.1).sqrt()
    };
    let centre: Vec<f64> = residuals.iter().flat_map(|r| [r[0], r[1]]).collect();
    let turn: Vec<f64> = residuals.iter().map(|r| r[2]).collect();
    [huber(&centre).max(floor[0]), huber(&turn).max(floor[1])]
}

/// Share of the residuals that is independent: the run-wise mean over the three components.
fn independent(residuals: &[[f64; 3]], samples: &[Sample<'_>], runs: usize) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for run in 0..runs {
        for k in 0..3 {
            let series: Vec<f64> = residuals
                .iter()
                .zip(samples)
                .filter(|(_, s)| s.run == run)
                .map(|(r, _)| r[k])
                .collect();
            sum += series.len() as f64 * independent_share(&series);
            weight += series.len() as f64;
        }
    }
    if weight > 0.0 { sum / weight } else { 1.0 }
}

/// Normal equations, those of the runs' starts eliminated block by block.
struct Normal {
    a: DMatrix<f64>,
    b: DVector<f64>,
    runs: Vec<(Matrix3<f64>, DMatrix<f64>, Vector3<f64>)>,
}

impl Normal {
    fn of(fit: &Fit, samples: &[Sample<'_>], runs: usize, look: Look) -> Normal {
        let count: usize = fit.causes.iter().map(|c| c.parameters()).sum();
        let mut normal = Normal {
            a: DMatrix::zeros(count, count),
            b: DVector::zeros(count),
            runs: vec![(Matrix3::zeros(), DMatrix::zeros(3, count), Vector3::zeros()); runs],
        };
        for (sample, residual) in samples.iter().zip(&fit.residuals) {
            let [east, north, centre] = sample.attitude.basis;
            // The residual as a rotation vector r. A prediction that turns by d leaves
            // log(exp(r) exp(-d)) = r - d - r x d / 2 to first order in d (Baker, Campbell,
            // Hausdorff). Without the last term a part that is hardly looked at would be bent by
            // the residuals of the other.
            let left = north * residual[0] - east * residual[1] - centre * residual[2];
            let seen = |d: Vector3<f64>| d + 0.5 * left.cross(&d);
            let rows = [north, -east, -centre];
            let (columns, own_columns) = columns(fit, sample);
            let columns: Vec<Vector3<f64>> = columns.into_iter().map(seen).collect();
            let start = Matrix3::from_columns(&own_columns.map(seen));
            for k in 0..3 {
                let sigma = fit.sigma[usize::from(k == 2)];
                let huber = (HUBER * sigma / residual[k].abs().max(1e-15)).min(1.0);
                let weight = huber * look.weights()[usize::from(k == 2)] / (sigma * sigma);
                let common = DVector::from_iterator(count, columns.iter().map(|c| rows[k].dot(c)));
                let own = start.transpose() * rows[k];
                normal.a += weight * &common * common.transpose();
                normal.b += weight * residual[k] * &common;
                let (block, cross, right) = &mut normal.runs[sample.run];
                *block += weight * own * own.transpose();
                *cross +=
                    weight * DVector::from_iterator(3, own.iter().copied()) * common.transpose();
                *right += weight * residual[k] * own;
            }
        }
        if let Some(at) = fit.place_of(Cause::Sag) {
            let weight = SAG_RAD.powi(-2);
            normal.a[(at, at)] += weight;
            normal.b[at] -= weight * fit.sag;
        }
        normal
    }

    /// `None` where the data do not determine them.
    fn solve(&self) -> Option<Step> {
        let (mut a, mut b) = (self.a.clone(), self.b.clone());
        let mut inverses = Vec::with_capacity(self.runs.len());
        for (block, cross, right) in &self.runs {
            let inverse = block.try_inverse()?;
            let dynamic = DMatrix::from_iterator(3, 3, inverse.iter().copied());
            a -= cross.transpose() * &dynamic * cross;
            b -= cross.transpose() * &dynamic * DVector::from_iterator(3, right.iter().copied());
            inverses.push(inverse);
        }
        // Unit diagonal: the numbers have different units.
        let diagonal = self.a.diagonal();
        let scale = diagonal.map(|d| if d > 0.0 { d.sqrt() } else { 1.0 });
        let scaled = DMatrix::from_fn(a.nrows(), a.ncols(), |i, j| a[(i, j)] / scale[i] / scale[j]);
        let smallest = |m: &DMatrix<f64>| {
            m.clone()
                .symmetric_eigenvalues()
                .iter()
                .copied()
                .fold(f64::INFINITY, f64::min)
        };
        if scaled.nrows() > 0 && !(smallest(&scaled) > SINGULAR) {
            return None;
        }
        let inverse = scaled.try_inverse()?;
        let covariance = DMatrix::from_fn(a.nrows(), a.ncols(), |i, j| {
            inverse[(i, j)] / scale[i] / scale[j]
        });
        let common = &covariance * &b;
        let starts = self
            .runs
            .iter()
            .zip(&inverses)
            .map(|((_, cross, right), inverse)| {
                let coupled = cross * &common;
                inverse * (right - Vector3::new(coupled[0], coupled[1], coupled[2]))
            })
            .collect();
        Some(Step {
            common,
            starts,
            covariance,
        })
    }
}

/// One step of the fit towards the least sum of squares.
struct Step {
    /// Change of the numbers that all runs share, those of the causes in order.
    common: DVector<f64>,
    /// Turns of the runs' starts, rotation vectors in radians.
    starts: Vec<Vector3<f64>>,
    /// Covariance of `common`.
    covariance: DMatrix<f64>,
}

/// How the predicted orientation turns (as a rotation vector) with each number of the causes, and
/// with a turn of the run's start.
fn columns(fit: &Fit, sample: &Sample<'_>) -> (Vec<Vector3<f64>>, [Vector3<f64>; 3]) {
    let [east, _, centre] = sample.attitude.basis;
    let Motion {
        tilt,
        tracked,
        creep,
        sag,
    } = fit.motion(sample.attitude, sample.minutes);
    let after = sag * creep;
    // Derivative of a rotation by its rotation vector: the left Jacobian, to first order.
    let lean = Vector3::new(fit.tilt[0], fit.tilt[1], 0.0);
    let leaning = |axis: Vector3<f64>| axis + 0.5 * lean.cross(&axis);
    let mut columns = Vec::new();
    for cause in &fit.causes {
        match cause {
            Cause::Axis => columns.extend([Vector3::x(), Vector3::y()].map(|axis| {
                let axis = leaning(axis);
                after * (axis - tracked * axis)
            })),
            Cause::Rate => columns.push(after * (tilt * -Vector3::z()) * sample.minutes),
            Cause::Creep => columns.push(sag * -east * sample.minutes),
            Cause::Sag => columns.push(
                sample
                    .attitude
                    .zenith
                    .map_or_else(Vector3::zeros, |z| centre.cross(&z)),
            ),
        }
    }
    let start = [Vector3::x(), Vector3::y(), Vector3::z()].map(|axis| after * (tracked * axis));
    (columns, start)
}

/// The rotations that a prediction is made of, the first to act first.
struct Motion {
    tilt: Rotation3<f64>,
    tracked: Rotation3<f64>,
    creep: Rotation3<f64>,
    sag: Rotation3<f64>,
}
