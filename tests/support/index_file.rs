//! The checksums of a star-index made right after damage: else nothing behind a checksum would ever
//! be reached. Then everything in it is read.

use star_index::StarIndex;
use star_index::layout::{BLOCK_BYTES, HEADER_BYTES, Header, cells_of_depth};
use std::mem::offset_of;
use xxhash_rust::xxh3::xxh3_64;

/// Makes the checksums right, as far as the offsets in `bytes` can be followed: those of the body's
/// blocks where `sound` has them, then that of the directory, then the header's.
pub fn sign(bytes: &mut [u8], sound: &[u8]) {
    let directory = |bytes: &[u8]| -> Option<usize> {
        let eight = bytes
            .get(offset_of!(Header, directory_offset)..)?
            .get(..8)?;
        usize::try_from(u64::from_le_bytes(eight.try_into().ok()?)).ok()
    };
    let Some(end) = directory(bytes).filter(|at| (HEADER_BYTES..=bytes.len()).contains(at)) else {
        return;
    };
    // The blocks' checksums are the last thing in the file.
    if directory(sound) == Some(end) && bytes.len() == sound.len() {
        let body = bytes[HEADER_BYTES..end].chunks(BLOCK_BYTES);
        let sums: Vec<u8> = body
            .flat_map(|block| xxh3_64(block).to_le_bytes())
            .collect();
        let place = bytes.len() - sums.len();
        bytes[place..].copy_from_slice(&sums);
    }
    let sum = xxh3_64(&bytes[end..]);
    put(bytes, offset_of!(Header, directory_checksum), sum);
    put(bytes, offset_of!(Header, header_checksum), 0);
    let sum = xxh3_64(&bytes[..HEADER_BYTES]);
    put(bytes, offset_of!(Header, header_checksum), sum);
}

fn put(bytes: &mut [u8], offset: usize, sum: u64) {
    bytes[offset..][..8].copy_from_slice(&sum.to_le_bytes());
}

/// Reads every cell, star and tile that the index claims; the number of pieces that could be read.
pub fn read_all(index: &StarIndex) -> usize {
    let mut read = usize::from(index.verify_all().is_ok());
    for (number, tier) in index.tiers().iter().enumerate() {
        for cell in 0..cells_of_depth(tier.depth as u8) as u64 {
            read += index
                .cells(number, cell, cell + 1)
                .map_or(0, |stars| stars.len());
        }
    }
    for (number, band) in index.bands().iter().enumerate() {
        for cell in 0..cells_of_depth(band.depth as u8) as u64 {
            let Ok(tile) = index.tile(number, cell) else {
                continue;
            };
            read += tile.codes().count();
            for star in (0..tile.len())
                .filter_map(|quad| tile.stars(quad))
                .flatten()
            {
                read += usize::from(index.star(star).is_ok());
            }
        }
    }
    read
}
