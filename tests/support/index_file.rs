//! The checksums of a star-index made right after damage: else nothing behind a checksum would ever
//! be reached. Then everything in it is read.

use star_index::layout::{BLOCK_BYTES, HEADER_BYTES, cells_of_depth};
use star_index::{StarIndex, StarRecord};
use xxhash_rust::xxh3::xxh3_64;

/// Where the header keeps what is needed here (`star_index::layout::Header`).
const BODY_OFFSET: usize = 32;
const DIRECTORY_CHECKSUM: usize = 72;
const HEADER_CHECKSUM: usize = 80;

/// Makes the checksums right, as far as the offsets in `bytes` can be followed: those of the body's
/// blocks where `sound` has them, then that of the directory, then the header's.
pub fn sign(bytes: &mut [u8], sound: &[u8]) {
    let number = |bytes: &[u8], at: usize| -> Option<usize> {
        let eight = bytes.get(at..at + 8)?.try_into().ok()?;
        usize::try_from(u64::from_le_bytes(eight)).ok()
    };
    let Some(body) =
        number(bytes, BODY_OFFSET).filter(|at| (HEADER_BYTES..=bytes.len()).contains(at))
    else {
        return;
    };
    // They end where the body begins, but for filling up to eight bytes.
    let sound_body = number(sound, BODY_OFFSET).unwrap_or(0);
    let blocks = (sound.len() - sound_body).div_ceil(BLOCK_BYTES);
    let checksums = sound_body - 8 * blocks;
    if body == sound_body {
        let sums: Vec<u64> = bytes[body..].chunks(BLOCK_BYTES).map(xxh3_64).collect();
        for (block, sum) in sums.iter().take(blocks).enumerate() {
            bytes[checksums + 8 * block..][..8].copy_from_slice(&sum.to_le_bytes());
        }
    }
    let directory = xxh3_64(&bytes[HEADER_BYTES..body]);
    bytes[DIRECTORY_CHECKSUM..][..8].copy_from_slice(&directory.to_le_bytes());
    bytes[HEADER_CHECKSUM..][..8].fill(0);
    let header = xxh3_64(&bytes[..HEADER_BYTES]);
    bytes[HEADER_CHECKSUM..][..8].copy_from_slice(&header.to_le_bytes());
}

/// Reads every cell, star and tile that the index claims; the number of pieces that could be read.
pub fn read_all(index: &StarIndex) -> usize {
    let mut read = usize::from(index.verify_all().is_ok());
    for (number, tier) in index.tiers().iter().enumerate() {
        for cell in 0..cells_of_depth(tier.depth as u8) as u64 {
            read += index
                .cells(number, cell, cell + 1)
                .map_or(0, <[StarRecord]>::len);
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
