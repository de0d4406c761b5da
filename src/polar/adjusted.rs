//! What is left after the screws of the mount were turned, from one more frame.
//!
//! The screws turn the mount by B = R(zenith, p) R(h, q), where h is horizontal and at right angles
//! to the axis as it was. Meanwhile the RA axis turns by some angle f, by tracking or not at all:
//! from the last frame to the new one the camera turns by B R(a, f). Three numbers for the three
//! of a rotation; the axis is then B a.

use super::attitude::Sight;
use super::axis::{Held, sideways, vector_of};
use super::judge::{AxisError, Conditions, Finding, KNOWN, Trouble, attitudes, axis_error, pole};
use nalgebra::{Matrix2, Matrix3, Rotation3, Unit, Vector3};

/// The axis after the screws were turned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Adjusted {
    /// Off the pole now.
    pub error: AxisError,
    /// Turn of the RA axis between the two frames, degrees: a quarter of a degree per minute with
    /// tracking.
    pub ra_turned_deg: f64,
}

/// Judges `new`, taken after the screws were turned and without moving the RA axis (tracking does
/// no harm); `last` is the last frame of `finding`.
///
/// # Errors
///
/// No site, or frames that do not fit together.
pub fn adjusted(
    finding: &Finding,
    last: &Sight,
    new: &Sight,
    conditions: &Conditions,
) -> Result<Adjusted, Trouble> {
    let site = conditions.site.ok_or_else(|| {
        "without the site nobody knows which way the screws turn the mount: give --site".to_owned()
    })?;
    let held = attitudes(&[last.clone(), new.clone()], &conditions.air(1.0))?;
    let (sin, cos) = site.latitude_deg.to_radians().sin_cos();
    let zenith = Vector3::new(cos, 0.0, sin);
    let no_way =
        || Trouble::from("the frame after turning the screws fits no turn of them".to_owned());
    let (axis, ra) = solve(&held, finding.axis, zenith).ok_or_else(no_way)?;
    let covariance = covariance(&held, finding, zenith, axis).ok_or_else(no_way)?;
    let jd = new.jd_utc.unwrap_or_default();
    let pole = pole(conditions, jd, finding.north).ok_or_else(no_way)?;
    Ok(Adjusted {
        error: axis_error(
            axis,
            covariance,
            KNOWN,
            pole,
            conditions.site,
            finding.north,
        ),
        ra_turned_deg: ra.to_degrees(),
    })
}

/// The axis after the turn of the screws, and the turn about it. By Newton's method.
fn solve(held: &[Held], axis: Vector3<f64>, zenith: Vector3<f64>) -> Option<(Vector3<f64>, f64)> {
    let turn = held[1].attitude * held[0].attitude.inverse();
    let level = Unit::try_new(axis.cross(&zenith), 1e-6)?;
    let (zenith, about) = (Unit::new_normalize(zenith), Unit::new_normalize(axis));
    let screws = |x: &Vector3<f64>| {
        Rotation3::from_axis_angle(&zenith, x[0]) * Rotation3::from_axis_angle(&level, x[1])
    };
    let off = |x: &Vector3<f64>| {
        vector_of(&(turn.inverse() * screws(x) * Rotation3::from_axis_angle(&about, x[2])))
    };
    let mut x = Vector3::new(0.0, 0.0, vector_of(&turn).dot(&axis));
    for _ in 0..30 {
        let here = off(&x);
        let mut jacobian = Matrix3::zeros();
        for k in 0..3 {
            let mut near = x;
            near[k] += 1e-6;
            jacobian.set_column(k, &((off(&near) - here) / 1e-6));
        }
        let step = jacobian.try_inverse()? * here;
        x -= step;
        if step.amax() < 1e-12 {
            return Some((screws(&x) * axis, x[2]));
        }
    }
    None
}

/// That of the old axis, and the errors of both frames, carried through by differences.
fn covariance(
    held: &[Held],
    finding: &Finding,
    zenith: Vector3<f64>,
    axis: Vector3<f64>,
) -> Option<Matrix2<f64>> {
    const NUDGE: f64 = 1e-6;
    let flat = |v: Vector3<f64>| {
        let [a, b] = sideways(axis).map(|d| d.dot(&(v - axis)) / NUDGE);
        nalgebra::Vector2::new(a, b)
    };
    let [u, v] = sideways(finding.axis);
    let mut old = Matrix2::zeros();
    for (k, d) in [u, v].into_iter().enumerate() {
        let moved = (finding.axis + d * NUDGE).normalize();
        old.set_column(k, &flat(solve(held, moved, zenith)?.0));
    }
    let mut sum = old * finding.covariance * old.transpose();
    for frame in 0..2 {
        for k in 0..3 {
            let mut nudged = held.to_vec();
            let mut by = Vector3::zeros();
            by[k] = NUDGE;
            nudged[frame].attitude *= Rotation3::from_scaled_axis(by);
            let shift = flat(solve(&nudged, finding.axis, zenith)?.0);
            let error = [
                held[frame].centre_error,
                held[frame].centre_error,
                held[frame].turn_error,
            ][k];
            sum += shift * shift.transpose() * (error * error);
        }
    }
    Some(sum)
}
