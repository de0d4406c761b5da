//! Where the hour axis of a mount points, from frames between which only that axis turned.
//!
//! # Geometry
//!
//! The solution of a frame says which ICRS direction each pixel sees. ERFA takes these to the
//! ground (`apco13`, `atciq`, `atioq`: precession, nutation, aberration, Earth rotation, and
//! refraction where the site is known), in axes that turn with the Earth: the third is the north
//! celestial pole, the first lies on the meridian of the site, the second in the east. The
//! rotation A(k) that brings the camera's axes nearest to the directions seen over a grid of
//! pixels (Kabsch 1976, Acta Cryst. A32, 922) is the attitude of the camera in frame k; the shear
//! by refraction drops out, and what is fixed in the camera (distortion, its own orientation)
//! turns with it and does not matter.
//!
//! A rigid mount that turns about one axis a, by tracking or by hand, holds the camera at
//!
//! ```text
//! A(k) = R(a, t(k)) X,    t(0) = 0
//! ```
//!
//! with the attitude X of the first frame. The two numbers of a, the three of X and the angles
//! t(k) are fitted by least squares to all attitudes, each weighted with the error of its centre
//! and of its turn. Two frames give the axis and no check; from three on there are 2n - 4 numbers
//! too many. A move in declination between two frames is one number more, a turn about
//! a x (direction of the centre). The covariance of a is that of the fit, and what is not known of
//! the refraction is added.

pub mod across;
mod adjusted;
mod attitude;
mod axis;
mod judge;

pub use adjusted::{Adjusted, adjusted};
pub use attitude::Sight;
use axis::sideways;
pub use judge::{AxisError, Conditions, Finding, Pole, Trouble, find};
