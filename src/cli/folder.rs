//! The options that say which folder is worked on and where results go: the same for a night
//! that is over and one that is watched.

use super::Status;
use crate::night::journal::JOURNAL_NAME;
use crate::night::{Journal, JournalError, Selection, SelectionError, Verdict};
use clap::Args;
use std::path::PathBuf;

/// Folder, selection and outputs.
#[derive(Debug, Args)]
pub struct FolderArgs {
    /// The folder with the frames
    ///
    /// Sub-folders are looked into, hidden files and folders are not. Files are taken for frames
    /// by the endings of FITS (.fz and .gz too), TIFF, PNG, JPEG and camera raw files; a JPEG
    /// beside a raw file of the same name is its preview and left out.
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,

    /// Only frames whose name matches, whatever their ending; may be repeated
    ///
    /// A star stands for any part of a name, ? for one character, {a,b} for either. A pattern
    /// with a / is compared with the name relative to the folder, one without with the names of the file
    /// and of the sub-folders it lies in.
    #[arg(long, value_name = "PATTERN")]
    pub only: Vec<String>,

    /// No frames whose name, or whose sub-folder's name, matches; may be repeated
    #[arg(long, value_name = "PATTERN")]
    pub except: Vec<String>,

    /// Do not look into sub-folders
    #[arg(long)]
    pub no_subfolders: bool,

    /// Write one row per frame, with units: ECSV, which every reader of CSV takes
    #[arg(long, value_name = "FILE")]
    pub table: Option<PathBuf>,

    /// Where results are kept, so that no frame is solved twice [default: FOLDER/nightfix.journal]
    #[arg(long, value_name = "FILE")]
    pub journal: Option<PathBuf>,

    /// Write the position as WCS keywords into the FITS header of every solved frame
    ///
    /// Formats without such a header get a file FRAME.pointing.fits beside them. Without this
    /// option frames are only read.
    #[arg(long)]
    pub write_wcs: bool,
}

impl FolderArgs {
    /// Which frames are wanted.
    ///
    /// # Errors
    ///
    /// A pattern makes no sense.
    pub fn selection(&self) -> Result<Selection, SelectionError> {
        Selection::new(&self.only, &self.except, !self.no_subfolders)
    }

    /// Opens the journal.
    ///
    /// # Errors
    ///
    /// It is in use, something else, or cannot be written.
    pub fn open_journal(&self) -> Result<Journal, JournalError> {
        match &self.journal {
            Some(path) => Journal::open(path),
            None => Journal::open(&self.folder.join(JOURNAL_NAME)),
        }
    }
}

/// The exit status of a frame.
pub fn status_of(verdict: Verdict) -> Status {
    match verdict {
        Verdict::Solved | Verdict::NotALight => Status::Solved,
        Verdict::Unsolved => Status::Unsolved,
        Verdict::TimeLimit => Status::TimeLimit,
        Verdict::Damaged => Status::DamagedFrame,
        Verdict::NotReadable => Status::FrameNotReadable,
        Verdict::Internal => Status::Internal,
    }
}
