//! Lays stars and quads out as a star-index.
//!
//! [`Contents`] holds everything in memory; [`writer`](crate::writer) takes it piece by piece.

use crate::groups::{append, divide};
use crate::layout::{
    CODE_BYTES, CODELESS, GROUPED, GROUPED_LOCALS, LOCAL_BITS, TIER_BASE, TIER_DEPTH, VERSION,
    local_bits, padded,
};
use crate::star::StarRecord;
use crate::tile::Locals;
use crate::writer::{About, BandShape, IndexWriter, TierShape, WriteError};
use std::io::Cursor;

/// A quad to be stored: its packed code and its stars A, B, C, D as numbers of the star table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct StoredQuad {
    /// See [`crate::quad::pack`].
    pub code: u64,
    /// Star numbers.
    pub stars: [u32; 4],
}

/// How the quads of a tile are written: see [`crate::layout`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TileForm {
    /// Each by itself: quick to write.
    Plain,
    /// In groups of few stars: small where quads share their stars.
    Grouped,
    /// Likewise, and their codes are left out: for quads of a few degrees at most.
    Codeless,
}

/// A band to be stored.
#[derive(Debug, Clone)]
pub struct BandContents {
    /// HEALPix depth of its tiles.
    pub depth: u8,
    /// HEALPix depth of the cells whose brightest stars its quads join.
    pub thin_depth: u8,
    /// Shortest and longest AB, radians.
    pub size_rad: [f64; 2],
    /// How they are written.
    pub form: TileForm,
    /// Quads by tile, `12 * 4^depth` lists; sorted here.
    pub tiles: Vec<Vec<StoredQuad>>,
}

impl BandContents {
    /// The tile records in order, in pieces that were worked on side by side.
    fn encoded(&self) -> Result<Vec<EncodedTiles>, TileTooFull> {
        const PIECES: usize = 16;
        let length = self.tiles.len().div_ceil(PIECES).max(1);
        let encode = |first: usize, quads: &[Vec<StoredQuad>]| {
            let mut tiles = EncodedTiles::default();
            for (number, quads) in quads.iter().enumerate() {
                tiles.push((first + number) as u64, quads, self.form)?;
            }
            Ok(tiles)
        };
        std::thread::scope(|scope| {
            let pieces = self.tiles.chunks(length).enumerate();
            let pieces: Vec<_> = pieces
                .map(|(k, quads)| scope.spawn(move || encode(k * length, quads)))
                .collect();
            let done = pieces.into_iter().map(|piece| piece.join());
            done.map(|piece| piece.unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
                .collect()
        })
    }
}

/// The star table in its final order, with the cells of each tier.
#[derive(Debug, Clone)]
pub struct StarTable {
    /// Records in file order.
    pub records: Vec<StarRecord>,
    /// For each record the number of the input star.
    pub input_numbers: Vec<u32>,
    /// Depth of each tier, and the cell of each of its stars in file order.
    tiers: Vec<(u8, Vec<u64>)>,
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
            for &(_, _, i) in &members {
                table.records.push(stars[i as usize]);
                table.input_numbers.push(i);
            }
            let cells = members.into_iter().map(|(cell, ..)| cell).collect();
            table.tiers.push((depth, cells));
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
    /// Epoch, origin and what it was built for.
    pub about: About<'a>,
    /// The stars.
    pub table: &'a StarTable,
    /// The quads.
    pub bands: Vec<BandContents>,
}

impl Contents<'_> {
    /// The bytes of the file. The same contents give the same bytes.
    ///
    /// # Errors
    ///
    /// A tile that needs more stars than its local numbers can name.
    pub fn to_bytes(&self) -> Result<Vec<u8>, WriteError> {
        let table = self.table;
        let shapes: Vec<TierShape> = table
            .tiers
            .iter()
            .map(|(depth, cells)| TierShape {
                depth: *depth,
                stars: cells.len() as u64,
            })
            .collect();
        let bands = self.bands.iter().map(|band| BandShape {
            depth: band.depth,
            thin_depth: band.thin_depth,
        });
        let bands: Vec<BandShape> = bands.collect();
        let mut writer = IndexWriter::new(Cursor::new(Vec::new()), &shapes, &bands)?;
        let mut first = 0;
        for (tier, (_, cells)) in table.tiers.iter().enumerate() {
            writer.put_stars(tier, cells, &table.records[first..first + cells.len()])?;
            first += cells.len();
        }
        for (number, band) in self.bands.iter().enumerate() {
            for tiles in band.encoded()? {
                writer.put_tiles(number, &tiles)?;
            }
            writer.widen(number, band.size_rad);
        }
        Ok(writer.finish(&self.about)?.into_inner())
    }
}

/// A tile uses more stars than its local numbers can name.
#[derive(Debug, thiserror::Error)]
#[error(
    "a tile of the sky needs {stars} stars where at most {} fit",
    1 << LOCAL_BITS
)]
pub struct TileTooFull {
    stars: usize,
}

/// Tile records of one band, one after the other, ready to be written.
#[derive(Debug, Clone, Default)]
pub struct EncodedTiles {
    pub(crate) bytes: Vec<u8>,
    /// Number of each tile and where its record begins in `bytes`.
    pub(crate) tiles: Vec<(u64, u64)>,
    pub(crate) quads: u64,
}

impl EncodedTiles {
    /// Appends the record of a tile; a tile without quads has none. One of too many stars for groups
    /// is written plain.
    ///
    /// # Errors
    ///
    /// A tile that needs more stars than its local numbers can name.
    pub fn push(
        &mut self,
        tile: u64,
        quads: &[StoredQuad],
        form: TileForm,
    ) -> Result<(), TileTooFull> {
        if quads.is_empty() {
            return Ok(());
        }
        self.tiles.push((tile, self.bytes.len() as u64));
        self.quads += quads.len() as u64;
        let mut quads = quads.to_vec();
        quads.sort_unstable();
        let mut locals: Vec<u32> = quads.iter().flat_map(|q| q.stars).collect();
        locals.sort_unstable();
        locals.dedup();
        if form == TileForm::Plain || locals.len() > GROUPED_LOCALS {
            self.push_plain(&quads, &locals)?;
        } else {
            self.push_grouped(&quads, &locals, form == TileForm::Codeless);
        }
        self.bytes.resize(padded(self.bytes.len()), 0);
        Ok(())
    }

    fn push_plain(&mut self, quads: &[StoredQuad], locals: &[u32]) -> Result<(), TileTooFull> {
        let body = &mut self.bytes;
        if locals.len() > 1 << LOCAL_BITS {
            let stars = locals.len();
            return Err(TileTooFull { stars });
        }
        body.extend_from_slice(&(locals.len() as u32).to_le_bytes());
        body.extend_from_slice(&(quads.len() as u32).to_le_bytes());
        for star in locals {
            body.extend_from_slice(&star.to_le_bytes());
        }
        for quad in quads {
            body.extend_from_slice(&quad.code.to_le_bytes()[..CODE_BYTES]);
        }
        let bits = local_bits(VERSION, locals.len());
        let (mut pending, mut length) = (0_u64, 0);
        for quad in quads {
            let packed = quad.stars.iter().fold(0_u64, |packed, star| {
                packed << bits | locals.binary_search(star).unwrap_or(0) as u64
            });
            // At most 7 bits are pending, and 48 come.
            pending |= packed << length;
            length += 4 * bits;
            let whole = length as usize / 8;
            body.extend_from_slice(&pending.to_le_bytes()[..whole]);
            pending >>= 8 * whole;
            length %= 8;
        }
        if length > 0 {
            body.push(pending as u8);
        }
        Ok(())
    }

    fn push_grouped(&mut self, quads: &[StoredQuad], locals: &[u32], codeless: bool) {
        let local = |star: u32| locals.binary_search(&star).unwrap_or(0) as u8;
        let named: Vec<[u8; 4]> = quads.iter().map(|quad| quad.stars.map(local)).collect();
        let (mut numbers, mut codes, mut groups) = (Vec::new(), Vec::new(), Vec::new());
        Locals::append(&mut numbers, locals);
        for (stars, members) in divide(&named) {
            let of_group: Vec<[u8; 4]> = members.iter().map(|&k| named[k]).collect();
            append(&mut groups, &stars, &of_group);
            let stored = members.iter().map(|&k| quads[k].code.to_le_bytes());
            codes.extend(stored.flat_map(|code| code.into_iter().take(CODE_BYTES)));
        }
        let kind = if codeless {
            GROUPED | CODELESS
        } else {
            GROUPED
        };
        let head = [
            locals.len() as u32 | kind,
            quads.len() as u32,
            numbers.len() as u32,
            groups.len() as u32,
        ];
        self.bytes
            .extend(head.iter().flat_map(|word| word.to_le_bytes()));
        self.bytes.append(&mut numbers);
        if !codeless {
            self.bytes.append(&mut codes);
        }
        self.bytes.append(&mut groups);
    }

    /// Number of quads.
    pub fn quads(&self) -> u64 {
        self.quads
    }
}
