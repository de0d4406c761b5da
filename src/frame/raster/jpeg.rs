//! JPEG. The decoder fills what is missing with grey and says nothing, so whether the picture is
//! whole is found out here.

use super::{Picture, decode, image_fault};
use crate::frame::budget::Budget;
use crate::frame::fault::Fault;
use std::io::Cursor;

/// Decodes a whole JPEG file.
pub(super) fn read(bytes: &[u8], budget: &Budget) -> Result<Picture, Fault> {
    let decoder = image::codecs::jpeg::JpegDecoder::new(Cursor::new(bytes)).map_err(image_fault)?;
    if !reaches_end(bytes) {
        return Err(Fault::damaged(
            "ends before the end of its picture: wait until it is written completely, or copy it \
             again",
        ));
    }
    check_frame(bytes, budget)?;
    decode(decoder, budget)
}

/// What a JPEG says of its picture (ITU-T T.81, B.2.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct JpegFrame {
    /// Pixels in a row.
    pub width: u64,
    /// Rows.
    pub height: u64,
    components: u64,
    progressive: bool,
}

impl JpegFrame {
    /// Memory that decoding takes besides the samples: the coefficients of a progressive picture,
    /// two bytes each, are all kept until its end.
    pub fn work_bytes(&self) -> u64 {
        if !self.progressive {
            return 0;
        }
        // Blocks of 8 x 8 in groups of up to 4 x 4.
        let sides = self.width.next_multiple_of(32) * self.height.next_multiple_of(32);
        2 * sides * self.components
    }
}

/// Checks every frame that the file claims, since the decoder takes the last.
fn check_frame(bytes: &[u8], budget: &Budget) -> Result<(), Fault> {
    for frame in frames(bytes) {
        // The decoder has a copy of the file.
        budget.check_work(frame.work_bytes() + bytes.len() as u64)?;
    }
    Ok(())
}

/// The frames that `bytes` claims to hold, from one marker to the next.
pub(super) fn frames(bytes: &[u8]) -> impl Iterator<Item = JpegFrame> {
    let mut at = 2;
    std::iter::from_fn(move || {
        loop {
            let marker_at = next_marker(bytes, at)?;
            let marker = bytes[marker_at + 1];
            at = marker_at + 2;
            if matches!(marker, 0xd0..=0xd9 | 0x01) {
                continue;
            }
            let length = bytes.get(at..at + 2)?;
            let body = bytes.get(at + 2..).unwrap_or_default();
            at += usize::from(u16::from_be_bytes([length[0], length[1]])).max(2);
            let is_frame = matches!(marker, 0xc0..=0xcf) && !matches!(marker, 0xc4 | 0xc8 | 0xcc);
            if let (true, [_, h0, h1, w0, w1, components, ..]) = (is_frame, body) {
                return Some(JpegFrame {
                    width: u16::from_be_bytes([*w0, *w1]).into(),
                    height: u16::from_be_bytes([*h0, *h1]).into(),
                    components: u64::from(*components),
                    progressive: marker != 0xc0 && marker != 0xc1,
                });
            }
        }
    })
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
