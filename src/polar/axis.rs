//! The axis about which a camera turned: least squares over attitudes.

use nalgebra::{DMatrix, DVector, Matrix2, Rotation3, Unit, UnitQuaternion, Vector3};

/// Steps of Gauss and Newton; a handful suffices.
const STEPS: usize = 30;
/// Step of the numerical derivatives, radians.
const NUDGE: f64 = 1e-6;

/// An attitude and its errors, radians.
#[derive(Debug, Clone, Copy)]
pub struct Held {
    pub attitude: Rotation3<f64>,
    pub centre_error: f64,
    pub turn_error: f64,
}

/// What a fit came to.
#[derive(Debug, Clone)]
pub struct AxisFit {
    pub axis: Vector3<f64>,
    /// Along [`sideways`] of the axis, radians squared.
    pub covariance: Matrix2<f64>,
    /// Turn of each frame about the axis, radians; 0 for the first.
    pub turns: Vec<f64>,
    /// Move in declination and its standard error, radians.
    pub moved: Option<[f64; 2]>,
    pub chi2: f64,
    pub freedom: usize,
    /// Root mean square of the residuals of the centres, radians.
    pub rms: f64,
}

/// Two directions across an axis, at right angles.
pub fn sideways(axis: Vector3<f64>) -> [Vector3<f64>; 2] {
    let other = if axis.z.abs() < 0.9 {
        Vector3::z()
    } else {
        Vector3::x()
    };
    let first = axis.cross(&other).normalize();
    [first, axis.cross(&first)]
}

/// The parameters of the model.
#[derive(Clone)]
struct Model {
    axis: Vector3<f64>,
    first: Rotation3<f64>,
    turns: Vec<f64>,
    moved: f64,
    /// The frame from which on `moved` counts.
    from: Option<usize>,
}

impl Model {
    fn nudged(&self, step: &DVector<f64>) -> Model {
        let [u, v] = sideways(self.axis);
        let mut next = self.clone();
        next.axis = (self.axis + u * step[0] + v * step[1]).normalize();
        next.first =
            Rotation3::from_scaled_axis(Vector3::new(step[2], step[3], step[4])) * self.first;
        let count = self.turns.len();
        for k in 1..count {
            next.turns[k] += step[4 + k];
        }
        if self.from.is_some() {
            next.moved += step[4 + count];
        }
        next
    }

    fn parameters(&self) -> usize {
        4 + self.turns.len() + usize::from(self.from.is_some())
    }

    /// Model minus attitude in camera axes, in units of the standard errors.
    fn residuals(&self, held: &[Held]) -> DVector<f64> {
        let axis = Unit::new_normalize(self.axis);
        let declination = Unit::new_normalize(self.axis.cross(&(self.first * Vector3::z())));
        let moved = Rotation3::from_axis_angle(&declination, self.moved) * self.first;
        let mut all = DVector::zeros(3 * held.len());
        for (k, h) in held.iter().enumerate() {
            let start = match self.from {
                Some(from) if k >= from => moved,
                _ => self.first,
            };
            let model = Rotation3::from_axis_angle(&axis, self.turns[k]) * start;
            let off = vector_of(&(h.attitude.inverse() * model));
            all[3 * k] = off.x / h.centre_error;
            all[3 * k + 1] = off.y / h.centre_error;
            all[3 * k + 2] = off.z / h.turn_error;
        }
        all
    }

    fn jacobian(&self, held: &[Held], here: &DVector<f64>) -> DMatrix<f64> {
        let count = self.parameters();
        let mut jacobian = DMatrix::zeros(here.len(), count);
        for p in 0..count {
            let mut step = DVector::zeros(count);
            step[p] = NUDGE;
            let column = (self.nudged(&step).residuals(held) - here) / NUDGE;
            jacobian.set_column(p, &column);
        }
        jacobian
    }
}

/// Rotation between two attitudes, about an axis of the ground: nothing where they are alike.
pub fn between(from: &Rotation3<f64>, to: &Rotation3<f64>) -> Vector3<f64> {
    vector_of(&(to * from.inverse()))
}

/// Axis times angle of a rotation. Of a matrix, the cosine tells the angle, which loses half of the
/// digits of a small one; a quaternion keeps them.
pub fn vector_of(rotation: &Rotation3<f64>) -> Vector3<f64> {
    UnitQuaternion::from_rotation_matrix(rotation).scaled_axis()
}

/// Fits the axis, on the side of `towards`, with a move in declination from frame `from` on where
/// that is asked. `None` where the attitudes do not determine it.
pub fn fit(held: &[Held], towards: Vector3<f64>, from: Option<usize>) -> Option<AxisFit> {
    let pairs = (0..held.len()).flat_map(|i| (0..i).map(move |j| (j, i)));
    let widest = pairs
        .map(|(j, i)| between(&held[j].attitude, &held[i].attitude))
        .max_by(|a, b| a.norm().total_cmp(&b.norm()))?;
    let axis = widest.try_normalize(1e-9)?;
    let axis = if axis.dot(&towards) < 0.0 {
        -axis
    } else {
        axis
    };
    let turns = held
        .iter()
        .map(|h| between(&held[0].attitude, &h.attitude).dot(&axis));
    let mut model = Model {
        axis,
        first: held[0].attitude,
        turns: turns.collect(),
        moved: 0.0,
        from,
    };
    let mut normal = DMatrix::zeros(0, 0);
    for _ in 0..STEPS {
        let here = model.residuals(held);
        let jacobian = model.jacobian(held, &here);
        normal = jacobian.transpose() * &jacobian;
        let step = normal
            .clone()
            .cholesky()?
            .solve(&(-(jacobian.transpose() * here)));
        let size = step.amax();
        if !size.is_finite() {
            return None;
        }
        // No further than the linear model carries.
        model = model.nudged(&(step * (0.3 / size.max(0.3))));
        if size < 1e-11 {
            break;
        }
    }
    let residuals = model.residuals(held);
    let inverse = normal.cholesky()?.inverse();
    let centres = held.iter().enumerate().map(|(k, h)| {
        (residuals[3 * k].powi(2) + residuals[3 * k + 1].powi(2)) * h.centre_error.powi(2)
    });
    let last = model.parameters() - 1;
    Some(AxisFit {
        axis: model.axis,
        covariance: inverse.fixed_view::<2, 2>(0, 0).into_owned(),
        moved: from.map(|_| [model.moved, inverse[(last, last)].sqrt()]),
        chi2: residuals.norm_squared(),
        freedom: (3 * held.len()).saturating_sub(model.parameters()),
        rms: (centres.sum::<f64>() / held.len() as f64).sqrt(),
        turns: model.turns,
    })
}
