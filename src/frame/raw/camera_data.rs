//! The camera data (EXIF) of each kind of raw file, in the form that the EXIF library takes.
//!
//! Sources: for CR3 the structure that the decoder library reads (directories in the boxes CMT1 to
//! CMT4); for RAF the header of that library (offset and length of a JPEG at bytes 84 and 88);
//! ISO/IEC 14496-12 for boxes.

use super::Kind;
use crate::frame::clues::exif::CameraData;

/// Camera data of the whole file `bytes`; empty where there are none that can be read.
pub(in crate::frame) fn of(kind: Kind, mut bytes: Vec<u8>) -> CameraData {
    match kind {
        Kind::Raf => embedded_jpeg(&bytes)
            .map_or_else(CameraData::default, |jpeg| CameraData::of_jpeg(jpeg.into())),
        Kind::Cr3 => CameraData::of_loose_directories(
            // Picture, exposure, place; CMT3 is the maker's own.
            [b"CMT1", b"CMT2", b"CMT4"]
                .into_iter()
                .filter_map(|name| Some(directory_box(&bytes, name)?.to_vec())),
        ),
        Kind::Orf | Kind::Rw2 => {
            let number: [u8; 2] = if bytes.starts_with(b"MM") {
                [0, 42]
            } else {
                [42, 0]
            };
            if let Some(mark) = bytes.get_mut(2..4) {
                mark.copy_from_slice(&number);
            }
            CameraData::of_tree(bytes)
        }
        Kind::Cr2 | Kind::Dng | Kind::Other => CameraData::of_tree(bytes),
    }
}

/// The JPEG in a RAF file.
fn embedded_jpeg(bytes: &[u8]) -> Option<&[u8]> {
    let number = |at| be_u32(bytes, at).map(|n| n as usize);
    let (start, length) = (number(84)?, number(88)?);
    bytes.get(start..start.checked_add(length)?)
}

/// What is in the box `name` of a CR3 file.
fn directory_box<'a>(bytes: &'a [u8], name: &[u8; 4]) -> Option<&'a [u8]> {
    /// Identifies the maker's box.
    const MAKER: [u8; 16] = [
        0x85, 0xc0, 0xb6, 0x87, 0x82, 0x0f, 0x11, 0xe0, 0x81, 0x11, 0xf4, 0xce, 0x46, 0x2b, 0x6a,
        0x48,
    ];
    let movie = boxes(bytes).find(|(kind, _)| kind == b"moov")?.1;
    let maker = boxes(movie)
        .filter(|(kind, _)| kind == b"uuid")
        .find_map(|(_, body)| body.strip_prefix(&MAKER))?;
    boxes(maker)
        .find(|(kind, _)| kind == name)
        .map(|(_, body)| body)
}

/// The boxes in `bytes`, one after the other: kind and content. Ends where they make no sense.
fn boxes(mut bytes: &[u8]) -> impl Iterator<Item = ([u8; 4], &[u8])> {
    std::iter::from_fn(move || {
        let kind: [u8; 4] = bytes.get(4..8)?.try_into().ok()?;
        let (head, size) = match be_u32(bytes, 0)? {
            0 => (8, bytes.len()),
            1 => {
                let high = be_u32(bytes, 8)?;
                // A box of 4 GiB is not in a file that fits memory.
                (
                    16,
                    if high == 0 {
                        be_u32(bytes, 12)? as usize
                    } else {
                        usize::MAX
                    },
                )
            }
            size => (8, size as usize),
        };
        let body = bytes.get(head..size.min(bytes.len()))?;
        bytes = bytes.get(size..).unwrap_or_default();
        Some((kind, body))
    })
}

fn be_u32(bytes: &[u8], at: usize) -> Option<u32> {
    let four = bytes.get(at..at.checked_add(4)?)?;
    Some(u32::from_be_bytes(four.try_into().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn boxed(kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
        let size = (body.len() + 8) as u32;
        [&size.to_be_bytes()[..], kind, body].concat()
    }

    #[test]
    fn boxes_within_boxes_and_none_beyond_the_end() {
        let maker = [
            &[
                0x85, 0xc0, 0xb6, 0x87, 0x82, 0x0f, 0x11, 0xe0, 0x81, 0x11, 0xf4, 0xce, 0x46, 0x2b,
                0x6a, 0x48,
            ][..],
            &boxed(b"CNCV", b"version"),
            &boxed(b"CMT2", b"exposure"),
        ]
        .concat();
        let movie = [boxed(b"uuid", b"someone else's"), boxed(b"uuid", &maker)].concat();
        let file = [boxed(b"ftyp", b"crx "), boxed(b"moov", &movie)].concat();
        assert_eq!(directory_box(&file, b"CMT2"), Some(&b"exposure"[..]));
        assert_eq!(directory_box(&file, b"CMT1"), None);
        for cut in 0..file.len() {
            let found = directory_box(&file[..cut], b"CMT2");
            assert!(
                found.is_none_or(|body| b"exposure".starts_with(body)),
                "{cut}"
            );
        }
        // A box of no length must not repeat for ever.
        assert!(boxes(&[0, 0, 0, 1, b'a', b'b', b'c', b'd', 0, 0, 0, 0, 0, 0, 0, 0]).count() <= 1);
    }

    /// Real files of the folder NIGHTFIX_RAW_SAMPLES, as far as they are there: exposure and focal
    /// length as the tools say in whose tests the files lie (see DEVELOPERS.md).
    #[test]
    fn of_real_files() {
        let Some(folder) = std::env::var_os("NIGHTFIX_RAW_SAMPLES") else {
            eprintln!("skipped: NIGHTFIX_RAW_SAMPLES names no folder of camera raw files");
            return;
        };
        for (name, kind, exposure_s, focal_mm) in REAL {
            let Ok(bytes) = std::fs::read(std::path::Path::new(&folder).join(name)) else {
                eprintln!("skipped: {name} is not in NIGHTFIX_RAW_SAMPLES");
                continue;
            };
            let clues = of(kind, bytes).clues(6000, 4000);
            eprintln!("{name}: {clues:?}");
            let near =
                |found: Option<f64>, said: f64| (found.unwrap_or(0.0) / said - 1.0).abs() < 0.02;
            assert!(near(clues.exposure_s, exposure_s), "{name}: {clues:?}");
            assert!(near(clues.focal_length_mm, focal_mm), "{name}: {clues:?}");
            assert!(clues.mid_jd_utc.is_some(), "{name}: {clues:?}");
        }
    }

    /// Name, kind, exposure (s), focal length (mm).
    const REAL: [(&str, Kind, f64, f64); 5] = [
        ("exiftool-CanonRaw.cr3", Kind::Cr3, 1.0 / 80.0, 15.0),
        ("exiftool-DNG.dng", Kind::Dng, 1.0 / 15.0, 55.0),
        ("exiftool-FujiFilm.raf", Kind::Raf, 1.0 / 250.0, 70.0),
        ("exiftool-Nikon.nef", Kind::Other, 1.0 / 20.0, 18.0),
        ("exiftool-Panasonic.rw2", Kind::Rw2, 1.0 / 250.0, 5.1),
    ];
}
