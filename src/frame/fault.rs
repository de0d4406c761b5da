//! What goes wrong while a frame is read, before the file's name is put in front of it.

use super::FrameError;
use std::path::Path;

/// Largest number of pixels of a plane that is accepted: ten times today's largest sensors. A
/// claim above it is damage, not a camera.
pub(crate) const MAX_PIXELS: u64 = 1 << 30;

/// Expansion up to this many bytes needs no justification: an empty frame compresses a
/// thousandfold and must still open.
const FREE_EXPANSION_BYTES: u64 = 256 << 20;

/// Expansion up to this many bytes is never questioned.
const SMALL_BYTES: u64 = 4 << 20;

/// No coding of grey values that is read here makes more than this many bytes of one: deflate
/// reaches 1032 (RFC 1951: 258 bytes for two bits), on nothing but zeros.
const DENSEST: u64 = 1100;

/// Above [`FREE_EXPANSION_BYTES`] a compressed frame may expand by this much. Sky background is
/// noise, which compresses by a factor of 1.2 to 10.
const MAX_EXPANSION: u64 = 50;

/// Narrowest side of a frame, pixels. Below that no star image fits.
const MIN_SIDE_PX: u64 = 8;

/// A [`FrameError`] without its file name.
#[derive(Debug)]
pub(crate) enum Fault {
    /// See [`FrameError::NotReadable`].
    NotReadable(String),
    /// See [`FrameError::Damaged`].
    Damaged(String),
}

impl Fault {
    /// A [`Fault::Damaged`] from anything that reads like text.
    pub(crate) fn damaged(what: impl Into<String>) -> Fault {
        Fault::Damaged(what.into())
    }

    /// Puts the file's name to the fault.
    pub(crate) fn at(self, path: &Path) -> FrameError {
        let path = path.to_owned();
        match self {
            Fault::NotReadable(what) => FrameError::NotReadable { path, what },
            Fault::Damaged(what) => FrameError::Damaged { path, what },
        }
    }
}

/// Checks a claimed size: wide enough for a star, small enough to be a camera's.
pub(crate) fn check_size(width: u64, height: u64) -> Result<(), Fault> {
    if width.checked_mul(height).is_none_or(|n| n > MAX_PIXELS) {
        return Err(Fault::damaged(format!(
            "claims {width} x {height} pixels, more than any camera has: get the frame again from \
             where it was taken"
        )));
    }
    if width.min(height) < MIN_SIDE_PX {
        return Err(Fault::damaged(format!(
            "is {width} x {height} pixels, too small to show stars: give the whole frame"
        )));
    }
    Ok(())
}

/// Checks the bytes that a compressed frame claims to expand to against those it is stored in.
pub(crate) fn check_expansion(expanded: u64, stored: u64) -> Result<(), Fault> {
    let most = if expanded > FREE_EXPANSION_BYTES {
        MAX_EXPANSION
    } else {
        DENSEST
    };
    if expanded > SMALL_BYTES && expanded / most > stored {
        return Err(Fault::damaged(format!(
            "claims to expand from {stored} to {expanded} bytes, which no picture of the sky \
             does: get the frame again from where it was taken"
        )));
    }
    Ok(())
}
