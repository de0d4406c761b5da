//! What can go wrong while rendering or writing a frame.

use std::path::PathBuf;

/// A request that can't be rendered, or a file that can't be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A number of the request lies outside what can be rendered.
    #[error("{name} is {value}; it must be {allowed}")]
    Request {
        /// Which number.
        name: &'static str,
        /// What was asked.
        value: f64,
        /// What is possible.
        allowed: &'static str,
    },
    /// The catalogue compiled into the program does not have the layout that its README states.
    #[error("the bright-star catalogue is damaged: {0}; make it again with make_extract.py")]
    Catalogue(&'static str),
    /// The file name's ending names no format that can be written.
    #[error("{}: unknown ending; use .fits, .fits.gz, .png, .tif or .jpg", .0.display())]
    UnknownEnding(PathBuf),
    /// The pixels can't be stored in this format.
    #[error("{format} can't hold this frame: {cause}")]
    Encode {
        /// The format.
        format: &'static str,
        /// What the encoder said.
        cause: String,
    },
    /// The file could not be written.
    #[error("{} could not be written: {cause}; check the folder and the free space", .path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        cause: std::io::Error,
    },
}
