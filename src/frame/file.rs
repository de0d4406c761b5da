//! A frame's file, opened once: identity, header and pixels come from the same bytes, whatever
//! takes its name meanwhile.

use super::budget::Budget;
use super::fault::Fault;
use super::open::{Format, open_file, recognise};
use super::source::{Source, ended_early, read_fault, read_file_at};
use super::{Frame, FrameError, fits, raster, raw};
use crate::Deadline;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
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
        Identity::of_file(&File::open(path)?)
    }

    /// Identity of an open file, whatever its name means by now.
    pub(crate) fn of_file(file: &File) -> io::Result<Identity> {
        let metadata = file.metadata()?;
        let bytes = metadata.len();
        let mut hash = Xxh3Default::new();
        let mut buffer = vec![0; END_BYTES.min(bytes) as usize];
        read_file_at(file, &mut buffer, 0)?;
        hash.update(&buffer);
        if bytes > END_BYTES {
            read_file_at(file, &mut buffer, bytes - END_BYTES)?;
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

/// A file that should hold a frame, open for reading.
///
/// ```no_run
/// # use nightfix::{Deadline, frame::FrameFile};
/// let file = FrameFile::open("latest.fits".as_ref())?;
/// let frame = file.read_by(Deadline::NONE)?;
/// println!("{} pixels of the file {:?}", frame.width * frame.height, file.identity());
/// # Ok::<(), nightfix::frame::FrameError>(())
/// ```
#[derive(Debug)]
pub struct FrameFile {
    path: PathBuf,
    file: File,
    identity: Identity,
}

impl FrameFile {
    /// Opens the file at `path`, whatever it holds, and notes its identity before anything else is
    /// read. The name is taken literally.
    ///
    /// # Errors
    ///
    /// [`FrameError::NotReadable`] where there is no such file, no permission, or it is no regular
    /// file; [`FrameError::Damaged`] where it grows shorter meanwhile.
    pub fn open(path: &Path) -> Result<FrameFile, FrameError> {
        FrameFile::attempt(path).map_err(|fault| fault.at(path))
    }

    fn attempt(path: &Path) -> Result<FrameFile, Fault> {
        let (file, _) = open_file(path)?;
        let identity = Identity::of_file(&file).map_err(read_fault)?;
        Ok(FrameFile {
            path: path.to_owned(),
            file,
            identity,
        })
    }

    /// What the file was when it was opened.
    pub fn identity(&self) -> Identity {
        self.identity
    }

    /// Reads the frame, given up at `deadline`. That is looked at between pieces of the file; only
    /// a JPEG's picture is one piece. Memory taken: see [`Frame::open`].
    ///
    /// # Errors
    ///
    /// [`FrameError::NotReadable`] where the format is not known; [`FrameError::Damaged`] where
    /// the content contradicts itself or is cut short; [`FrameError::TimeLimit`].
    pub fn read_by(&self, deadline: Deadline) -> Result<Frame, FrameError> {
        self.attempt_read(deadline)
            .map_err(|fault| fault.at(&self.path))
    }

    fn attempt_read(&self, deadline: Deadline) -> Result<Frame, Fault> {
        let path = &self.path;
        let budget = Budget::new(self.identity.bytes, deadline);
        let (format, file) = self.recognised()?;
        match format {
            Format::Fits => fits::read(&Source::plain(file, budget), path),
            Format::Gzip | Format::Bzip2 => {
                let source = Source::packed(file, budget, format);
                let mut start = [0; 6];
                let inner = source.read_exact_at(&mut start, 0);
                if inner.is_ok() && &start != b"SIMPLE" {
                    return Err(Fault::NotReadable(
                        "is a packed file with something else than FITS inside: unpack it first"
                            .into(),
                    ));
                }
                inner.and_then(|()| fits::read(&source, path))
            }
            Format::Raw(kind) => raw::read(&file, &budget, kind, path),
            format => raster::read(file, &budget, format, path),
        }
    }

    /// What the file holds, and a handle of it that is positioned at its start.
    pub(crate) fn recognised(&self) -> Result<(Format, File), Fault> {
        if self.identity.bytes == 0 {
            return Err(Fault::damaged(
                "is empty (0 bytes): wait until it is written, or copy it again",
            ));
        }
        let now = self.file.metadata().map_err(read_fault)?.len();
        if now < self.identity.bytes {
            return Err(ended_early());
        }
        let file = self.file.try_clone().map_err(read_fault)?;
        // The position is shared with the other handles of this file.
        io::Seek::rewind(&mut &file).map_err(read_fault)?;
        Ok((recognise(&file)?, file))
    }
}
