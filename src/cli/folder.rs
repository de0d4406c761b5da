//! The options that say which folder is worked on and where results go: the same for a night
//! that is over and one that is watched.

use super::known::KnownArgs;
use super::night_report::NightReport;
use super::{Status, complain};
use crate::night::journal::JOURNAL_NAME;
use crate::night::{Journal, Selection, Verdict, write_table};
use crate::polar::across::across;
use crate::report::atomic::write_atomically;
use crate::report::mount::MountRecord;
use crate::sky::Sky;
use crate::track::{Row, analyse};
use clap::Args;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// Folder, selection and outputs.
#[derive(Debug, Args)]
pub struct FolderArgs {
    /// The folder with the frames
    ///
    /// Sub-folders are looked into, hidden files and folders are not. Files are taken for frames
    /// by the endings of FITS (.fz, .gz and .bz2 too), TIFF, PNG, JPEG, WebP and camera raw files; a JPEG
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

    /// Write the night report: one HTML file that needs no network
    ///
    /// Where each frame points, what the mount did and why, star width, sky and stars through the
    /// night, small pictures of all frames, and a table.
    #[arg(long, value_name = "FILE")]
    pub report: Option<PathBuf>,

    /// Write what the night says of the mount as JSON: one object for each camera
    ///
    /// From four fields on, hours and tens of degrees apart: polar error, cone error, flexure, each
    /// with its error, and what cannot be told apart. The summary and the night report say the same.
    #[arg(long, value_name = "FILE")]
    pub mount_axes: Option<PathBuf>,

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
    /// Some output is made of all rows.
    pub fn needs_rows(&self) -> bool {
        self.table.is_some() || self.report.is_some() || self.mount_axes.is_some()
    }
}

/// A message and the status that goes with it.
pub type Failure = (String, Status);

/// What work on a folder needs, opened.
pub struct Opened {
    /// The star-indexes.
    pub sky: Sky,
    /// Which frames are wanted.
    pub selection: Selection,
    /// The results so far.
    pub journal: Mutex<Journal>,
}

/// Opens what work on a folder needs, the journal last: it is not begun for nothing.
///
/// # Errors
///
/// Something cannot be used, or the options make no sense.
pub fn open(folder: &FolderArgs, known: &KnownArgs) -> Result<Opened, Failure> {
    if let Some(contradiction) = known.contradiction() {
        return Err((contradiction.into(), Status::Usage));
    }
    let selection = Selection::new(&folder.only, &folder.except, !folder.no_subfolders)
        .map_err(|refusal| (refusal.to_string(), Status::Usage))?;
    if let Err(refusal) = std::fs::read_dir(&folder.folder) {
        let message = format!(
            "{}: cannot be looked into ({refusal}): name the folder that holds the frames",
            folder.folder.display()
        );
        return Err((message, Status::FrameNotReadable));
    }
    let sky = known
        .sky()
        .map_err(|refusal| (refusal.to_string(), Status::IndexNotUsable))?;
    known.say_position();
    let path = folder.journal.clone();
    let path = path.unwrap_or_else(|| folder.folder.join(JOURNAL_NAME));
    let journal =
        Journal::open(&path).map_err(|refusal| (refusal.to_string(), Status::OutputNotWritable))?;
    if !journal.is_locked() {
        complain("this drive has no file locks: run one nightfix on this folder at a time");
    }
    Ok(Opened {
        sky,
        selection,
        journal: Mutex::new(journal),
    })
}

/// Writes the files that are made of all rows; complains about each that could not be written.
pub fn write_outputs(folder: &FolderArgs, rows: &[Row], report: &mut NightReport<'_>) -> Status {
    let mut status = Status::Solved;
    let mut judge = |what: &str, path: &Path, written: io::Result<()>| {
        if let Err(failure) = written {
            complain(&format!(
                "{}: the {what} was not written: {failure}; name a place where files may be written",
                path.display()
            ));
            status = Status::OutputNotWritable;
        }
    };
    if let Some(path) = &folder.table {
        judge("table", path, write_table(rows, path));
    }
    if let Some(path) = &folder.mount_axes {
        judge("judgement of the mount", path, write_mounts(rows, path));
    }
    if let Some(path) = &folder.report {
        judge("night report", path, report.write(rows, path));
    }
    status
}

/// One line of JSON for each camera.
fn write_mounts(rows: &[Row], path: &Path) -> io::Result<()> {
    write_atomically(path, |file| {
        for mount in across(rows, &analyse(rows)) {
            serde_json::to_writer(&mut *file, &MountRecord::new(&mount, rows))?;
            file.write_all(b"\n")?;
        }
        Ok(())
    })
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
