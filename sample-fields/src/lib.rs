//! Renders frames of the real night sky with known truth.
//!
//! For demonstration and for tests: a field goes in ([`FieldSpec`]), pixels and where they point
//! come out ([`Field`]). Nothing here is shared with the solver or with the index builder: the
//! catalogue reader, the projection and the FITS writer are written a second time on purpose, so
//! that a mistake in one of them shows.
//!
//! Pixels inside are 0-based with the integer at the centre, in stored order (first stored row is
//! y = 0). Truth speaks in FITS pixels: the centre of the first stored pixel is (1, 1).
//!
//! The same request gives the same bytes on every run and platform.

#![forbid(unsafe_code)]

mod catalogue;
mod demo;
mod error;
mod formats;
pub mod observatory;
mod paint;
mod projection;
mod render;
mod spec;
mod stars;

pub use catalogue::{Catalogue, Star};
pub use demo::{DemoFrame, FRAMES, demo_frames, regenerate};
pub use error::Error;
pub use formats::{
    Card, fits_bytes, gzip_bytes, jpeg_bytes, png_bytes, stretched_png_bytes, tiff_bytes,
    write_atomically, write_field,
};
pub use projection::TangentFrame;
pub use render::{Field, render};
pub use spec::{Channels, Content, FieldSpec, Psf, Truth};
