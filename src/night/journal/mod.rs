//! What is known of a night's frames, in a file that survives a killed process, a power cut and a
//! full disk at any byte.
//!
//! Lines are only ever added, each with its length and checksum. A last line that is not whole is
//! cut off when the file is opened, any other damaged one is passed over: its frame is solved
//! again. The file is locked while it is open, so that two runs cannot mix their lines.

mod entry;
mod line;

pub use crate::frame::Identity;
pub use entry::{Entry, Verdict};

use crate::frame::source::read_file_at;
use std::collections::HashMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, BufRead, BufReader, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use xxhash_rust::xxh3::xxh3_64;

/// Name of the journal in a night's folder.
pub const JOURNAL_NAME: &str = "nightfix.journal";

/// The first line's text: what the file is, and the version of its lines.
const TITLE: &str = r#"{"journal":"nightfix.journal/1"}"#;

/// Longest line that is read: a hundred times a usual one.
const MAX_LINE_BYTES: u64 = 1 << 20;

/// Lines that a power cut may take, as time: frames solved within it are solved again.
const SYNC_EVERY: Duration = Duration::from_secs(1);

/// Why a journal cannot be used. The text names the file and the way out.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JournalError {
    /// Another process has it open.
    #[error(
        "{}: another nightfix is at work on this folder: wait until it is done, or end it",
        path.display()
    )]
    Busy {
        /// The journal.
        path: PathBuf,
    },
    /// It is some other file.
    #[error(
        "{}: is no journal of nightfix and is left as it is: name another file with --journal",
        path.display()
    )]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// It cannot be created, read or written.
    #[error(
        "{}: the journal of the night cannot be written ({source}): name a place for it with \
         --journal FILE",
        path.display()
    )]
    NotWritable {
        /// The journal.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A line could not be added.
    #[error(
        "{}: no more can be written ({source}); what was found so far is kept: make room and run \
         the same command again",
        path.display()
    )]
    Full {
        /// The journal.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// Where an entry lies in the file, and what it is an answer to.
#[derive(Debug, Clone, Copy)]
struct Place {
    identity: Identity,
    asked: u64,
    offset: u64,
    length: usize,
}

/// What a frame's name is looked up by.
fn number_of(file: &str) -> u64 {
    xxh3_64(file.as_bytes())
}

/// Locks the journal, with a little patience: a run that is just ending still holds it, and so
/// does, for a moment, a process begun by a program that had the journal open.
fn lock(file: &File) -> Result<(), TryLockError> {
    const TRIES: usize = 10;
    const PAUSE: Duration = Duration::from_millis(30);
    for _ in 1..TRIES {
        match file.try_lock() {
            Err(TryLockError::WouldBlock) => std::thread::sleep(PAUSE),
            done => return done,
        }
    }
    file.try_lock()
}

/// An open journal.
#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    file: File,
    /// End of the last whole line.
    end: u64,
    /// By the checksum of the frame's name: small, and without pieces of memory for each frame.
    places: HashMap<u64, Place>,
    synced: Instant,
    dirty: bool,
    locked: bool,
}

impl Journal {
    /// Opens the journal at `path`, or begins it.
    ///
    /// # Errors
    ///
    /// [`JournalError`], and the file is as it was, apart from a torn last line.
    pub fn open(path: &Path) -> Result<Journal, JournalError> {
        let failed = |source| JournalError::NotWritable {
            path: path.to_owned(),
            source,
        };
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
            .map_err(failed)?;
        let locked = match lock(&file) {
            Ok(()) => true,
            Err(TryLockError::WouldBlock) => {
                return Err(JournalError::Busy {
                    path: path.to_owned(),
                });
            }
            // Some network drives have no locks.
            Err(TryLockError::Error(_)) => false,
        };
        let mut journal = Journal {
            path: path.to_owned(),
            file,
            end: 0,
            places: HashMap::new(),
            synced: Instant::now(),
            dirty: false,
            locked,
        };
        if !journal.load().map_err(failed)? {
            return Err(JournalError::Foreign {
                path: path.to_owned(),
            });
        }
        if journal.end == 0 {
            journal.write_line(TITLE).map_err(failed)?;
            journal.sync().map_err(failed)?;
        }
        Ok(journal)
    }

    /// False where the drive has no locks: then nothing keeps a second run away.
    pub fn is_locked(&self) -> bool {
        self.locked
    }

    /// Number of frames with an entry.
    pub fn len(&self) -> usize {
        self.places.len()
    }

    /// True where no frame has an entry.
    pub fn is_empty(&self) -> bool {
        self.places.is_empty()
    }

    /// Reads every line; false for a file that is something else.
    fn load(&mut self) -> io::Result<bool> {
        let length = self.file.metadata()?.len();
        self.file.seek(SeekFrom::Start(0))?;
        let mut reader = BufReader::with_capacity(1 << 16, &self.file);
        let mut bytes = Vec::new();
        let (mut offset, mut end) = (0_u64, 0_u64);
        let mut places = HashMap::new();
        loop {
            bytes.clear();
            let count =
                io::Read::take(&mut reader, MAX_LINE_BYTES).read_until(b'\n', &mut bytes)?;
            if count == 0 {
                break;
            }
            let whole = bytes.strip_suffix(b"\n");
            let text = whole.and_then(line::decode);
            if offset == 0 && text != Some(TITLE) {
                // Cut short while it was begun, or nothing of ours.
                let title = line::encode(TITLE);
                let begun = length < title.len() as u64
                    && (title.starts_with(&bytes) || bytes.iter().all(|b| *b == 0));
                if !begun {
                    return Ok(false);
                }
                break;
            }
            if let Some(entry) = text.and_then(|t| serde_json::from_str::<entry::Head>(t).ok()) {
                places.insert(
                    number_of(&entry.file),
                    Place {
                        identity: entry.identity,
                        asked: entry.asked,
                        offset,
                        length: count,
                    },
                );
            }
            offset += count as u64;
            // A line of zeros or half a line has no end of its own; what follows it would be lost.
            if whole.is_some() {
                end = offset;
            }
        }
        if end < length {
            self.file.set_len(end)?;
        }
        self.file.seek(SeekFrom::Start(end))?;
        self.end = end;
        self.places = places;
        Ok(true)
    }

    /// What was found for the frame `file`, if it is still the same and was asked the same.
    /// `None` as well where the line cannot be read any more.
    pub fn get(&self, file: &str, identity: &Identity, asked: u64) -> Option<Entry> {
        let place = self.places.get(&number_of(file))?;
        if place.identity != *identity || place.asked != asked {
            return None;
        }
        let mut bytes = vec![0; place.length];
        read_file_at(&self.file, &mut bytes, place.offset).ok()?;
        let text = line::decode(bytes.strip_suffix(b"\n")?)?;
        let entry: Entry = serde_json::from_str(text).ok()?;
        (entry.file == file).then_some(entry)
    }

    /// Adds what was found for a frame. It is in the hands of the system when this returns, and
    /// on the disk within about a second, or after [`Journal::sync`].
    ///
    /// # Errors
    ///
    /// [`JournalError::Full`]; the journal then ends with the entry before.
    pub fn append(&mut self, entry: &Entry) -> Result<(), JournalError> {
        let text = serde_json::to_string(entry).map_err(io::Error::other);
        let offset = self.end;
        text.and_then(|text| self.write_line(&text))
            .and_then(|()| self.sync_at_times())
            .map_err(|source| self.full(source))?;
        self.places.insert(
            number_of(&entry.file),
            Place {
                identity: entry.identity,
                asked: entry.asked,
                offset,
                length: (self.end - offset) as usize,
            },
        );
        Ok(())
    }

    fn write_line(&mut self, text: &str) -> io::Result<()> {
        let bytes = line::encode(text);
        // `get` may have moved the position (Windows has no other positioned read).
        self.file.seek(SeekFrom::Start(self.end))?;
        if let Err(failure) = self.file.write_all(&bytes) {
            // Even where this fails the next run recognises the torn line.
            let _ = self.file.set_len(self.end);
            return Err(failure);
        }
        self.end += bytes.len() as u64;
        self.dirty = true;
        Ok(())
    }

    /// Flushes to the disk if that was not done for a second.
    ///
    /// # Errors
    ///
    /// What the system says, above all that the disk is full.
    pub fn sync_at_times(&mut self) -> io::Result<()> {
        if self.dirty && self.synced.elapsed() >= SYNC_EVERY {
            self.sync()?;
        }
        Ok(())
    }

    /// Flushes to the disk if anything was added since that was done last.
    ///
    /// # Errors
    ///
    /// What the system says, above all that the disk is full.
    pub fn sync_if_dirty(&mut self) -> io::Result<()> {
        if self.dirty { self.sync() } else { Ok(()) }
    }

    /// Flushes to the disk.
    ///
    /// # Errors
    ///
    /// What the system says, above all that the disk is full.
    pub fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()?;
        self.synced = Instant::now();
        self.dirty = false;
        Ok(())
    }

    /// The error of a line, or a flush, that failed.
    pub fn full(&self, source: io::Error) -> JournalError {
        JournalError::Full {
            path: self.path.clone(),
            source,
        }
    }
}
