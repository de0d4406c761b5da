//! A frame from a buffer of pixels.

use nightfix::frame::{Clues, Frame, Pixels};
use pyo3::buffer::PyBuffer;
use pyo3::exceptions::{PyTypeError, PyValueError};
use pyo3::prelude::*;
use std::path::PathBuf;

/// What a file would have said about its pixels.
#[derive(FromPyObject)]
#[pyo3(from_item_all)]
pub struct Claims {
    /// They are of a colour mosaic, or are not; `None`: that is looked for.
    mosaic: Option<bool>,
    first_row_on_top: bool,
    /// Stretched or lossy.
    nonlinear: bool,
    /// Middle of the exposure, Julian date UTC.
    mid_jd_utc: Option<f64>,
}

/// Copies the pixels: they may change under other threads while the frame is solved.
pub fn frame(object: &Bound<PyAny>, claims: &Claims) -> PyResult<Frame> {
    let (pixels, [height, width]) = if let Ok(buffer) = PyBuffer::<u8>::get(object) {
        (
            Pixels::U8(buffer.to_vec(object.py())?),
            shape(buffer.shape())?,
        )
    } else if let Ok(buffer) = PyBuffer::<u16>::get(object) {
        (
            Pixels::U16(buffer.to_vec(object.py())?),
            shape(buffer.shape())?,
        )
    } else if let Ok(buffer) = PyBuffer::<f32>::get(object) {
        (
            Pixels::F32(buffer.to_vec(object.py())?),
            shape(buffer.shape())?,
        )
    } else {
        return Err(PyTypeError::new_err(
            "pixels are a buffer of uint8, uint16 or float32 in this machine's byte order",
        ));
    };
    Ok(Frame {
        path: PathBuf::new(),
        width,
        height,
        pixels,
        mosaic_stated: claims.mosaic,
        first_row_on_top: claims.first_row_on_top,
        orientation: 1,
        nonlinear: claims.nonlinear,
        clues: Clues {
            mid_jd_utc: claims.mid_jd_utc,
            ..Clues::default()
        },
    })
}

fn shape(shape: &[usize]) -> PyResult<[usize; 2]> {
    match *shape {
        [height, width] if height > 0 && width > 0 => Ok([height, width]),
        _ => Err(PyValueError::new_err(format!(
            "a frame has two dimensions, y and x, and not the shape {shape:?}"
        ))),
    }
}
