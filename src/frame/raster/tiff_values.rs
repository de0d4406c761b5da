//! The values that a TIFF file's first directory claims, checked before the decoding library takes
//! memory for them: it takes 32 bytes for each that is claimed, with no limit that can be set
//! before the directory is read.
//!
//! Source: TIFF 6.0, section 2 (directories); BigTIFF's directories as libtiff writes them.

use crate::frame::fault::Fault;
use crate::frame::source::{read_fault, read_file_at};
use std::fs::File;

/// Tags that the library reads, each with one value or one per channel: width to photometric
/// interpretation, orientation, channels, rows per strip, planar configuration, predictor, tile
/// width and length, extra samples, sample format, tables of JPEG, chroma subsampling, camera data.
const SHORT_LISTS: [u64; 17] = [
    256, 257, 258, 259, 262, 274, 277, 278, 284, 317, 322, 323, 338, 339, 347, 530, 34_665,
];

/// Places and lengths of strips and tiles.
const LONG_LISTS: [u64; 4] = [273, 279, 324, 325];

/// Most values of a short list: the number of channels has 16 bits.
const MAX_SHORT_LIST: u64 = 1 << 16;

/// Most entries of a directory: classic TIFF counts them in 16 bits.
const MAX_ENTRIES: u64 = 1 << 16;

/// Least that a strip or tile takes in a file: place and length of 16 bits and a byte of data.
const STRIP_BYTES: u64 = 5;

/// The numbers of a TIFF file.
struct Numbers<'a> {
    file: &'a File,
    little_endian: bool,
}

impl Numbers<'_> {
    /// The unsigned number in `bytes`, at most eight of them.
    fn of(&self, bytes: &[u8]) -> u64 {
        let add = |number: u64, byte: &u8| number << 8 | u64::from(*byte);
        if self.little_endian {
            bytes.iter().rev().fold(0, add)
        } else {
            bytes.iter().fold(0, add)
        }
    }

    fn bytes<const N: usize>(&self, at: u64) -> Result<[u8; N], Fault> {
        let mut bytes = [0; N];
        read_file_at(self.file, &mut bytes, at).map_err(read_fault)?;
        Ok(bytes)
    }
}

/// Checks the first directory of a TIFF file of `len` bytes.
///
/// # Errors
///
/// A directory or a list of values that the file has no room for.
pub(super) fn check(file: &File, len: u64) -> Result<(), Fault> {
    let mut numbers = Numbers {
        file,
        little_endian: true,
    };
    let head = numbers.bytes::<8>(0)?;
    numbers.little_endian = head[0] == b'I';
    // BigTIFF: offsets and counts have eight bytes.
    let big = numbers.of(&head[2..4]) == 43;
    let (directory, entries, first) = if big {
        let at = numbers.of(&numbers.bytes::<8>(8)?);
        (at, numbers.of(&numbers.bytes::<8>(at)?), 8)
    } else {
        let at = numbers.of(&head[4..]);
        (at, numbers.of(&numbers.bytes::<2>(at)?), 2)
    };
    let size = if big { 20 } else { 12 };
    if entries > MAX_ENTRIES.min(len / size) {
        return Err(no_room());
    }
    for entry in 0..entries {
        // Tag, type, count; the value or its place follows.
        let head = numbers.bytes::<12>(directory.saturating_add(first + entry * size))?;
        let (count, inline) = if big {
            (numbers.of(&head[4..]), 8)
        } else {
            (numbers.of(&head[4..8]), 4)
        };
        let tag = numbers.of(&head[..2]);
        let most = if SHORT_LISTS.contains(&tag) {
            MAX_SHORT_LIST
        } else if LONG_LISTS.contains(&tag) {
            len / STRIP_BYTES
        } else {
            continue;
        };
        let bytes = count.saturating_mul(value_bytes(numbers.of(&head[2..4])));
        if count > most || bytes > len.max(inline) {
            return Err(no_room());
        }
    }
    Ok(())
}

/// Bytes of a value by its type; 1 for types that the library refuses.
fn value_bytes(kind: u64) -> u64 {
    match kind {
        3 | 8 => 2,
        4 | 9 | 11 | 13 => 4,
        5 | 10 | 12 | 16..=18 => 8,
        _ => 1,
    }
}

fn no_room() -> Fault {
    Fault::damaged(
        "has a damaged directory, which claims more values than the file has room for: copy it \
         again from where it was taken",
    )
}
