//! Catalogues in, star-index out.
//!
//! [`catalogue`] reads stars, [`select`] thins them to bands of even density, [`choose`] picks
//! the quads, [`build`] lays both out as a star-index, [`coverage`] measures by Monte Carlo how
//! many fields of a given width it can recognise.

pub mod build;
pub mod catalogue;
pub mod choose;
pub mod coverage;
pub mod select;
