//! WebP (RFC 9649): one picture, with or without loss.

use super::planes::{Channels, mean_u8};
use super::{Picture, decode_fault};
use crate::frame::budget::{Budget, check_size};
use crate::frame::clues::exif::CameraData;
use crate::frame::fault::Fault;
use crate::frame::{Pixels, source};
use image_webp::{DecodingError, WebPDecoder};
use std::io::Cursor;

/// Bytes that decoding takes for each pixel besides the samples: four of a picture without loss, or
/// one and a half of luma and chroma; transparency is unpacked into six more.
const WORK_PER_PIXEL: u64 = 4;
const WORK_OF_TRANSPARENCY: u64 = 6;
/// Most camera data that are looked at.
const MAX_EXTRAS_BYTES: usize = 16 << 20;

/// Decodes a whole file.
pub(super) fn read(bytes: &[u8], budget: &Budget) -> Result<(Picture, CameraData), Fault> {
    let mut decoder = WebPDecoder::new(Cursor::new(bytes)).map_err(webp_fault)?;
    if decoder.is_animated() {
        return Err(Fault::NotReadable(
            "is a film of several pictures: save one of them as PNG".into(),
        ));
    }
    let (width, height) = decoder.dimensions();
    check_size(width.into(), height.into())?;
    check_inner_size(bytes, [width, height])?;
    let pixels = u64::from(width) * u64::from(height);
    let stored: u64 = if decoder.has_alpha() { 4 } else { 3 };
    budget.check_picture(pixels, stored * pixels)?;
    let transparency = if decoder.has_alpha() {
        WORK_OF_TRANSPARENCY
    } else {
        0
    };
    budget.check_work((WORK_PER_PIXEL + transparency) * pixels + bytes.len() as u64)?;
    budget.check_time()?;
    let mut samples = vec![0; (stored * pixels) as usize];
    decoder.read_image(&mut samples).map_err(webp_fault)?;
    decoder.set_memory_limit(MAX_EXTRAS_BYTES);
    // Damaged camera data are no reason to refuse the picture.
    let camera = decoder.exif_metadata().ok().flatten();
    let channels = Channels {
        stored: stored as usize,
        used: 3,
        planar: false,
    };
    let picture = Picture {
        width: width as usize,
        height: height as usize,
        pixels: Pixels::U8(mean_u8(samples, channels)),
        coloured: true,
    };
    Ok((
        picture,
        camera.map_or_else(CameraData::default, CameraData::of_tree),
    ))
}

/// Checks that every picture with loss has the size that the file claims: the decoder takes memory
/// for it before it compares the two (RFC 9649, 2.5; RFC 6386, 9.1).
fn check_inner_size(bytes: &[u8], size: [u32; 2]) -> Result<(), Fault> {
    let mut at = 12;
    while let Some([a, b, c, d, length @ ..]) = bytes.get(at..at + 8) {
        let body = bytes.get(at + 8..).unwrap_or_default();
        if let (b"VP8 ", [_, _, _, 0x9d, 0x01, 0x2a, w0, w1, h0, h1, ..]) =
            (&[*a, *b, *c, *d], body)
        {
            // The two highest bits say how the picture is to be enlarged.
            let side = |low: u8, high: u8| u32::from(u16::from_le_bytes([low, high]) & 0x3fff);
            if [side(*w0, *w1), side(*h0, *h1)] != size {
                return Err(decode_fault("its parts are of different sizes"));
            }
        }
        let length = length.try_into().map_or(0, u32::from_le_bytes) as usize;
        at = at
            .saturating_add(8)
            .saturating_add(length.next_multiple_of(2));
    }
    Ok(())
}

fn webp_fault(error: DecodingError) -> Fault {
    match error {
        DecodingError::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            source::ended_early()
        }
        other => decode_fault(&other.to_string()),
    }
}
