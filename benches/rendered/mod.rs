//! Rendered frames with known truth, for the benches.

mod field;

use field::frame_of;
use nightfix::frame::Frame;
use sample_fields::{FieldSpec, Truth};

/// A field of the winter Milky Way's edge, `width_deg` wide, 3:2.
pub fn frame(width_deg: f64, width_px: usize) -> (Frame, Truth) {
    frame_of(&FieldSpec {
        width_px,
        height_px: width_px * 2 / 3,
        rotation_deg: 34.0,
        ..FieldSpec::new(92.41, 23.78, width_deg)
    })
}

/// Distance of a centre from the truth, pixels (the frame lies far from the poles).
pub fn off_px(centre_deg: [f64; 2], truth: &Truth) -> f64 {
    let east = (centre_deg[0] - truth.ra_deg) * truth.dec_deg.to_radians().cos();
    let north = centre_deg[1] - truth.dec_deg;
    east.hypot(north) * 3600.0 / truth.scale_arcsec_per_px
}
