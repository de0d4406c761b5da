//! A small star-index written, read back, and damaged in every way.

use star_index::layout::{HEADER_BYTES, Header, cells_of_depth};
use star_index::quad::{canonical, on_tangent_plane, pack};
use star_index::write::{BandContents, Contents, StarTable, StoredQuad, cell_of};
use star_index::writer::About;
use star_index::{IndexError, StarIndex, StarRecord};
use std::path::PathBuf;

const STARS: usize = 4000;
const DEPTH: u8 = 1;

/// Stars on a golden spiral: even over the sphere, no generator needed.
fn stars() -> Vec<StarRecord> {
    (0..STARS)
        .map(|i| {
            let z = 1.0 - (2 * i + 1) as f64 / STARS as f64;
            let (sin, cos) = (2.399_963_229_728_653 * i as f64).sin_cos();
            let across = (1.0 - z * z).sqrt();
            let mag = (i * 37 % 1100) as f64 / 100.0;
            StarRecord::new([across * cos, across * sin, z], [1.0, -2.0], mag, None)
        })
        .collect()
}

fn quads(table: &StarTable) -> Vec<Vec<StoredQuad>> {
    let mut tiles = vec![Vec::new(); cells_of_depth(DEPTH)];
    for first in (0..STARS as u32 - 3).step_by(4) {
        let set = [first, first + 1, first + 2, first + 3];
        let vectors = set.map(|i| table.records[i as usize].vector());
        let Some(ordered) = on_tangent_plane(vectors).and_then(|p| canonical(&p)) else {
            continue;
        };
        let stars = ordered.order.map(|k| set[k]);
        let tile = cell_of(table.records[stars[0] as usize].vector(), DEPTH);
        let code = pack(ordered.code);
        tiles[tile as usize].push(StoredQuad { code, stars });
    }
    tiles
}

fn written() -> (StarTable, Vec<Vec<StoredQuad>>, Vec<u8>) {
    let table = StarTable::new(&stars());
    let tiles = quads(&table);
    let bytes = bytes_of(&table, &tiles);
    (table, tiles, bytes)
}

fn bytes_of(table: &StarTable, tiles: &[Vec<StoredQuad>]) -> Vec<u8> {
    let bands = vec![BandContents {
        depth: DEPTH,
        thin_depth: DEPTH,
        size_rad: [0.0, 1.0],
        tiles: tiles.to_vec(),
    }];
    let contents = Contents {
        about: About {
            epoch_jyear: 2000.0,
            origin: "synthetic",
            fields_deg: [0.0; 2],
            covered_share: 1.0,
        },
        table,
        bands,
    };
    contents.to_bytes().expect("few stars a tile")
}

struct OnDisk(tempfile::TempDir, PathBuf);

impl OnDisk {
    fn new() -> OnDisk {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("small.nfsky");
        OnDisk(folder, path)
    }

    fn open(&self, bytes: &[u8]) -> Result<StarIndex, IndexError> {
        assert!(self.0.path().is_dir());
        std::fs::write(&self.1, bytes).expect("room for a small file");
        StarIndex::open(&self.1)
    }
}

/// Reads every cell and every tile, quads and all; the first error.
fn exercise(index: &StarIndex) -> Result<(), IndexError> {
    let mut first = Ok(());
    for (number, tier) in index.tiers().iter().enumerate() {
        for cell in 0..cells_of_depth(tier.depth as u8) as u64 {
            first = first.and(index.cells(number, cell, cell + 1).map(|_| ()));
        }
    }
    for (number, band) in index.bands().iter().enumerate() {
        for cell in 0..cells_of_depth(band.depth as u8) as u64 {
            first = first.and(index.tile(number, cell).map(|tile| {
                (0..tile.len()).for_each(|quad| assert!(tile.stars(quad).is_some()));
            }));
        }
    }
    first
}

#[test]
fn comes_back_as_written() {
    let (table, tiles, bytes) = written();
    assert_eq!(bytes, written().2);
    let index = OnDisk::new().open(&bytes).expect("a sound index");
    assert_eq!(index.verify_all(), Ok(()));
    for (number, record) in table.records.iter().enumerate() {
        assert_eq!(index.star(number as u32), Ok(record));
    }
    assert!(assert_quads(&index, &tiles) > 900);
}

/// Compares every quad; their number.
fn assert_quads(index: &StarIndex, tiles: &[Vec<StoredQuad>]) -> usize {
    let mut total = 0;
    for (number, quads) in tiles.iter().enumerate() {
        let mut expected = quads.clone();
        expected.sort_unstable();
        let tile = index.tile(0, number as u64).expect("a sound tile");
        let found: Vec<StoredQuad> = tile
            .codes()
            .enumerate()
            .map(|(i, code)| StoredQuad {
                code,
                stars: tile.stars(i).expect("in the tile"),
            })
            .collect();
        assert_eq!(found, expected);
        assert_eq!(tile.stars(found.len()), None);
        total += found.len();
    }
    total
}

/// Tiles with 4 to 4,000 stars: local numbers of every width from two bits to twelve.
#[test]
fn local_numbers_of_every_width() {
    let table = StarTable::new(&stars());
    let mut tiles = vec![Vec::new(); cells_of_depth(DEPTH)];
    let mut total = 0;
    for (tile, count) in [4, 7, 8, 9, 17, 64, 65, 200, 400, 900, 2000, 4000]
        .iter()
        .enumerate()
    {
        for first in 0..count / 4 {
            let stars = [0, 1, 2, 3].map(|k| (first * 4 + k * 3) % count);
            let code = u64::from(first * 7919 % 4096) << 30 | 5;
            tiles[tile].push(StoredQuad { code, stars });
            total += 1;
        }
    }
    let bytes = bytes_of(&table, &tiles);
    let disk = OnDisk::new();
    let index = disk.open(&bytes).expect("a sound index");
    assert_eq!(assert_quads(&index, &tiles), total);
}

/// In version 2 every local number had twelve bits, as those of a tile with more than 2,048 stars
/// have in this one: such an index differs in nothing but the version.
#[test]
fn the_version_before_is_read() {
    let table = StarTable::new(&stars());
    let mut tiles = vec![Vec::new(); cells_of_depth(DEPTH)];
    tiles[5] = quads(&table).concat();
    let mut bytes = bytes_of(&table, &tiles);
    let mut header: Header = bytemuck::pod_read_unaligned(&bytes[..HEADER_BYTES]);
    header.version = 2;
    header.header_checksum = 0;
    header.header_checksum = xxhash_rust::xxh3::xxh3_64(bytemuck::bytes_of(&header));
    bytes[..HEADER_BYTES].copy_from_slice(bytemuck::bytes_of(&header));
    let index = OnDisk::new().open(&bytes).expect("a sound index");
    assert_eq!(index.header().version, 2);
    assert!(assert_quads(&index, &tiles) > 900);
}

#[test]
fn other_files_and_versions_are_named() {
    let (_, _, bytes) = written();
    let disk = OnDisk::new();
    let mut other = bytes.clone();
    other[0] ^= 1;
    assert_eq!(disk.open(&other).err(), Some(IndexError::NotAnIndex));
    let mut other = bytes.clone();
    other[8] = 9;
    let version = IndexError::Version {
        found: 9,
        expected: 3,
    };
    assert_eq!(disk.open(&other).err(), Some(version));
    for length in [0, 1, HEADER_BYTES - 1] {
        assert_eq!(
            disk.open(&bytes[..length]).err(),
            Some(IndexError::NotAnIndex)
        );
    }
    for length in [HEADER_BYTES, 1000, bytes.len() - 1] {
        assert_eq!(
            disk.open(&bytes[..length]).err(),
            Some(IndexError::Damaged("length"))
        );
    }
}

#[test]
fn every_flipped_byte_is_noticed() {
    let (_, _, mut bytes) = written();
    let disk = OnDisk::new();
    let directory = disk.open(&bytes).expect("sound").header().directory_offset as usize;
    for place in (12..HEADER_BYTES).chain((HEADER_BYTES..bytes.len()).step_by(97)) {
        bytes[place] ^= 0x10;
        let opened = disk.open(&bytes);
        bytes[place] ^= 0x10;
        if place < HEADER_BYTES || place >= directory {
            let part = if place < HEADER_BYTES {
                "header"
            } else {
                "directory"
            };
            assert_eq!(
                opened.err(),
                Some(IndexError::Damaged(part)),
                "byte {place}"
            );
            continue;
        }
        let index = opened.expect("header and directory are sound");
        let damaged = Err(IndexError::Damaged("content"));
        assert_eq!(index.verify_all(), damaged, "byte {place}");
        assert_eq!(exercise(&index), damaged, "byte {place}");
    }
}
