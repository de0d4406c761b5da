//! Reads a frame from disk: pixels in the smallest type that holds them, and the clues of its
//! metadata. Judges neither: what the clues are worth is decided by the search.

pub(crate) mod budget;
mod clues;
pub(crate) mod fault;
mod file;
pub(crate) mod fits;
#[cfg(all(fuzzing, feature = "camera-raw"))]
#[doc(hidden)]
pub mod fuzzing;
#[cfg(feature = "camera-raw")]
pub mod isolated;
mod name;
pub(crate) mod open;
mod raster;
mod raw;
pub(crate) mod source;

pub(crate) use clues::from_header as clues_of_header;
pub(crate) use clues::time::parse_stamp;
pub use clues::{Clues, EquinoxClue, PositionClue, ScaleClue, Site};
pub use file::{FrameFile, Identity};
pub use name::{path_of_text, text_of_path};

use std::path::PathBuf;

/// Pixel values in stored order, row by row, one plane.
#[derive(Debug, Clone)]
pub enum Pixels {
    /// 8-bit rasters.
    U8(Vec<u8>),
    /// 16-bit data (FITS BZERO 32768 applied).
    U16(Vec<u16>),
    /// Everything else; blank pixels are NaN.
    F32(Vec<f32>),
}

impl Pixels {
    /// True where every value is the same, blank ones included.
    pub(crate) fn is_same(&self, other: &Pixels) -> bool {
        match (self, other) {
            (Pixels::U8(a), Pixels::U8(b)) => a == b,
            (Pixels::U16(a), Pixels::U16(b)) => a == b,
            (Pixels::F32(a), Pixels::F32(b)) => {
                bytemuck::cast_slice::<_, u32>(a) == bytemuck::cast_slice::<_, u32>(b)
            }
            _ => false,
        }
    }
}

/// One exposure.
#[derive(Debug, Clone)]
pub struct Frame {
    /// Where it was read from.
    pub path: PathBuf,
    /// Pixels along the fast axis (FITS NAXIS1).
    pub width: usize,
    /// Pixels along the slow axis (FITS NAXIS2).
    pub height: usize,
    /// `width * height` values; colour planes are averaged.
    pub pixels: Pixels,
    /// What the file says about a colour mosaic; `None`: not stated.
    pub mosaic_stated: Option<bool>,
    /// True where the first stored row is displayed on top (rasters; FITS with ROWORDER TOP-DOWN).
    pub first_row_on_top: bool,
    /// EXIF orientation, 1 to 8; 1 where there is none.
    pub orientation: u8,
    /// True for lossy or stretched 8-bit pictures, whose brightness is not linear.
    pub nonlinear: bool,
    /// Claims of the metadata.
    pub clues: Clues,
}

/// Why a frame could not be read. The text names the file and the way out.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FrameError {
    /// Missing, forbidden, a folder, or a format nobody here knows.
    #[error("{}: {what}", path.display())]
    NotReadable {
        /// The file.
        path: PathBuf,
        /// What is wrong and what to do next.
        what: String,
    },
    /// The right format with content that cannot be right.
    #[error("{}: {what}", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong and what to do next.
        what: String,
    },
    /// The time limit passed before the pixels were read.
    #[error("{}: could not be read within the time limit: give it more, or use a faster disk", path.display())]
    TimeLimit {
        /// The file.
        path: PathBuf,
    },
}
