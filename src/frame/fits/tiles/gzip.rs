//! GZIP_1 and GZIP_2: the bytes of a tile, big-endian, packed by gzip; GZIP_2 sorts them by
//! significance first.
//!
//! Source: FITS 4.0, section 10.4.2.

use crate::frame::fault::Fault;
use flate2::read::MultiGzDecoder;
use std::io::Read;

/// Unpacks a tile of `count` numbers of at most `largest` bytes; gives the bytes and how many make
/// a number.
pub(super) fn unpack(
    data: &[u8],
    count: usize,
    largest: usize,
    shuffled: bool,
) -> Result<(Vec<u8>, usize), Fault> {
    // One byte more than can be right is enough to know that it is wrong.
    let limit = count as u64 * largest as u64 + 1;
    let mut bytes = Vec::new();
    MultiGzDecoder::new(data)
        .take(limit)
        .read_to_end(&mut bytes)
        .map_err(|e| {
            Fault::damaged(format!(
                "has a damaged compressed tile ({e}): copy it again"
            ))
        })?;
    let element = bytes.len() / count.max(1);
    if !matches!(element, 1 | 2 | 4 | 8) || element * count != bytes.len() {
        return Err(Fault::damaged(
            "has a compressed tile of the wrong size: copy it again",
        ));
    }
    Ok((
        if shuffled {
            unshuffle(&bytes, element)
        } else {
            bytes
        },
        element,
    ))
}

/// All first bytes, then all second bytes, ...: back to numbers.
fn unshuffle(bytes: &[u8], element: usize) -> Vec<u8> {
    let count = bytes.len() / element;
    let mut numbers = vec![0; bytes.len()];
    for (significance, plane) in bytes.chunks_exact(count.max(1)).enumerate() {
        for (number, byte) in numbers.chunks_exact_mut(element).zip(plane) {
            number[significance] = *byte;
        }
    }
    numbers
}
