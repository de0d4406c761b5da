//! Angles as people and headers write them: sexagesimal and decimal, in, and sexagesimal, out.

mod parse;
mod text;

pub use parse::{Angle, AngleUnit, parse_angle, parse_position};
pub use text::{format_dec, format_ra};

/// A position that was typed, and how it was understood.
#[derive(Debug, Clone, PartialEq)]
pub struct ParsedPosition {
    /// Right ascension, degrees, 0 to 360 (360 excluded).
    pub ra_deg: f64,
    /// Declination, degrees, -90 to 90.
    pub dec_deg: f64,
    /// One phrase for the user: the position in both notations and how it was read.
    pub understood: String,
    /// The object of that name, where a name was typed: `M 81`.
    pub name: Option<String>,
}

/// Why a text is no position; one sentence for the user.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct AngleError(pub(crate) String);
