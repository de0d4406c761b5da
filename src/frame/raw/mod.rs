//! Camera raw files.
//!
//! What they are is recognised here, whether or not this build reads them ([`kind`]). The pixels
//! are decoded by the library rawler in a process of its own ([`crate::frame::isolated`]), since
//! damaged files make it panic, and the sizes they claim are allocated before they are checked. The
//! camera data (EXIF) are read in this process ([`camera_data`]).
//!
//! **Pixel coordinates** are those of the active area, the part of the sensor that light reaches,
//! as the file states it or the library's list of cameras does: FITS pixel (1, 1) is its first
//! pixel. It is a few pixels larger on each side than the picture that cameras and converters
//! make. Where no active area is known the recommended crop counts, else all pixels.
//!
//! **Values** are the stored ones less the black level of their place in the mosaic, plus the mean
//! black level: what noise there is below black stays, and 16 bits are enough.

mod kind;

#[cfg(feature = "camera-raw")]
pub(super) mod camera_data;
#[cfg(feature = "camera-raw")]
mod child;
#[cfg(feature = "camera-raw")]
mod levels;
#[cfg(feature = "camera-raw")]
mod read;

#[cfg(feature = "camera-raw")]
pub(super) use child::run_child;
pub(crate) use kind::Kind;
#[cfg(feature = "camera-raw")]
pub(super) use read::read;

/// Says that this build does not read camera raw files.
#[cfg(not(feature = "camera-raw"))]
pub(super) fn read(
    _file: &std::fs::File,
    _budget: &super::budget::Budget,
    kind: Kind,
    _path: &std::path::Path,
) -> Result<super::Frame, super::fault::Fault> {
    Err(super::fault::Fault::NotReadable(format!(
        "is {}, which this build leaves out: convert it to FITS or 16-bit TIFF, or build nightfix \
         with its default features (`camera-raw`)",
        kind.name()
    )))
}
