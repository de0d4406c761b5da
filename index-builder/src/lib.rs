//! Catalogues in, star-index out.
//!
//! [`catalogue`] reads stars, [`select`] thins them to bands of even density, [`choose`] picks
//! the quads, [`build`] lays both out as a star-index, [`coverage`] measures by Monte Carlo how
//! many fields of a given width it can recognise. [`deep`] does the same for catalogues of any
//! size and for parts of the sky, [`expected`] says beforehand what that takes,
//! [`tap`] fetches the stars from a catalogue service.

pub mod build;
pub mod catalogue;
pub mod choose;
#[cfg(feature = "cli")]
pub mod cli;
pub mod coverage;
#[cfg(feature = "deep")]
pub mod deep;
#[cfg(feature = "deep")]
pub mod expected;
mod repeats;
pub mod select;
#[cfg(feature = "deep")]
pub mod synthetic;
#[cfg(feature = "tap")]
pub mod tap;
#[cfg(feature = "deep")]
mod whole;
