//! Rewrites the header of a FITS file, or writes one beside another format.

use super::HeaderError;
use super::bytes::{copy_with, merged, old_cards, to_blocks, with_checksums};
use super::cards::{Card, RawCard, wcs_cards};
use crate::Deadline;
use crate::frame::budget::Budget;
use crate::frame::fits::hdu::{Storage, find_image};
use crate::frame::open::Format;
use crate::frame::source::Source;
use crate::frame::{Frame, FrameFile, Identity, fits};
use crate::report::atomic::{link_target, replace_if, write_atomically};
use crate::wcs::Wcs;
use std::ffi::OsString;
use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Writes the keywords of `wcs`, and the cards of `extra`, for the frame at `path`; gives the
/// file that holds them now.
///
/// That is `path` itself for uncompressed FITS, in the header of the image that
/// [`Frame::open`](crate::frame::Frame::open) reads: cards of any other WCS are replaced, as are
/// cards with a keyword of `extra`; CHECKSUM and DATASUM are made right where they stand; all
/// other cards and all data keep every byte. For any other format it is `FRAME.pointing.fits`
/// beside it, FRAME being the whole file name, without data.
///
/// # Errors
///
/// [`HeaderError`]; the frame is untouched then.
pub fn write_wcs(path: &Path, wcs: &Wcs, extra: &[Card]) -> Result<PathBuf, HeaderError> {
    let file = FrameFile::open(path)?;
    let job = Job {
        path,
        wcs,
        extra,
        solved: None,
    };
    job.write(file).map(|written| written.holder)
}

/// What was written, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// The file that holds the keywords now.
    pub holder: PathBuf,
    /// What the frame's own file is now.
    pub frame: Identity,
}

/// As [`write_wcs`], for a `frame` that was read from a file of this `identity`: where its path
/// means another picture by now, nothing is written.
///
/// The file is compared when it is opened again, the pixels that were copied are compared with
/// those of `frame`, and what the new file replaced is looked at before it is deleted (where the
/// system can exchange two names; elsewhere just before it is replaced).
///
/// # Errors
///
/// [`HeaderError::Changed`] in that case, or another [`HeaderError`]; what is at the path stays.
pub fn write_wcs_of(
    frame: &Frame,
    identity: &Identity,
    wcs: &Wcs,
    extra: &[Card],
) -> Result<Written, HeaderError> {
    let changed = || HeaderError::Changed {
        path: frame.path.clone(),
    };
    let file = FrameFile::open(&frame.path).map_err(|_| changed())?;
    if file.identity() != *identity {
        return Err(changed());
    }
    let job = Job {
        path: &frame.path,
        wcs,
        extra,
        solved: Some(frame),
    };
    job.write(file)
}

/// One frame's keywords.
struct Job<'a> {
    path: &'a Path,
    wcs: &'a Wcs,
    extra: &'a [Card],
    /// The frame that the keywords were measured on.
    solved: Option<&'a Frame>,
}

impl Job<'_> {
    fn write(&self, opened: FrameFile) -> Result<Written, HeaderError> {
        let path = self.path;
        let (format, file) = opened.recognised().map_err(|f| f.at(path))?;
        if format != Format::Fits {
            return self.write_beside(&opened);
        }
        // A link stays a link: what it leads to is written.
        let target = link_target(path);
        let permissions = file.metadata().map_err(|e| not_written(path, &e))?;
        let permissions = permissions.permissions();
        let source = Source::plain(file, Budget::new(opened.identity().bytes, Deadline::NONE));
        let (hdu, shape, storage) = find_image(&source).map_err(|f| f.at(path))?;
        // The keywords describe the first two axes.
        if storage == Storage::Tiles || shape.interleaved {
            return self.write_beside(&opened);
        }
        if permissions.readonly() {
            return Err(HeaderError::NotWritten {
                path: path.to_owned(),
                what: "is write-protected: make it writable first".into(),
            });
        }
        let old = old_cards(&source, &hdu).map_err(|f| f.at(path))?;
        let new = wcs_cards(self.wcs, shape.axes, &old)
            .into_iter()
            .chain(self.extra.iter().cloned());
        let cards = merged(&old, &new.collect::<Vec<_>>()).ok_or_else(|| not_finite(path))?;
        let header = with_checksums(&source, &hdu, cards).map_err(|f| f.at(path))?;
        let identity = opened.identity();
        drop(opened);
        // Takes the last handle of the old file along.
        let fill = move |out: &mut File| {
            copy_with(&source, &hdu, &header, out)?;
            out.set_permissions(permissions.clone())?;
            self.is_of_solved(out)
        };
        let replaced = replace_if(&target, |at| is_still(at, identity), fill);
        match replaced.map_err(|e| not_written(path, &e))? {
            Some(new) => Ok(Written {
                holder: path.to_owned(),
                frame: Identity::of_file(&new).map_err(|e| not_written(path, &e))?,
            }),
            None => Err(self.changed()),
        }
    }

    fn changed(&self) -> HeaderError {
        HeaderError::Changed {
            path: self.path.to_owned(),
        }
    }

    /// True where the copy in `out` shows the picture that was solved.
    fn is_of_solved(&self, out: &File) -> io::Result<bool> {
        let Some(solved) = self.solved else {
            return Ok(true);
        };
        let copy = out.try_clone()?;
        let len = copy.metadata()?.len();
        let frame = fits::read(
            &Source::plain(copy, Budget::new(len, Deadline::NONE)),
            self.path,
        );
        Ok(frame.is_ok_and(|frame| frame.pixels.is_same(&solved.pixels)))
    }
}

/// True where the file at `path` is the one of this `identity`, unchanged.
fn is_still(path: &Path, identity: Identity) -> bool {
    Identity::of(path).is_ok_and(|now| now == identity)
}

impl Job<'_> {
    /// Writes `FRAME.pointing.fits`: a primary header without data.
    fn write_beside(&self, opened: &FrameFile) -> Result<Written, HeaderError> {
        let mut name: OsString = self.path.as_os_str().to_owned();
        name.push(".pointing.fits");
        let beside = PathBuf::from(name);
        let cards: Option<Vec<RawCard>> = self.cards_beside().iter().map(Card::to_bytes).collect();
        let header = to_blocks(&cards.ok_or_else(|| not_finite(&beside))?);
        let is_same = || is_still(self.path, opened.identity());
        let written = write_atomically(&beside, |out| {
            out.write_all(&header)?;
            // The last moment before the file gets its name.
            if is_same() {
                Ok(())
            } else {
                Err(io::ErrorKind::Interrupted.into())
            }
        });
        if !is_same() {
            // What it describes is gone.
            if written.is_ok() {
                let _ = std::fs::remove_file(&beside);
            }
            return Err(self.changed());
        }
        written.map_err(|e| not_written(&beside, &e))?;
        Ok(Written {
            holder: beside,
            frame: opened.identity(),
        })
    }

    fn cards_beside(&self) -> Vec<Card> {
        let mut cards = vec![
            Card::new("SIMPLE", true, "FITS"),
            Card::new("BITPIX", 8, ""),
            Card::new("NAXIS", 0, "no data, only where the frame points"),
        ];
        cards.extend(wcs_cards(self.wcs, 2, &[]));
        let name = self.path.file_name().unwrap_or_default();
        cards.push(Card::new(
            "FILENAME",
            &*name.to_string_lossy(),
            "the frame described",
        ));
        if let Some(frame) = self.solved {
            // FITS has no keyword for the size of an image that is elsewhere. A section of pixels,
            // first to last along each axis, is common practice of observatories.
            let section = format!("[1:{},1:{}]", frame.width, frame.height);
            cards.push(Card::new(
                "DATASEC",
                &*section,
                "pixels of the frame described",
            ));
            let order = if frame.first_row_on_top {
                "TOP-DOWN"
            } else {
                "BOTTOM-UP"
            };
            cards.push(Card::new("ROWORDER", order, "of its rows, as displayed"));
        }
        cards.extend_from_slice(self.extra);
        cards
    }
}

fn not_finite(path: &Path) -> HeaderError {
    HeaderError::NotWritten {
        path: path.to_owned(),
        what: "the solution holds something that no header can: nothing was written".into(),
    }
}

fn not_written(path: &Path, error: &io::Error) -> HeaderError {
    HeaderError::NotWritten {
        path: path.to_owned(),
        what: format!(
            "the keywords were not written ({error}): check the space and the permissions of its \
             folder, and that no other program uses it"
        ),
    }
}
