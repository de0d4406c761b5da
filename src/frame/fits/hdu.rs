//! Header-data units: where they lie, how large their data claim to be, which is the image.
//!
//! Source: FITS Standard 4.0, sections 3, 4.4 and 7.

use super::card::{CARD_BYTES, Header};
use crate::frame::budget::check_size;
use crate::frame::fault::Fault;
use crate::frame::source::{Source, ended_early};

/// FITS files consist of blocks of this size.
pub(crate) const BLOCK_BYTES: u64 = 2880;

/// Longest header that is read: ten thousand times a usual one.
const MAX_HEADER_BYTES: u64 = 32 << 20;

/// Most units that are looked at for an image.
const MAX_UNITS: usize = 1000;

/// Type of a stored pixel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Bitpix {
    /// Unsigned byte.
    U8,
    /// Two's complement.
    I16,
    /// See `I16`.
    I32,
    /// See `I16`.
    I64,
    /// IEEE.
    F32,
    /// See `F32`.
    F64,
}

impl Bitpix {
    fn from_code(code: i64) -> Option<Bitpix> {
        Some(match code {
            8 => Bitpix::U8,
            16 => Bitpix::I16,
            32 => Bitpix::I32,
            64 => Bitpix::I64,
            -32 => Bitpix::F32,
            -64 => Bitpix::F64,
            _ => return None,
        })
    }

    /// Bytes of one pixel.
    pub(crate) fn bytes(self) -> u64 {
        match self {
            Bitpix::U8 => 1,
            Bitpix::I16 => 2,
            Bitpix::I32 | Bitpix::F32 => 4,
            Bitpix::I64 | Bitpix::F64 => 8,
        }
    }

    /// True for IEEE numbers.
    pub(crate) fn is_float(self) -> bool {
        matches!(self, Bitpix::F32 | Bitpix::F64)
    }
}

/// One header-data unit.
#[derive(Debug, Clone)]
pub(crate) struct Hdu {
    /// Its cards.
    pub header: Header,
    /// Where its header begins.
    pub start: u64,
    /// Where its data begin.
    pub data_start: u64,
    /// Bytes of data, without the fill of the last block.
    pub data_bytes: u64,
    /// 0 for the primary unit.
    pub index: usize,
}

/// How the image of a unit is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Storage {
    /// As it is.
    Plain,
    /// As a table of compressed tiles.
    Tiles,
}

/// Shape of an image, sizes checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Shape {
    /// Type of the stored pixels.
    pub bitpix: Bitpix,
    /// NAXIS1.
    pub width: usize,
    /// NAXIS2.
    pub height: usize,
    /// Planes that are averaged: 1 to 4.
    pub planes: usize,
    /// Planes stored.
    pub planes_stored: u64,
    /// The planes lie pixel by pixel along the first axis, not one after the other.
    pub interleaved: bool,
    /// NAXIS.
    pub axes: usize,
}

/// The first unit that holds a picture. One that holds something else in the form of an image (a
/// spectrum, a thumbnail) is passed over where a picture follows.
pub(crate) fn find_image(source: &Source) -> Result<(Hdu, Shape, Storage), Fault> {
    let mut start = 0;
    let mut first_fault = None;
    for index in 0..MAX_UNITS {
        let hdu = match (read_hdu(source, start, index), first_fault.take()) {
            (Ok(Some(hdu)), earlier) => {
                first_fault = earlier;
                hdu
            }
            (_, Some(earlier)) => return Err(earlier),
            (Ok(None), None) => break,
            (Err(fault), None) => return Err(fault),
        };
        if let Some((prefix, storage)) = image_kind(&hdu.header)
            && hdu.data_bytes > 0
        {
            match shape(&hdu.header, prefix) {
                Ok(shape) => return Ok((hdu, shape, storage)),
                Err(fault) => first_fault = first_fault.or(Some(fault)),
            }
        }
        let end = hdu.data_start.checked_add(hdu.data_bytes);
        match end.and_then(|end| end.checked_next_multiple_of(BLOCK_BYTES)) {
            Some(next) => start = next,
            None => break,
        }
    }
    Err(first_fault
        .unwrap_or_else(|| Fault::damaged("holds no image: give a FITS file with a picture in it")))
}

/// Reads the unit that begins at `start`; `None` where nothing or something else stands there.
pub(crate) fn read_hdu(source: &Source, start: u64, index: usize) -> Result<Option<Hdu>, Fault> {
    let mut bytes = Vec::new();
    let mut block = [0_u8; BLOCK_BYTES as usize];
    let end = loop {
        let at = start + bytes.len() as u64;
        let have = source
            .available(at.saturating_add(BLOCK_BYTES))?
            .saturating_sub(at);
        if bytes.is_empty() && index > 0 && have < BLOCK_BYTES {
            return Ok(None);
        }
        let block = &mut block[..have as usize];
        source.read_exact_at(block, at)?;
        if bytes.is_empty() && index > 0 && !block.starts_with(b"XTENSION") {
            return Ok(None);
        }
        let end = block.chunks(CARD_BYTES).position(is_end);
        if let Some(card) = end {
            let length = ((card + 1) * CARD_BYTES).min(block.len());
            bytes.extend_from_slice(&block[..length]);
            break bytes.len();
        }
        if have < BLOCK_BYTES {
            return Err(Fault::damaged(
                "ends inside its header: wait until it is written completely, or copy it again",
            ));
        }
        bytes.extend_from_slice(block);
        if bytes.len() as u64 >= MAX_HEADER_BYTES {
            return Err(Fault::damaged(
                "has a header without an END card: copy it again from where it was taken",
            ));
        }
    };
    let header = Header::parse(&bytes);
    let data_bytes = data_bytes(&header)?;
    let fill = end.next_multiple_of(BLOCK_BYTES as usize) - end;
    let filled = start + (end + fill) as u64;
    let unfilled = is_unfilled(source, filled, fill, data_bytes)?;
    Ok(Some(Hdu {
        data_start: if unfilled { start + end as u64 } else { filled },
        header,
        start,
        data_bytes,
        index,
    }))
}

/// True where the `fill` bytes before `data_start` are data already, since the writer forgot to
/// fill the header up: the file is just as much shorter, and other things than blanks stand there.
fn is_unfilled(
    source: &Source,
    data_start: u64,
    fill: usize,
    data_bytes: u64,
) -> Result<bool, Fault> {
    let end = data_start + data_bytes;
    if fill == 0 || data_bytes == 0 || source.available(end)? != end - fill as u64 {
        return Ok(false);
    }
    let mut bytes = vec![0; fill.min(data_bytes as usize)];
    source.read_exact_at(&mut bytes, data_start - fill as u64)?;
    Ok(bytes.iter().any(|b| *b != b' '))
}

/// True for the card that ends a header, filled up with whatever a writer takes for blanks.
pub(crate) fn is_end(card: &[u8]) -> bool {
    card.starts_with(b"END")
        && card[3..]
            .iter()
            .all(|b| matches!(b, b' ' | 0 | b'\r' | b'\n'))
}

/// Prefix of the keywords that describe the image, for units that are one.
fn image_kind(header: &Header) -> Option<(&'static str, Storage)> {
    match header.text("XTENSION") {
        None if !header.flag("GROUPS") => Some(("", Storage::Plain)),
        Some("IMAGE" | "IUEIMAGE") => Some(("", Storage::Plain)),
        Some("BINTABLE" | "A3DTABLE") if header.flag("ZIMAGE") => Some(("Z", Storage::Tiles)),
        _ => None,
    }
}

fn bitpix(header: &Header, prefix: &str) -> Result<Bitpix, Fault> {
    let keyword = format!("{prefix}BITPIX");
    let code = header.integer(&keyword).and_then(Bitpix::from_code);
    code.ok_or_else(|| {
        let value = header
            .get(&keyword)
            .map_or("nothing".into(), |v| v.to_text());
        Fault::damaged(format!(
            "has {keyword} = {value}, which is not one of the six that FITS knows: get the frame again \
             from where it was taken"
        ))
    })
}

/// The lengths of all axes.
fn axes(header: &Header, prefix: &str) -> Result<Vec<u64>, Fault> {
    let damaged = |keyword: &str| {
        let value = header
            .get(keyword)
            .map_or("nothing".into(), |v| v.to_text());
        Fault::damaged(format!(
            "has {keyword} = {value}, which cannot be: get the frame again from where it was taken"
        ))
    };
    let keyword = format!("{prefix}NAXIS");
    let count = header.integer(&keyword).filter(|n| (0..=999).contains(n));
    let count = count.ok_or_else(|| damaged(&keyword))?;
    (1..=count)
        .map(|n| {
            let keyword = format!("{prefix}NAXIS{n}");
            let length = header.integer(&keyword).and_then(|v| u64::try_from(v).ok());
            length.ok_or_else(|| damaged(&keyword))
        })
        .collect()
}

/// FITS 4.0, equations 1, 2 and 4.
fn data_bytes(header: &Header) -> Result<u64, Fault> {
    let mut axes = axes(header, "")?;
    if axes.is_empty() {
        return Ok(0);
    }
    if header.flag("GROUPS") && axes.first() == Some(&0) {
        axes.remove(0);
    }
    let extra = |keyword, default| match header.integer(keyword) {
        Some(v) if v >= 0 => v as u64,
        _ => default,
    };
    let product = axes.iter().try_fold(1_u64, |p, &n| p.checked_mul(n));
    let bytes = product
        .and_then(|n| n.checked_add(extra("PCOUNT", 0)))
        .and_then(|n| n.checked_mul(extra("GCOUNT", 1)))
        .and_then(|n| n.checked_mul(bitpix(header, "").map_or(1, Bitpix::bytes)))
        // Leaves room for positions and block fill behind it.
        .filter(|n| *n < u64::MAX / 4);
    bytes.ok_or_else(|| {
        Fault::damaged(format!(
            "claims axes of {axes:?} pixels, more than any file holds: get the frame again from \
             where it was taken"
        ))
    })
}

fn shape(header: &Header, prefix: &str) -> Result<Shape, Fault> {
    let axes = axes(header, prefix)?;
    let interleaved = colour_axis_first(&axes);
    let (width, height) = match axes.as_slice() {
        [_, w, h] if interleaved => (*w, *h),
        [w, h, ..] => (*w, *h),
        _ => {
            return Err(Fault::damaged(
                "holds a single row of numbers, not a picture: give a two-dimensional frame",
            ));
        }
    };
    check_size(width, height)?;
    let planes_stored = match axes.as_slice() {
        [colours, _, _] if interleaved => *colours,
        _ => {
            let product = axes[2..].iter().try_fold(1_u64, |p, &n| p.checked_mul(n));
            product.unwrap_or(u64::MAX)
        }
    };
    Ok(Shape {
        bitpix: bitpix(header, prefix)?,
        width: width as usize,
        height: height as usize,
        // Two to four planes are colours. More are a series, of which one exposure is wanted.
        planes: if planes_stored <= 4 {
            planes_stored.max(1) as usize
        } else {
            1
        },
        planes_stored,
        interleaved,
        axes: axes.len(),
    })
}

/// True for `NAXIS1 = 3`, then width and height: colours pixel by pixel. No frame is 3 px wide.
fn colour_axis_first(axes: &[u64]) -> bool {
    matches!(axes, [1..=4, width, height] if *width.min(height) > 4)
}

impl Shape {
    /// Pixels of one plane.
    pub(crate) fn pixels(&self) -> usize {
        self.width * self.height
    }

    /// Checks that the file holds every pixel that is going to be read.
    pub(crate) fn check_data(&self, source: &Source, hdu: &Hdu) -> Result<(), Fault> {
        let row = self.width as u64 * self.bitpix.bytes();
        let rows = self.height as u64 * self.planes as u64;
        let end = hdu.data_start + row * rows;
        let have = source.available(end)?;
        if have == end {
            return Ok(());
        }
        let whole = have.saturating_sub(hdu.data_start) / row;
        if whole == 0 {
            return Err(ended_early());
        }
        Err(Fault::damaged(format!(
            "ends after row {whole} of {rows}: wait until it is written completely, or copy it \
             again"
        )))
    }
}
