//! Bytes of a frame by position: straight from the file, or inflated as far as they are needed.
//!
//! Positioned reads instead of a mapped file: frames grow, shrink and vanish while they are
//! watched, and a mapping that loses its file kills the process.

use super::fault::{Fault, check_expansion};
use flate2::read::MultiGzDecoder;
use std::fs::File;
use std::io::{self, Read};
use std::sync::{PoisonError, RwLock};

/// How much of the rest of a gzip file is read to reach its checksum.
const MAX_TAIL_BYTES: u64 = 64 << 20;

/// Where bytes come from. Reading needs no exclusive access, so that threads share it.
pub(crate) enum Source {
    /// A file on disk with its length when it was opened.
    File(File, u64),
    /// A gzip file, inflated on demand.
    Gzip(Box<RwLock<Inflated>>),
}

/// A partly inflated gzip file.
pub(crate) struct Inflated {
    decoder: MultiGzDecoder<io::BufReader<File>>,
    stored: u64,
    bytes: Vec<u8>,
}

impl Source {
    /// Takes the bytes of `file` as they are.
    pub(crate) fn plain(file: File, len: u64) -> Source {
        Source::File(file, len)
    }

    /// Takes what `file`, positioned at its start, inflates to.
    pub(crate) fn gzip(file: File, len: u64) -> Source {
        Source::Gzip(Box::new(RwLock::new(Inflated {
            decoder: MultiGzDecoder::new(io::BufReader::with_capacity(1 << 18, file)),
            stored: len,
            bytes: Vec::new(),
        })))
    }

    /// How many bytes from the start are there, at least up to `end`: `end` itself when all of
    /// them are, else the length. Takes no memory that the stored size does not justify.
    pub(crate) fn available(&self, end: u64) -> Result<u64, Fault> {
        match self {
            Source::File(_, len) => Ok(end.min(*len)),
            Source::Gzip(inflated) => {
                let mut inflated = inflated.write().unwrap_or_else(PoisonError::into_inner);
                inflated.inflate_to(end)
            }
        }
    }

    /// Fills `buffer` from position `offset`. Short data is damage.
    pub(crate) fn read_exact_at(&self, buffer: &mut [u8], offset: u64) -> Result<(), Fault> {
        match self {
            Source::File(file, _) => read_file_at(file, buffer, offset).map_err(read_fault),
            Source::Gzip(inflated) => {
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

    /// Reads to the end of a gzip file, as far as that is reasonable, so that its checksum is
    /// compared. Plain files have none.
    pub(crate) fn verify_tail(&self) -> Result<(), Fault> {
        if let Source::Gzip(inflated) = self {
            let mut inflated = inflated.write().unwrap_or_else(PoisonError::into_inner);
            let mut tail = (&mut inflated.decoder).take(MAX_TAIL_BYTES);
            io::copy(&mut tail, &mut io::sink()).map_err(gzip_fault)?;
        }
        Ok(())
    }
}

impl Inflated {
    fn inflate_to(&mut self, end: u64) -> Result<u64, Fault> {
        let have = self.bytes.len() as u64;
        if have >= end {
            return Ok(end);
        }
        check_expansion(end, self.stored)?;
        // Memory grows with what really comes out, not with what was asked for.
        (&mut self.decoder)
            .take(end - have)
            .read_to_end(&mut self.bytes)
            .map_err(gzip_fault)?;
        Ok(end.min(self.bytes.len() as u64))
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
    match error.kind() {
        io::ErrorKind::UnexpectedEof => ended_early(),
        _ => Fault::NotReadable(format!(
            "cannot be read ({error}): check the disk or the network drive it lies on"
        )),
    }
}

fn gzip_fault(error: io::Error) -> Fault {
    match error.kind() {
        io::ErrorKind::UnexpectedEof => ended_early(),
        io::ErrorKind::InvalidInput | io::ErrorKind::InvalidData => Fault::damaged(format!(
            "is a damaged gzip file ({error}): copy it again from where it was taken"
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
