//! Bytes of a frame by position: straight from the file, or inflated as far as they are needed.
//!
//! Positioned reads instead of a mapped file: frames grow, shrink and vanish while they are
//! watched, and a mapping that loses its file kills the process.

use super::budget::Budget;
use super::fault::Fault;
use super::open::Format;
use crate::Deadline;
use bzip2::read::MultiBzDecoder;
use flate2::read::MultiGzDecoder;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::sync::{PoisonError, RwLock};

/// How much of the rest of a packed file is read to reach its checksum.
const MAX_TAIL_BYTES: u64 = 64 << 20;

/// Bytes inflated between two looks at the clock.
const STEP_BYTES: u64 = 4 << 20;

/// Where bytes come from. Reading needs no exclusive access, so that threads share it.
pub(crate) struct Source {
    bytes: Bytes,
    budget: Budget,
}

enum Bytes {
    /// A file on disk.
    File(File),
    /// A packed file, unpacked on demand.
    Packed(Box<RwLock<Inflated>>),
}

/// A partly unpacked file.
struct Inflated {
    decoder: Box<dyn Read + Send + Sync>,
    bytes: Vec<u8>,
}

impl Source {
    /// Takes the bytes of `file` as they are.
    pub(crate) fn plain(file: File, budget: Budget) -> Source {
        Source {
            bytes: Bytes::File(file),
            budget,
        }
    }

    /// Takes what `file`, positioned at its start and packed as `format` says, unpacks to.
    pub(crate) fn packed(file: File, budget: Budget, format: Format) -> Source {
        let file = io::BufReader::with_capacity(1 << 18, file);
        let inflated = Inflated {
            decoder: match format {
                Format::Bzip2 => Box::new(MultiBzDecoder::new(file)),
                _ => Box::new(MultiGzDecoder::new(file)),
            },
            bytes: Vec::new(),
        };
        Source {
            bytes: Bytes::Packed(Box::new(RwLock::new(inflated))),
            budget,
        }
    }

    /// The file itself, where its bytes are taken as they are.
    pub(crate) fn file(&self) -> Option<&File> {
        match &self.bytes {
            Bytes::File(file) => Some(file),
            Bytes::Packed(_) => None,
        }
    }

    /// What decoding the file may cost.
    pub(crate) fn budget(&self) -> &Budget {
        &self.budget
    }

    /// How many bytes from the start are there, at least up to `end`: `end` itself when all of
    /// them are, else the length. Takes no memory that the stored size does not justify.
    pub(crate) fn available(&self, end: u64) -> Result<u64, Fault> {
        match &self.bytes {
            Bytes::File(_) => Ok(end.min(self.budget.stored())),
            Bytes::Packed(inflated) => {
                let mut inflated = inflated.write().unwrap_or_else(PoisonError::into_inner);
                inflated.inflate_to(end, &self.budget)
            }
        }
    }

    /// Fills `buffer` from position `offset`. Short data is damage.
    pub(crate) fn read_exact_at(&self, buffer: &mut [u8], offset: u64) -> Result<(), Fault> {
        self.budget.check_time()?;
        match &self.bytes {
            Bytes::File(file) => read_file_at(file, buffer, offset).map_err(read_fault),
            Bytes::Packed(inflated) => {
                let end = offset.saturating_add(buffer.len() as u64);
                if self.available(end)? < end {
                    return Err(ended_early());
                }
                let inflated = inflated.read().unwrap_or_else(PoisonError::into_inner);
                let range = offset as usize..end as usize;
                let bytes = inflated.bytes.get(range).ok_or_else(ended_early)?;
                buffer.copy_from_slice(bytes);
                Ok(())
            }
        }
    }

    /// Reads to the end of a packed file, as far as that is reasonable, so that its checksum is
    /// compared. Plain files have none.
    pub(crate) fn verify_tail(&self) -> Result<(), Fault> {
        if let Bytes::Packed(inflated) = &self.bytes {
            let mut inflated = inflated.write().unwrap_or_else(PoisonError::into_inner);
            for _ in 0..MAX_TAIL_BYTES / STEP_BYTES {
                self.budget.check_time()?;
                let mut step = (&mut inflated.decoder).take(STEP_BYTES);
                if io::copy(&mut step, &mut io::sink()).map_err(unpacking_fault)? < STEP_BYTES {
                    break;
                }
            }
        }
        Ok(())
    }
}

impl Inflated {
    fn inflate_to(&mut self, end: u64, budget: &Budget) -> Result<u64, Fault> {
        let have = self.bytes.len() as u64;
        if have >= end {
            return Ok(end);
        }
        budget.check_expansion(end)?;
        // Memory grows with what really comes out, not with what was asked for.
        while (self.bytes.len() as u64) < end {
            budget.check_time()?;
            let step = STEP_BYTES.min(end - self.bytes.len() as u64);
            self.make_room(step as usize, end);
            let read = (&mut self.decoder)
                .take(step)
                .read_to_end(&mut self.bytes)
                .map_err(unpacking_fault)?;
            if (read as u64) < step {
                break;
            }
        }
        Ok(end.min(self.bytes.len() as u64))
    }

    /// Room for `step` more bytes of at most `end` in all: as much again as there is, but no more
    /// than is asked for.
    fn make_room(&mut self, step: usize, end: u64) {
        let length = self.bytes.len();
        if self.bytes.capacity() - length < step {
            let rest = usize::try_from(end).unwrap_or(usize::MAX) - length;
            self.bytes.reserve_exact(length.clamp(step, rest));
        }
    }
}

/// A file as libraries read it, whose reads fail once the deadline has passed.
pub(crate) struct Timed<'a> {
    file: &'a File,
    deadline: Deadline,
}

/// What [`Timed`] fails with.
#[derive(Debug, thiserror::Error)]
#[error("the time limit has passed")]
struct TimeIsUp;

impl Timed<'_> {
    /// Reads `file` from where it stands until `deadline`.
    pub(crate) fn new(file: &File, deadline: Deadline) -> Timed<'_> {
        Timed { file, deadline }
    }
}

impl Read for Timed<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.deadline.passed() {
            return Err(io::Error::other(TimeIsUp));
        }
        self.file.read(buffer)
    }
}

impl Seek for Timed<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}

/// The fault of a file that ends before its header says so.
pub(crate) fn ended_early() -> Fault {
    Fault::damaged(
        "ends before its last pixel: wait until it is written completely, or copy it again",
    )
}

/// Words for a read that failed half-way.
pub(crate) fn read_fault(error: io::Error) -> Fault {
    if error.get_ref().is_some_and(|inner| inner.is::<TimeIsUp>()) {
        return Fault::TimeLimit;
    }
    match error.kind() {
        io::ErrorKind::UnexpectedEof => ended_early(),
        _ => Fault::NotReadable(format!(
            "cannot be read ({error}): check the disk or the network drive it lies on"
        )),
    }
}

fn unpacking_fault(error: io::Error) -> Fault {
    match error.kind() {
        io::ErrorKind::UnexpectedEof => ended_early(),
        io::ErrorKind::InvalidInput | io::ErrorKind::InvalidData => Fault::damaged(format!(
            "is a damaged gzip or bzip2 file ({error}): copy it again from where it was taken"
        )),
        _ => read_fault(error),
    }
}

/// Fills `buffer` from position `offset`; where the file's own position is afterwards is not said.
#[cfg(unix)]
pub(crate) fn read_file_at(file: &File, buffer: &mut [u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, buffer, offset)
}

/// Fills `buffer` from position `offset`; where the file's own position is afterwards is not said.
#[cfg(windows)]
pub(crate) fn read_file_at(file: &File, mut buffer: &mut [u8], mut offset: u64) -> io::Result<()> {
    while !buffer.is_empty() {
        match std::os::windows::fs::FileExt::seek_read(file, buffer, offset) {
            Ok(0) => return Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(n) => {
                buffer = &mut buffer[n..];
                offset += n as u64;
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(())
}
