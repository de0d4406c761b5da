//! WCS keywords for a frame: into its own header where that is plain FITS, beside it otherwise.
//!
//! Every other card and every pixel byte stays as it was. The file is written anew beside the
//! old one and takes its place at the end, so that no moment shows half a frame.
//!
//! Sources: FITS 4.0, sections 4 (cards), 8 (WCS) and 4.4.2.7 with appendix J (checksums); SIP:
//! Shupe et al. 2005.

mod cards;
mod checksum;
mod write;

pub use cards::{Card, CardValue};
pub use write::write_wcs;

use crate::frame::FrameError;
use std::path::PathBuf;

/// Why the keywords were not written; the file is as it was.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum HeaderError {
    /// The frame cannot be read (any more).
    #[error(transparent)]
    Frame(#[from] FrameError),
    /// Disk full, no permission, not a number in the WCS, changed meanwhile.
    #[error("{}: {what}", path.display())]
    NotWritten {
        /// The file that was to be written.
        path: PathBuf,
        /// What is wrong and what to do next.
        what: String,
    },
}
