//! The mount as geometry: from the angles of its two axes to how it holds the camera, and back.

use nalgebra::{Rotation3, Unit, Vector3};

/// Numbers of [`Terms`].
pub const LOCAL: usize = 8;

/// Step of the numerical derivatives, radians.
pub const NUDGE: f64 = 1e-6;

/// What a mount is off, as it counts for one field. Radians.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Terms {
    /// Tilt of the hour axis, the first two components of a rotation vector.
    pub tilt: [f64; 2],
    /// How far the tube hangs at the horizon.
    pub droop: f64,
    /// The line of sight leans along the declination axis: the cone that it describes is no plane.
    pub cone: f64,
    /// The declination axis leans along the hour axis.
    pub square: f64,
    /// Turn of the camera about the line of sight.
    pub roll: f64,
    /// What the mount takes for zero, in hour angle and in declination.
    pub index: [f64; 2],
}

impl Terms {
    /// In the order in which the fit counts them.
    pub fn numbers(&self) -> [f64; LOCAL] {
        let [x, y] = self.tilt;
        let [h, d] = self.index;
        [x, y, self.droop, self.cone, self.square, self.roll, h, d]
    }

    /// The reverse of [`Terms::numbers`].
    pub fn of_numbers([x, y, droop, cone, square, roll, h, d]: [f64; LOCAL]) -> Terms {
        Terms {
            tilt: [x, y],
            droop,
            cone,
            square,
            roll,
            index: [h, d],
        }
    }

    /// With one number a little larger.
    pub fn nudged(&self, which: usize) -> Terms {
        let mut numbers = self.numbers();
        numbers[which] += NUDGE;
        Terms::of_numbers(numbers)
    }

    /// The upper end of the hour axis, or the lower one in the south.
    pub fn axis(&self) -> Vector3<f64> {
        self.lean() * Vector3::z()
    }

    fn lean(&self) -> Rotation3<f64> {
        Rotation3::new(Vector3::new(self.tilt[0], self.tilt[1], 0.0))
    }

    /// How the mount holds the camera when its axes stand at `hour` and `dec`: line of sight, right
    /// and up as columns. The tube does not hang yet.
    fn rigid(&self, hour: f64, dec: f64) -> Rotation3<f64> {
        self.lean()
            * about(Vector3::z_axis(), -hour)
            * about(Vector3::x_axis(), self.square)
            * about(Vector3::y_axis(), -dec)
            * about(Vector3::z_axis(), self.cone)
            * about(Vector3::x_axis(), self.roll)
    }

    /// Where the tube looks whose mount was sent to this hour angle and declination.
    pub fn sight(
        &self,
        [hour, dec]: [f64; 2],
        flipped: bool,
        zenith: Vector3<f64>,
    ) -> Vector3<f64> {
        let [hour, dec] = if flipped {
            over(hour, dec)
        } else {
            [hour, dec]
        };
        let straight = self.rigid(hour + self.index[0], dec + self.index[1]) * Vector3::x();
        hang(straight, zenith, self.droop) * straight
    }

    /// How the camera must lie when the tube looks at `sight`: up of the camera. `None` where the
    /// axes cannot bring it there.
    pub fn up(
        &self,
        sight: Vector3<f64>,
        flipped: bool,
        zenith: Vector3<f64>,
    ) -> Option<Vector3<f64>> {
        // The tube hangs by so little that it does not matter from where it is counted.
        let hung = hang(sight, zenith, self.droop);
        let inner = self.lean().inverse() * (hung.inverse() * sight);
        let (sin_c, cos_c) = self.cone.sin_cos();
        let (sin_p, cos_p) = self.square.sin_cos();
        let sin_dec = (inner.z - sin_c * sin_p) / (cos_c * cos_p);
        if !(sin_dec.abs() < 1.0) {
            return None;
        }
        let dec = match flipped {
            false => sin_dec.asin(),
            true => std::f64::consts::PI - sin_dec.asin(),
        };
        let level = about(Vector3::x_axis(), self.square)
            * about(Vector3::y_axis(), -dec)
            * Vector3::new(cos_c, sin_c, 0.0);
        let hour = level.y.atan2(level.x) - inner.y.atan2(inner.x);
        Some(hung * (self.rigid(hour, dec) * Vector3::z()))
    }
}

/// The axes of a mount that looks at the same place past its pole.
fn over(hour: f64, dec: f64) -> [f64; 2] {
    let half = std::f64::consts::PI;
    [hour + half, half - dec]
}

fn about(axis: Unit<Vector3<f64>>, angle: f64) -> Rotation3<f64> {
    Rotation3::from_axis_angle(&axis, angle)
}

/// Down the vertical by `droop` times the sine of the zenith distance (Hooke's law).
fn hang(sight: Vector3<f64>, zenith: Vector3<f64>, droop: f64) -> Rotation3<f64> {
    Rotation3::new(zenith.cross(&sight) * droop)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What `sight` does, `up` undoes: the camera lies as the axes hold it.
    #[test]
    fn there_and_back() {
        let terms = Terms::of_numbers([0.02, -0.03, 0.0, 0.01, -0.004, 0.7, 0.0, 0.0]);
        let zenith = Vector3::new(0.6, 0.0, 0.8);
        for (hour, dec) in [(0.3, 0.5), (-1.2, -0.4), (2.0, 1.3)] {
            for flipped in [false, true] {
                let sight = terms.sight([hour, dec], flipped, zenith);
                let [h, d] = if flipped {
                    over(hour, dec)
                } else {
                    [hour, dec]
                };
                let up = terms.rigid(h, d) * Vector3::z();
                let back = terms.up(sight, flipped, zenith).unwrap();
                assert!((up - back).norm() < 1e-12, "{hour} {dec} {flipped}");
            }
        }
    }
}
