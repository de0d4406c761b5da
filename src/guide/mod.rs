//! What a solved frame means for the next step of the mount: where a target lies, which star is
//! good to focus on, how to repeat an earlier framing.
//!
//! Takes solutions, gives figures. Positions are ICRS, angles true angles on the sky.

mod focus;
mod framing;
mod target;

pub use focus::{FocusStar, MagnitudeRange, NoFocusStar, focus_star};
pub use framing::{Framing, framing, outline};
pub use target::{Whereabouts, pixel_of, whereabouts};
