//! FITS: the first image of a file, plain, packed by gzip or bzip2, or as compressed tiles.

pub(crate) mod card;
pub(crate) mod hdu;
mod image;
pub(super) mod tiles;

pub(crate) use image::finite_or_nan;

use super::fault::Fault;
use super::source::Source;
use super::{Frame, clues};
use card::Header;
use hdu::{Hdu, Shape, Storage};
use std::path::Path;

/// Reads the first image of `source`.
pub(crate) fn read(source: &Source, path: &Path) -> Result<Frame, Fault> {
    let (hdu, shape, storage) = hdu::find_image(source)?;
    let pixels = match storage {
        Storage::Plain => image::read(source, &hdu, &shape)?,
        Storage::Tiles => tiles::read(source, &hdu, &shape)?,
    };
    source.verify_tail()?;
    let header = full_header(source, hdu);
    let mut clues = clues::from_header(&header, shape.width, shape.height);
    if shape.planes_stored > shape.planes as u64 {
        clues.remarks.push(format!(
            "the file holds {} planes; only the first was used",
            shape.planes_stored
        ));
    }
    Ok(Frame {
        path: path.to_owned(),
        width: shape.width,
        height: shape.height,
        pixels,
        mosaic_stated: mosaic_stated(&header, &shape),
        first_row_on_top: header
            .text("ROWORDER")
            .is_some_and(|order| order.eq_ignore_ascii_case("TOP-DOWN")),
        orientation: 1,
        nonlinear: false,
        clues,
    })
}

/// The cards that [`read`] goes by.
pub(crate) fn header(source: &Source) -> Result<Header, Fault> {
    let (hdu, ..) = hdu::find_image(source)?;
    Ok(full_header(source, hdu))
}

/// The image's own cards first, then those of the primary unit: what telescopes write is often
/// there.
fn full_header(source: &Source, hdu: Hdu) -> Header {
    if hdu.index == 0 {
        return hdu.header;
    }
    match hdu::read_hdu(source, 0, 0) {
        Ok(Some(primary)) => hdu.header.followed_by(primary.header),
        _ => hdu.header,
    }
}

/// What the header says about a colour mosaic.
fn mosaic_stated(header: &Header, shape: &Shape) -> Option<bool> {
    if shape.planes > 1 {
        return Some(false);
    }
    let pattern = ["BAYERPAT", "CFAPAT", "COLORTYP"]
        .iter()
        .find_map(|keyword| header.text(keyword))?
        .to_ascii_uppercase();
    if ["NONE", "MONO", "MONOCHROME", "0"].contains(&pattern.as_str()) {
        return Some(false);
    }
    let is_pattern = pattern.len() >= 4 && pattern.bytes().all(|b| b"RGBCYMGW".contains(&b));
    is_pattern.then_some(true)
}
