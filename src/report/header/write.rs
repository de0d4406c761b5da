//! Rewrites the header of a FITS file, or writes one beside another format.

use super::HeaderError;
use super::cards::{CARD_BYTES, Card, CardValue, RawCard, contradicts, keyword, wcs_cards};
use super::checksum::{Sum, encode_complement};
use crate::Deadline;
use crate::fit::Wcs;
use crate::frame::budget::Budget;
use crate::frame::fits::hdu::{BLOCK_BYTES, Hdu, Storage, find_image, is_end};
use crate::frame::open::{Format, open_file, recognise};
use crate::frame::source::Source;
use std::ffi::OsString;
use std::fs::{File, Metadata};
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Bytes summed at a time.
const PIECE_BYTES: usize = 1 << 20;

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
    let (file, len) = open_file(path).map_err(|f| f.at(path))?;
    if recognise(&file).map_err(|f| f.at(path))? != Format::Fits {
        return write_beside(path, wcs, extra);
    }
    // A link stays a link: what it leads to is written.
    let target = path.canonicalize().map_err(|e| not_written(path, &e))?;
    let before = file.metadata().map_err(|e| not_written(path, &e))?;
    let source = Source::plain(file, Budget::new(len, Deadline::NONE));
    let (hdu, shape, storage) = find_image(&source).map_err(|f| f.at(path))?;
    // The keywords describe the first two axes.
    if storage == Storage::Tiles || shape.interleaved {
        return write_beside(path, wcs, extra);
    }
    if before.permissions().readonly() {
        return Err(HeaderError::NotWritten {
            path: path.to_owned(),
            what: "is write-protected: make it writable first".into(),
        });
    }
    let old = old_cards(&source, &hdu).map_err(|f| f.at(path))?;
    let new = wcs_cards(wcs, shape.axes, &old)
        .into_iter()
        .chain(extra.iter().cloned());
    let cards = merged(&old, &new.collect::<Vec<_>>()).ok_or_else(|| not_finite(path))?;
    let header = with_checksums(&source, &hdu, cards).map_err(|f| f.at(path))?;
    replace(&target, &source, &hdu, &header, &before).map_err(|e| not_written(path, &e))?;
    Ok(path.to_owned())
}

/// The cards of the unit, without END.
fn old_cards(source: &Source, hdu: &Hdu) -> Result<Vec<RawCard>, crate::frame::fault::Fault> {
    let mut bytes = vec![0; (hdu.data_start - hdu.start) as usize];
    source.read_exact_at(&mut bytes, hdu.start)?;
    let cards = bytes.as_chunks::<CARD_BYTES>().0;
    Ok(cards
        .iter()
        .take_while(|card| !is_end(&card[..]))
        .copied()
        .collect())
}

/// The old cards without those that are replaced, then the new ones. `None` where a new card
/// cannot be written.
fn merged(old: &[RawCard], new: &[Card]) -> Option<Vec<RawCard>> {
    let mut cards: Vec<RawCard> = Vec::with_capacity(old.len() + new.len());
    let mut dropped = false;
    for card in old {
        let name = keyword(card);
        // A CONTINUE belongs to the card before it.
        dropped = if name == "CONTINUE" {
            dropped
        } else {
            let has_value = card.get(8) == Some(&b'=');
            let base = name.split('.').next().unwrap_or_default();
            let replaced = new.iter().any(|n| n.keyword.eq_ignore_ascii_case(&name));
            has_value && (contradicts(base) || replaced)
        };
        if !dropped {
            cards.push(*card);
        }
    }
    // Blank cards at the end are room kept for growth; new cards go before them.
    let end = cards
        .iter()
        .rposition(|c| c.iter().any(|b| *b != b' '))
        .map_or(0, |i| i + 1);
    let new: Option<Vec<RawCard>> = new.iter().map(Card::to_bytes).collect();
    cards.splice(end..end, new?);
    Some(cards)
}

/// The bytes of the header: cards, END, blocks filled up, checksums right where there are any.
fn with_checksums(
    source: &Source,
    hdu: &Hdu,
    mut cards: Vec<RawCard>,
) -> Result<Vec<u8>, crate::frame::fault::Fault> {
    let find = |cards: &[RawCard], name: &str| cards.iter().position(|c| keyword(c) == name);
    let (datasum, checksum) = (find(&cards, "DATASUM"), find(&cards, "CHECKSUM"));
    if datasum.is_none() && checksum.is_none() {
        return Ok(to_blocks(&cards));
    }
    let data_sum = sum_of_data(source, hdu)?;
    if let Some(at) = datasum {
        set_text(&mut cards[at], &data_sum.to_string());
    }
    let Some(at) = checksum else {
        return Ok(to_blocks(&cards));
    };
    set_text(&mut cards[at], "0000000000000000");
    let mut sum = Sum::default();
    sum.add(&to_blocks(&cards));
    sum.add_sum(data_sum);
    set_text(&mut cards[at], &encode_complement(sum.fold()));
    Ok(to_blocks(&cards))
}

/// Puts a text into a card, its comment kept.
fn set_text(card: &mut RawCard, text: &str) {
    let header = crate::frame::fits::card::Header::parse(&card[..]);
    let name = keyword(card);
    let comment = header.card(&name).map_or("", |c| c.comment.as_str());
    // The same text in the same place: the card keeps its bytes.
    let same = header.text(&name) == Some(text) && card.get(10) == Some(&b'\'');
    let new = Card::new(&name, CardValue::Text(text.into()), comment).to_bytes();
    if let (false, Some(new)) = (same, new) {
        *card = new;
    }
}

fn to_blocks(cards: &[RawCard]) -> Vec<u8> {
    let mut bytes = cards.as_flattened().to_vec();
    bytes.extend_from_slice(b"END");
    bytes.resize(bytes.len().next_multiple_of(BLOCK_BYTES as usize), b' ');
    bytes
}

fn sum_of_data(source: &Source, hdu: &Hdu) -> Result<u32, crate::frame::fault::Fault> {
    let end = hdu.data_start + hdu.data_bytes.next_multiple_of(BLOCK_BYTES);
    // A file may lack the fill of its last block.
    let end = source.available(end)?;
    let mut sum = Sum::default();
    let mut piece = vec![0; PIECE_BYTES];
    let mut at = hdu.data_start;
    while at < end {
        let count = (end - at).min(PIECE_BYTES as u64) as usize;
        source.read_exact_at(&mut piece[..count], at)?;
        sum.add(&piece[..count]);
        at += count as u64;
    }
    Ok(sum.fold())
}

/// Writes the file with its new header beside the old one and moves it into place.
fn replace(
    target: &Path,
    source: &Source,
    hdu: &Hdu,
    header: &[u8],
    before: &Metadata,
) -> io::Result<()> {
    let (Some(file), len) = (source.file(), source.budget().stored()) else {
        return Err(io::ErrorKind::Unsupported.into());
    };
    let mut from: &File = file;
    atomically(target, Some(before), |out| {
        from.rewind()?;
        copy_exactly(from, out, hdu.start)?;
        out.write_all(header)?;
        from.seek(SeekFrom::Start(hdu.data_start))?;
        copy_exactly(from, out, len - hdu.data_start)
    })
}

fn copy_exactly(from: &File, to: &mut impl Write, count: u64) -> io::Result<()> {
    match io::copy(&mut from.take(count), to)? {
        copied if copied == count => Ok(()),
        _ => Err(io::ErrorKind::UnexpectedEof.into()),
    }
}

/// Fills a temporary file in the folder of `target` and moves it over it, once it is safely on
/// disk. `before`: the file that is replaced, which must not have changed since, and whose
/// permissions are kept.
fn atomically(
    target: &Path,
    before: Option<&Metadata>,
    fill: impl FnOnce(&mut BufWriter<&File>) -> io::Result<()>,
) -> io::Result<()> {
    let folder = match target.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    let temporary = tempfile::Builder::new()
        .prefix(".nightfix-")
        .suffix(".tmp")
        .tempfile_in(folder)?;
    let mut out = BufWriter::with_capacity(PIECE_BYTES, temporary.as_file());
    fill(&mut out)?;
    out.flush()?;
    drop(out);
    if let Some(before) = before {
        let now = std::fs::metadata(target)?;
        if now.len() != before.len() || now.modified().ok() != before.modified().ok() {
            return Err(io::Error::other("it changed meanwhile"));
        }
        temporary.as_file().set_permissions(before.permissions())?;
    } else {
        open_to_all(temporary.as_file())?;
    }
    temporary.as_file().sync_all()?;
    temporary.persist(target).map_err(|e| e.error)?;
    // The new name, too, should survive a power cut; not every system lets a folder be synced.
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
    Ok(())
}

/// Temporary files are private to their owner; a header beside a frame is not meant to be.
#[cfg(unix)]
fn open_to_all(file: &File) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    file.set_permissions(std::fs::Permissions::from_mode(0o644))
}

#[cfg(not(unix))]
fn open_to_all(_: &File) -> io::Result<()> {
    Ok(())
}

/// Writes `FRAME.pointing.fits`: a primary header without data.
fn write_beside(path: &Path, wcs: &Wcs, extra: &[Card]) -> Result<PathBuf, HeaderError> {
    let mut name: OsString = path.as_os_str().to_owned();
    name.push(".pointing.fits");
    let beside = PathBuf::from(name);
    let frame = path
        .file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned();
    let mut cards = vec![
        Card::new("SIMPLE", CardValue::Logical(true), "FITS"),
        Card::new("BITPIX", CardValue::Integer(8), ""),
        Card::new(
            "NAXIS",
            CardValue::Integer(0),
            "no data, only where the frame points",
        ),
    ];
    cards.extend(wcs_cards(wcs, 2, &[]));
    cards.push(Card::new(
        "FILENAME",
        CardValue::Text(frame),
        "the frame described",
    ));
    cards.extend_from_slice(extra);
    let cards: Option<Vec<RawCard>> = cards.iter().map(Card::to_bytes).collect();
    let header = to_blocks(&cards.ok_or_else(|| not_finite(&beside))?);
    atomically(&beside, None, |out| out.write_all(&header))
        .map_err(|e| not_written(&beside, &e))?;
    Ok(beside)
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
