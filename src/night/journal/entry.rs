//! What the journal keeps of one frame.

use crate::frame::Identity;
use crate::track::Row;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

/// How the work on a frame ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// A position was found.
    Solved,
    /// No position was found.
    Unsolved,
    /// The time limit ended the search.
    TimeLimit,
    /// A dark, flat or bias frame: left alone.
    NotALight,
    /// The file contradicts itself or is cut short.
    Damaged,
    /// The file could not be read.
    NotReadable,
    /// A fault of the program.
    Internal,
}

impl Verdict {
    /// False where trying again may help, although the frame has not changed: it is not kept.
    pub fn is_final(self) -> bool {
        !matches!(
            self,
            Verdict::TimeLimit | Verdict::NotReadable | Verdict::Internal
        )
    }
}

/// What was found for one frame.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Entry {
    /// Name relative to the night's folder, parts joined by `/`.
    pub file: String,
    /// What the file was.
    pub identity: Identity,
    /// Fingerprint of everything besides the frame that the result depends on.
    pub asked: u64,
    /// How it ended.
    pub verdict: Verdict,
    /// WCS keywords were written into the frame.
    pub wcs_written: bool,
    /// The figures of tables and reports.
    pub row: Row,
    /// The JSON object of the output contract; `None` for frames that were left alone.
    pub record: Option<Box<RawValue>>,
}

/// The part of an [`Entry`] that is looked up by.
#[derive(Debug, Deserialize)]
pub(super) struct Head {
    pub file: String,
    pub identity: Identity,
    pub asked: u64,
}
