//! JPEG. The decoder fills what is missing with grey and says nothing, so whether the picture is
//! whole is found out here.

use super::{Picture, decode, image_fault};
use crate::frame::fault::Fault;
use std::io::Cursor;

/// Decodes a whole JPEG file.
pub(super) fn read(bytes: &[u8]) -> Result<Picture, Fault> {
    let decoder = image::codecs::jpeg::JpegDecoder::new(Cursor::new(bytes)).map_err(image_fault)?;
    if !reaches_end(bytes) {
        return Err(Fault::damaged(
            "ends before the end of its picture: wait until it is written completely, or copy it \
             again",
        ));
    }
    decode(decoder, bytes.len() as u64)
}

/// Follows the markers (ITU-T T.81, annex B) to the end of the image.
fn reaches_end(bytes: &[u8]) -> bool {
    const END_OF_IMAGE: u8 = 0xd9;
    let mut at = 2;
    while let Some(marker_at) = next_marker(bytes, at) {
        let marker = bytes[marker_at + 1];
        at = marker_at + 2;
        match marker {
            END_OF_IMAGE => return true,
            // Restart marks and TEM have no length.
            0xd0..=0xd8 | 0x01 => {}
            _ => {
                let Some(length) = bytes.get(at..at + 2) else {
                    return false;
                };
                // Behind the header of a scan, coded data follow: the next marker is searched.
                at += usize::from(u16::from_be_bytes([length[0], length[1]])).max(2);
            }
        }
    }
    false
}

/// The next 0xff that is followed by a marker: neither by a stuffed zero nor by fill.
fn next_marker(bytes: &[u8], from: usize) -> Option<usize> {
    let rest = bytes.get(from..)?;
    let found = rest
        .windows(2)
        .position(|w| w[0] == 0xff && w[1] != 0 && w[1] != 0xff)?;
    Some(from + found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_mark_counts_and_not_its_bytes_elsewhere() {
        // A comment that contains an end mark, a scan with stuffing and a restart.
        let head = [0xff, 0xd8, 0xff, 0xfe, 0, 4, 0xff, 0xd9];
        let scan = [0xff, 0xda, 0, 3, 9, 1, 0xff, 0, 2, 0xff, 0xd0, 3];
        let whole: Vec<u8> = [&head[..], &scan, &[0xff, 0xd9]].concat();
        assert!(reaches_end(&whole));
        assert!(reaches_end(&[&whole[..], b"trailer"].concat()));
        for cut in 0..whole.len() {
            assert!(!reaches_end(&whole[..cut]), "{cut}");
        }
    }
}
