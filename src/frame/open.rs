//! Opens a frame: what the file is, is decided by its content and never by its name.

use super::fault::Fault;
use super::raw::Kind;
use super::source::read_fault;
use super::{Frame, FrameError, FrameFile};
use crate::Deadline;
use std::fs::File;
use std::io::{self, Read, Seek};
use std::path::Path;

/// Bytes looked at to recognise a format.
const MAGIC_BYTES: usize = 16;

/// What a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Format {
    /// Flexible Image Transport System.
    Fits,
    /// Anything packed by gzip; only FITS is expected inside.
    Gzip,
    /// Anything packed by bzip2; only FITS is expected inside.
    Bzip2,
    /// Portable Network Graphics.
    Png,
    /// JPEG, with JFIF or EXIF header.
    Jpeg,
    /// TIFF or BigTIFF.
    Tiff,
    /// WebP.
    Webp,
    /// Camera raw.
    Raw(Kind),
}

impl Frame {
    /// Reads the frame at `path`. The name is taken literally, whatever characters it holds, and
    /// the file is opened for reading only.
    ///
    /// Memory taken: the samples of the picture, and besides at most 336 MB, or 32 times the length
    /// of a file of more than 10 MB.
    ///
    /// # Errors
    ///
    /// [`FrameError::NotReadable`] where there is no such file, no permission or no known
    /// format; [`FrameError::Damaged`] where the content contradicts itself or is cut short.
    pub fn open(path: &Path) -> Result<Frame, FrameError> {
        FrameFile::open(path)?.read_by(Deadline::NONE)
    }
}

/// Opens a regular file for reading; gives its length.
pub(crate) fn open_file(path: &Path) -> Result<(File, u64), Fault> {
    // Asked before opening: opening a named pipe would wait for ever.
    let metadata = std::fs::metadata(path).map_err(open_fault)?;
    if metadata.is_dir() {
        return Err(Fault::NotReadable(
            "is a folder: name the frames inside it".into(),
        ));
    }
    if !metadata.is_file() {
        return Err(Fault::NotReadable(
            "is not a regular file: save the frame to disk first".into(),
        ));
    }
    let file = File::open(path).map_err(open_fault)?;
    let len = file.metadata().map_err(open_fault)?.len();
    Ok((file, len))
}

fn open_fault(error: io::Error) -> Fault {
    Fault::NotReadable(match error.kind() {
        io::ErrorKind::NotFound => {
            "no such file: check the name, and put quotes around it where it holds spaces".into()
        }
        io::ErrorKind::PermissionDenied => {
            "may not be read: check the permissions of the file and its folder".into()
        }
        _ => format!("cannot be opened ({error}): check the name and that no program locks it"),
    })
}

/// Recognises the format; leaves the file at its start.
pub(crate) fn recognise(mut file: &File) -> Result<Format, Fault> {
    let mut magic = Vec::with_capacity(MAGIC_BYTES);
    file.take(MAGIC_BYTES as u64)
        .read_to_end(&mut magic)
        .and_then(|_| file.rewind())
        .map_err(read_fault)?;
    if let Some(kind) = Kind::of_magic(&magic) {
        return Ok(Format::Raw(kind));
    }
    let known: [(&[u8], Format); 9] = [
        (b"SIMPLE", Format::Fits),
        (b"\x1f\x8b", Format::Gzip),
        (b"BZh", Format::Bzip2),
        (b"\x89PNG\r\n\x1a\n", Format::Png),
        (b"\xff\xd8\xff", Format::Jpeg),
        (b"II*\0", Format::Tiff),
        (b"MM\0*", Format::Tiff),
        (b"II+\0", Format::Tiff),
        (b"MM\0+", Format::Tiff),
    ];
    let format = known
        .iter()
        .find(|(start, _)| magic.starts_with(start))
        .map(|(_, format)| *format)
        .or_else(|| is_webp(&magic).then_some(Format::Webp));
    match format {
        // Most cameras write their raw files as TIFF of a private kind.
        Some(Format::Tiff) => {
            let kind = Kind::of_tiff(file);
            file.rewind().map_err(read_fault)?;
            Ok(kind.map_or(Format::Tiff, Format::Raw))
        }
        Some(format) => Ok(format),
        None if is_of_phone(&magic) => Err(Fault::NotReadable(
            "is a HEIF or AVIF picture, which is not read here: save it as JPEG or PNG, at full size"
                .into(),
        )),
        None => Err(Fault::NotReadable(
            "is no FITS, PNG, TIFF, JPEG, WebP or camera raw file: convert it to one of these"
                .into(),
        )),
    }
}

/// RFC 9649, 2.4.
fn is_webp(magic: &[u8]) -> bool {
    magic.starts_with(b"RIFF") && magic.get(8..12) == Some(b"WEBP")
}

/// HEIF and AVIF by the brands that start their files (ISO/IEC 23008-12, 10.2; AV1 Image File
/// Format, 6.3). Only the first one is looked at.
fn is_of_phone(magic: &[u8]) -> bool {
    const BRANDS: [&[u8; 4]; 8] = [
        b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis",
    ];
    let brand = magic.get(8..12);
    magic.get(4..8) == Some(b"ftyp") && BRANDS.iter().any(|known| brand == Some(&known[..]))
}
