//! Pictures of screens: where in them the sky is.

mod panels;
mod sky_part;

pub(super) use sky_part::SkyPart;
