//! What the journal keeps of one frame.

use crate::frame::source::read_file_at;
use crate::track::Row;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use std::fs::File;
use std::io;
use std::path::Path;
use std::time::UNIX_EPOCH;
use xxhash_rust::xxh3::Xxh3Default;

/// Bytes at either end of a file that tell it from a changed one: header and first pixels, last
/// pixels.
const END_BYTES: u64 = 32 << 10;

/// What tells a frame from a changed one of the same name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Identity {
    /// Length, bytes.
    pub bytes: u64,
    /// Time of the last change, nanoseconds from 1970; 0 where the system does not say.
    pub changed_ns: i64,
    /// XXH3-64 of the first and last 32 KiB.
    pub ends: u64,
}

impl Identity {
    /// Identity of the file at `path`.
    ///
    /// # Errors
    ///
    /// It is not there, may not be read, or is no regular file.
    pub fn of(path: &Path) -> io::Result<Identity> {
        // Asked before opening: opening a named pipe would wait for ever.
        if !std::fs::metadata(path)?.is_file() {
            return Err(io::Error::other("is not a regular file"));
        }
        let file = File::open(path)?;
        let metadata = file.metadata()?;
        let bytes = metadata.len();
        let mut hash = Xxh3Default::new();
        let mut buffer = vec![0; END_BYTES.min(bytes) as usize];
        read_file_at(&file, &mut buffer, 0)?;
        hash.update(&buffer);
        if bytes > END_BYTES {
            read_file_at(&file, &mut buffer, bytes - END_BYTES)?;
            hash.update(&buffer);
        }
        Ok(Identity {
            bytes,
            changed_ns: nanoseconds(metadata.modified()),
            ends: hash.digest(),
        })
    }
}

fn nanoseconds(time: io::Result<std::time::SystemTime>) -> i64 {
    let since = |t: std::time::SystemTime| match t.duration_since(UNIX_EPOCH) {
        Ok(after) => i64::try_from(after.as_nanos()).ok(),
        Err(before) => i64::try_from(before.duration().as_nanos()).ok().map(|n| -n),
    };
    time.ok().and_then(since).unwrap_or(0)
}

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
        !matches!(self, Verdict::NotReadable | Verdict::Internal)
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
