//! A rendered field as a frame, for benches and tests.

use nightfix::frame::{Clues, Frame, Pixels};
use sample_fields::{FieldSpec, Truth, render};

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
