//! WCS keywords for a frame: into its own header where that is plain FITS, beside it otherwise.
//!
//! Every other card and every pixel byte stays as it was. The file is written anew beside the
//! old one and takes its place at the end, so that no moment shows half a frame.
//!
//! Sources: FITS 4.0, sections 4 (cards), 8 (WCS) and 4.4.2.7 with appendix J (checksums); SIP:
//! Shupe et al. 2005.

mod bytes;
mod cards;
mod checksum;
mod write;

pub use cards::{Card, Value};
pub use write::{Written, write_wcs, write_wcs_of};

use crate::frame::FrameError;
use std::path::PathBuf;

/// What is said of a frame that another program has overwritten.
pub const CHANGED: &str = "changed while it was solved, so its position was not written: run again \
                           once it stays as it is";

/// Why the keywords were not written; the file is as it was.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum HeaderError {
    /// The frame cannot be read (any more).
    #[error(transparent)]
    Frame(#[from] FrameError),
    /// Another picture has taken the frame's place since it was read.
    #[error("{}: {CHANGED}", path.display())]
    Changed {
        /// The frame.
        path: PathBuf,
    },
    /// Disk full, no permission, not a number in the WCS.
    #[error("{}: {what}", path.display())]
    NotWritten {
        /// The file that was to be written.
        path: PathBuf,
        /// What is wrong and what to do next.
        what: String,
    },
}
