//! Rendered frames with known truth, for benches and tests.

use nightfix::frame::{Clues, Frame, Pixels};
use sample_fields::{FieldSpec, Truth, render};

/// A field of the winter Milky Way's edge, `width_deg` wide, 3:2.
#[allow(dead_code)]
pub fn frame(width_deg: f64, width_px: usize) -> (Frame, Truth) {
    frame_of(&FieldSpec {
        width_px,
        height_px: width_px * 2 / 3,
        rotation_deg: 34.0,
        ..FieldSpec::new(92.41, 23.78, width_deg)
    })
}

/// The frame of a field, without a word in its header.
pub fn frame_of(spec: &FieldSpec) -> (Frame, Truth) {
    let field = render(spec).expect("a possible field");
    let frame = Frame {
        path: "rendered".into(),
        width: field.truth.width_px,
        height: field.truth.height_px,
        pixels: Pixels::U16(field.pixels),
        mosaic_stated: None,
        first_row_on_top: false,
        orientation: 1,
        nonlinear: false,
        clues: Clues::default(),
    };
    (frame, field.truth)
}

/// Distance of a centre from the truth, pixels (the frame lies far from the poles).
#[allow(dead_code)]
pub fn off_px(centre_deg: [f64; 2], truth: &Truth) -> f64 {
    let east = (centre_deg[0] - truth.ra_deg) * truth.dec_deg.to_radians().cos();
    let north = centre_deg[1] - truth.dec_deg;
    east.hypot(north) * 3600.0 / truth.scale_arcsec_per_px
}
