//! Lays stars and quads out as a star-index.

use crate::layout::{
    BLOCK_BYTES, Band, HEADER_BYTES, Header, LOCAL_BITS, MAGIC, PACKED_BYTES, TIER_BASE,
    TIER_DEPTH, Tier, VERSION, cells_of_depth, padded,
};
use crate::star::StarRecord;
use xxhash_rust::xxh3::xxh3_64;

/// A quad to be stored: its packed code and its stars A, B, C, D as numbers of the star table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct StoredQuad {
    /// See [`crate::quad::pack`].
    pub code: u64,
    /// Star numbers.
    pub stars: [u32; 4],
}

/// A band to be stored.
#[derive(Debug, Clone)]
pub struct BandContents {
    /// HEALPix depth of its tiles.
    pub depth: u8,
    /// Shortest and longest AB, radians.
    pub size_rad: [f64; 2],
    /// Quads by tile, `12 * 4^depth` lists; sorted here.
    pub tiles: Vec<Vec<StoredQuad>>,
}

/// The star table in its final order, with the cell starts of each tier.
#[derive(Debug, Clone)]
pub struct StarTable {
    /// Records in file order.
    pub records: Vec<StarRecord>,
    /// For each record the number of the input star.
    pub input_numbers: Vec<u32>,
    tiers: Vec<(u8, usize, Vec<u32>)>,
}

impl StarTable {
    /// Sorts stars into tiers and cells. Ties break by direction and input number.
    pub fn new(stars: &[StarRecord]) -> StarTable {
        let mut by_mag: Vec<u32> = (0..stars.len() as u32).collect();
        by_mag.sort_by(|&a, &b| {
            let key = |i: u32| stars[i as usize].mag();
            key(a).total_cmp(&key(b)).then(a.cmp(&b))
        });
        let mut table = StarTable {
            records: Vec::new(),
            input_numbers: Vec::new(),
            tiers: Vec::new(),
        };
        let mut first = 0;
        let mut depth = TIER_DEPTH;
        while first < by_mag.len() || table.tiers.is_empty() {
            let limit = TIER_BASE << (2 * (depth - TIER_DEPTH));
            let end = by_mag.len().min(limit);
            let mut members: Vec<(u64, usize, u32)> = by_mag[first..end]
                .iter()
                .enumerate()
                .map(|(rank, &i)| (cell_of(stars[i as usize].vector(), depth), rank, i))
                .collect();
            members.sort_unstable();
            let mut starts = vec![0_u32; cells_of_depth(depth) + 1];
            for &(cell, _, i) in &members {
                starts[cell as usize + 1] += 1;
                table.records.push(stars[i as usize]);
                table.input_numbers.push(i);
            }
            for cell in 1..starts.len() {
                starts[cell] += starts[cell - 1];
            }
            table.tiers.push((depth, first, starts));
            first = end;
            depth += 1;
        }
        table
    }
}

/// HEALPix (nested) cell of a unit vector.
pub fn cell_of(vector: [f64; 3], depth: u8) -> u64 {
    let [x, y, z] = vector;
    cdshealpix::nested::hash(depth, y.atan2(x), z.atan2(x.hypot(y)))
}

/// Everything that goes into a star-index.
#[derive(Debug, Clone)]
pub struct Contents<'a> {
    /// Julian year of the positions.
    pub epoch_jyear: f64,
    /// Where the stars came from (at most 40 bytes are kept).
    pub origin: &'a str,
    /// The stars.
    pub table: &'a StarTable,
    /// The quads.
    pub bands: Vec<BandContents>,
}

/// A tile uses more stars than its local numbers can name.
#[derive(Debug, thiserror::Error)]
#[error(
    "tile {tile} of band {band} needs {stars} stars where at most {} fit: use a greater tile depth",
    1 << LOCAL_BITS
)]
pub struct TileTooFull {
    band: usize,
    tile: usize,
    stars: usize,
}

impl Contents<'_> {
    /// The bytes of the file. The same contents give the same bytes.
    pub fn to_bytes(&self) -> Result<Vec<u8>, TileTooFull> {
        let table = self.table;
        let mut body: Vec<u8> = bytemuck::cast_slice(&table.records).to_vec();
        let tables_bytes = table.tiers.len() * std::mem::size_of::<Tier>()
            + self.bands.len() * std::mem::size_of::<Band>();
        let mut directory_end = HEADER_BYTES + tables_bytes;
        let mut tiers = Vec::new();
        for (depth, first, starts) in &table.tiers {
            tiers.push(Tier {
                depth: u32::from(*depth),
                reserved: 0,
                first_star: *first as u64,
                stars: u64::from(*starts.last().unwrap_or(&0)),
                cell_starts: directory_end as u64,
            });
            directory_end = padded(directory_end + 4 * starts.len());
        }
        let mut bands = Vec::new();
        let mut tile_starts = Vec::new();
        for (number, band) in self.bands.iter().enumerate() {
            bands.push(Band {
                depth: u32::from(band.depth),
                reserved: 0,
                shortest_rad: band.size_rad[0],
                longest_rad: band.size_rad[1],
                quads: band.tiles.iter().map(|t| t.len() as u64).sum(),
                tile_starts: directory_end as u64,
            });
            directory_end += 8 * (band.tiles.len() + 1);
            let mut starts = Vec::with_capacity(band.tiles.len() + 1);
            for (tile, quads) in band.tiles.iter().enumerate() {
                starts.push(body.len() as u64);
                append_tile(&mut body, quads).map_err(|stars| TileTooFull {
                    band: number,
                    tile,
                    stars,
                })?;
            }
            starts.push(body.len() as u64);
            tile_starts.push(starts);
        }
        let body_offset = padded(directory_end + 8 * body.len().div_ceil(BLOCK_BYTES));
        let mut directory = Vec::with_capacity(body_offset);
        directory.extend_from_slice(bytemuck::cast_slice(&tiers));
        directory.extend_from_slice(bytemuck::cast_slice(&bands));
        for (_, _, starts) in &table.tiers {
            directory.extend_from_slice(bytemuck::cast_slice(starts));
            directory.resize(padded(directory.len()), 0);
        }
        for starts in &tile_starts {
            for start in starts {
                directory.extend_from_slice(&(start + body_offset as u64).to_le_bytes());
            }
        }
        for block in body.chunks(BLOCK_BYTES) {
            directory.extend_from_slice(&xxh3_64(block).to_le_bytes());
        }
        directory.resize(body_offset - HEADER_BYTES, 0);
        let mut origin = [0_u8; 40];
        let kept = self.origin.floor_char_boundary(40);
        origin[..kept].copy_from_slice(&self.origin.as_bytes()[..kept]);
        let mut header = Header {
            magic: MAGIC,
            version: VERSION,
            tiers: tiers.len() as u32,
            bands: bands.len() as u32,
            reserved: 0,
            file_bytes: (body_offset + body.len()) as u64,
            body_offset: body_offset as u64,
            stars: table.records.len() as u64,
            quads: bands.iter().map(|b| b.quads).sum(),
            epoch_jyear: self.epoch_jyear,
            faintest_mag: table
                .records
                .iter()
                .map(|s| f64::from(s.mag()))
                .fold(-99.0, f64::max),
            directory_checksum: xxh3_64(&directory),
            header_checksum: 0,
            origin,
        };
        header.header_checksum = xxh3_64(bytemuck::bytes_of(&header));
        let mut bytes = Vec::with_capacity(body_offset + body.len());
        bytes.extend_from_slice(bytemuck::bytes_of(&header));
        bytes.extend_from_slice(&directory);
        bytes.extend_from_slice(&body);
        Ok(bytes)
    }
}

/// Appends a tile record; `Err` holds the number of stars where there are too many.
fn append_tile(body: &mut Vec<u8>, quads: &[StoredQuad]) -> Result<(), usize> {
    let mut quads = quads.to_vec();
    quads.sort_unstable();
    let mut locals: Vec<u32> = quads.iter().flat_map(|q| q.stars).collect();
    locals.sort_unstable();
    locals.dedup();
    if locals.len() > 1 << LOCAL_BITS {
        return Err(locals.len());
    }
    body.extend_from_slice(&(locals.len() as u32).to_le_bytes());
    body.extend_from_slice(&(quads.len() as u32).to_le_bytes());
    for star in &locals {
        body.extend_from_slice(&star.to_le_bytes());
    }
    for quad in &quads {
        body.extend_from_slice(&quad.code.to_le_bytes()[..PACKED_BYTES]);
    }
    for quad in &quads {
        let packed = quad.stars.iter().fold(0_u64, |packed, star| {
            packed << LOCAL_BITS | locals.binary_search(star).unwrap_or(0) as u64
        });
        body.extend_from_slice(&packed.to_le_bytes()[..PACKED_BYTES]);
    }
    body.resize(padded(body.len()), 0);
    Ok(())
}
