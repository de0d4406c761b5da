//! A small star-index written, read back, and damaged in every way.

use star_index::layout::{BLOCK_BYTES, Band, HEADER_BYTES, Header, Tier, cells_of_depth};
use star_index::quad::{canonical, on_tangent_plane, pack, steps};
use star_index::write::{BandContents, Contents, StarTable, StoredQuad, TileForm, cell_of};
use star_index::writer::About;
use star_index::{IndexError, StarIndex, StarRecord};
use std::path::PathBuf;
use xxhash_rust::xxh3::xxh3_64;

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
            StarRecord::new([across * cos, across * sin, z], [1.0, -2.0], mag)
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
    let bytes = bytes_of(&table, &tiles, TileForm::Plain);
    (table, tiles, bytes)
}

fn bytes_of(table: &StarTable, tiles: &[Vec<StoredQuad>], form: TileForm) -> Vec<u8> {
    let bands = vec![BandContents {
        depth: DEPTH,
        thin_depth: DEPTH,
        size_rad: [0.0, 1.0],
        form,
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
        assert_eq!(index.star(number as u32), Ok(*record));
    }
    assert!(assert_quads(&index, &tiles) > 900);
    let bytes = bytes_of(&table, &tiles, TileForm::Grouped);
    let index = OnDisk::new().open(&bytes).expect("a sound index");
    assert!(assert_quads(&index, &tiles) > 900);
}

/// Compares every quad; their number.
fn assert_quads(index: &StarIndex, tiles: &[Vec<StoredQuad>]) -> usize {
    let mut total = 0;
    for (number, quads) in tiles.iter().enumerate() {
        let mut expected = quads.clone();
        expected.sort_unstable();
        let tile = index.tile(0, number as u64).expect("a sound tile");
        let mut found: Vec<StoredQuad> = tile
            .codes()
            .enumerate()
            .map(|(i, code)| StoredQuad {
                code,
                stars: tile.stars(i).expect("in the tile"),
            })
            .collect();
        found.sort_unstable();
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
    let disk = OnDisk::new();
    for form in [TileForm::Plain, TileForm::Grouped] {
        let bytes = bytes_of(&table, &tiles, form);
        let index = disk.open(&bytes).expect("a sound index");
        assert_eq!(assert_quads(&index, &tiles), total);
    }
}

/// Stars within three degrees of a place near the equator, one every third of a degree.
fn disc_of_stars() -> StarTable {
    let records: Vec<StarRecord> = (0..240)
        .map(|i| {
            let (sin, cos) = (2.399_963_229_728_653 * f64::from(i)).sin_cos();
            let out = 0.05 * (f64::from(i) / 240.0).sqrt();
            let across = (1.0 - out * out).sqrt();
            let vector = [
                0.8 * across - 0.6 * out * sin,
                out * cos,
                0.6 * across + 0.8 * out * sin,
            ];
            StarRecord::new(vector, [0.0; 2], 9.0)
        })
        .collect();
    StarTable::new(&records)
}

/// Quads of each star with those next to it, by the tile of their first star.
fn quads_of(table: &StarTable) -> Vec<Vec<StoredQuad>> {
    let mut tiles = vec![Vec::new(); cells_of_depth(DEPTH)];
    for number in 0..table.records.len() {
        let at = |i: usize| table.records[i].vector();
        let chord2 = |i: usize| {
            (0..3)
                .map(|k| (at(i)[k] - at(number)[k]).powi(2))
                .sum::<f64>()
        };
        let mut near: Vec<usize> = (0..table.records.len()).filter(|&i| i != number).collect();
        near.sort_by(|&a, &b| chord2(a).total_cmp(&chord2(b)));
        for three in [
            [0, 1, 2],
            [0, 1, 3],
            [0, 2, 3],
            [1, 2, 3],
            [0, 1, 4],
            [2, 3, 4],
        ] {
            let set = [number, near[three[0]], near[three[1]], near[three[2]]];
            let ordered = on_tangent_plane(set.map(at)).and_then(|p| canonical(&p));
            let ordered = ordered.expect("four places");
            let stars = ordered.order.map(|k| set[k] as u32);
            let tile = cell_of(at(stars[0] as usize), DEPTH);
            let code = pack(ordered.code);
            tiles[tile as usize].push(StoredQuad { code, stars });
        }
    }
    tiles
}

/// Codes that are left out are those of the quads to one step a number, and stand beside the same
/// stars, at the first look and at the second.
#[test]
fn codes_left_out_are_drawn() {
    let table = disc_of_stars();
    let tiles = quads_of(&table);
    let small = bytes_of(&table, &tiles, TileForm::Codeless);
    assert!(small.len() < bytes_of(&table, &tiles, TileForm::Grouped).len());
    let index = OnDisk::new().open(&small).expect("a sound index");
    let mut total = 0;
    for (number, quads) in tiles.iter().enumerate().cycle().take(2 * tiles.len()) {
        let tile = index.tile(0, number as u64).expect("a sound tile");
        assert_eq!(tile.len(), quads.len());
        for (at, code) in tile.codes().enumerate() {
            let stars = tile.stars(at).expect("in the tile");
            let quad = quads.iter().find(|quad| quad.stars == stars);
            let expected = steps(quad.expect("a quad that was written").code);
            let found = steps(code);
            let is_near = (0..4).all(|k| (found[k] - expected[k]).abs() <= 1);
            assert!(is_near, "{found:?} for {expected:?}");
            total += 1;
        }
    }
    assert!(total > 2500, "{total} quads");
}

/// The same index as an earlier version had it: two bytes more at the end of each star.
fn as_version(version: u32, bytes: &[u8]) -> Vec<u8> {
    let mut header: Header = bytemuck::pod_read_unaligned(&bytes[..HEADER_BYTES]);
    let padded = |length: usize| length.div_ceil(8) * 8;
    let stars = &bytes[HEADER_BYTES..][..14 * header.stars as usize];
    let (old, new) = (
        padded(HEADER_BYTES + stars.len()),
        padded(HEADER_BYTES + stars.len() / 14 * 16),
    );
    let moved = |offset: u64| match offset {
        0 => 0,
        _ => offset + (new - old) as u64,
    };
    let mut out = vec![0; HEADER_BYTES];
    for star in stars.chunks(14) {
        out.extend_from_slice(star);
        // No colour.
        out.extend_from_slice(&i16::MAX.to_le_bytes());
    }
    out.resize(new, 0);
    let directory = header.directory_offset as usize;
    out.extend_from_slice(&bytes[old..directory]);
    let mut tables = bytes[directory..].to_vec();
    let tiers = header.tiers as usize * size_of::<Tier>();
    for tier in bytemuck::cast_slice_mut::<u8, Tier>(&mut tables[..tiers]) {
        (tier.groups, tier.pages) = (moved(tier.groups), moved(tier.pages));
    }
    let mut band: Band = bytemuck::pod_read_unaligned(&tables[tiers..][..size_of::<Band>()]);
    (band.groups, band.pages) = (moved(band.groups), moved(band.pages));
    tables[tiers..][..size_of::<Band>()].copy_from_slice(bytemuck::bytes_of(&band));
    // The band's one page is the last thing in the body.
    let pages = band.pages as usize;
    for entry in out[pages..].chunks_mut(8) {
        let offset = u64::from_le_bytes(entry.try_into().expect("eight"));
        entry.copy_from_slice(&moved(offset).to_le_bytes());
    }
    tables.truncate(tables.len() - 8 * (directory - HEADER_BYTES).div_ceil(BLOCK_BYTES));
    for block in out[HEADER_BYTES..].chunks(BLOCK_BYTES) {
        tables.extend_from_slice(&xxh3_64(block).to_le_bytes());
    }
    header.version = version;
    header.directory_offset = out.len() as u64;
    header.directory_checksum = xxh3_64(&tables);
    header.file_bytes = (out.len() + tables.len()) as u64;
    header.header_checksum = 0;
    header.header_checksum = xxh3_64(bytemuck::bytes_of(&header));
    out[..HEADER_BYTES].copy_from_slice(bytemuck::bytes_of(&header));
    out.extend_from_slice(&tables);
    out
}

/// In version 3 a star had a colour; in version 2 every local number had twelve bits besides, as
/// those of a tile with more than 2,048 stars have in this one.
#[test]
fn the_versions_before_are_read() {
    let table = StarTable::new(&stars());
    let mut tiles = vec![Vec::new(); cells_of_depth(DEPTH)];
    tiles[5] = quads(&table).concat();
    let bytes = bytes_of(&table, &tiles, TileForm::Plain);
    for version in [2, 3] {
        let index = OnDisk::new().open(&as_version(version, &bytes));
        let index = index.expect("a sound index");
        assert_eq!(index.header().version, version);
        assert_eq!(index.verify_all(), Ok(()));
        assert!(assert_quads(&index, &tiles) > 900);
        let all = cells_of_depth(index.tiers()[0].depth as u8) as u64;
        let first = index.cells(0, 0, all).expect("sound");
        assert_eq!(first[..], table.records[..first.len()]);
        let last = table.records.len() - 1;
        assert_eq!(index.star(last as u32), Ok(table.records[last]));
    }
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
        expected: 4,
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
