//! Reads a star-index in place. Nothing it holds is trusted before its checksum was verified.

use crate::layout::{
    BLOCK_BYTES, Band, HEADER_BYTES, Header, LOCAL_BITS, MAGIC, PACKED_BYTES, Tier, VERSION,
    cells_of_depth,
};
use crate::star::StarRecord;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use xxhash_rust::xxh3::xxh3_64;

/// Why a star-index cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum IndexError {
    /// It could not be opened or mapped.
    #[error("cannot be opened: {0}")]
    Io(String),
    /// It is no star-index.
    #[error("is not a star-index (.nfsky)")]
    NotAnIndex,
    /// It was written for another version of nightfix.
    #[error(
        "is a star-index of version {found}, this program reads version {expected}: build it again with index-builder"
    )]
    Version {
        /// Version in the file.
        found: u32,
        /// Version that can be read.
        expected: u32,
    },
    /// Its bytes are not those that were written.
    #[error("is damaged ({0}): copy or build it again")]
    Damaged(&'static str),
}

/// Deepest HEALPix cells of a tier or band.
const MAX_DEPTH: u32 = 12;

enum Bytes {
    Static(&'static [u8]),
    Mapped(memmap2::Mmap),
}

/// A star-index, mapped or embedded.
pub struct StarIndex {
    bytes: Bytes,
    header: Header,
    tiers: Vec<Tier>,
    bands: Vec<Band>,
    checksums: usize,
    /// One bit per block: its checksum was verified.
    verified: Vec<AtomicU64>,
    /// Number of bits set in `verified`.
    touched: AtomicU64,
}

impl std::fmt::Debug for StarIndex {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("StarIndex")
            .field("header", &self.header)
            .finish_non_exhaustive()
    }
}

/// The quads of one tile.
#[derive(Debug, Clone, Copy)]
pub struct Tile<'a> {
    locals: &'a [u32],
    codes: &'a [u8],
    stars: &'a [u8],
}

impl<'a> Tile<'a> {
    /// Number of quads.
    pub fn len(&self) -> usize {
        self.codes.len() / PACKED_BYTES
    }

    /// True where the tile holds no quad.
    pub fn is_empty(&self) -> bool {
        self.codes.is_empty()
    }

    /// Packed codes in stored order.
    #[inline]
    pub fn codes(&self) -> impl Iterator<Item = u64> + 'a {
        self.codes.chunks_exact(PACKED_BYTES).map(six_bytes)
    }

    /// Star numbers A, B, C, D of quad `number`; `None` beyond the end or for a number that the
    /// tile cannot name.
    pub fn stars(&self, number: usize) -> Option<[u32; 4]> {
        let packed = six_bytes(self.stars.chunks_exact(PACKED_BYTES).nth(number)?);
        let mut stars = [0; 4];
        for (i, star) in stars.iter_mut().enumerate() {
            let local = packed >> ((3 - i as u32) * LOCAL_BITS) & ((1 << LOCAL_BITS) - 1);
            *star = *self.locals.get(local as usize)?;
        }
        Some(stars)
    }
}

#[inline]
fn six_bytes(chunk: &[u8]) -> u64 {
    let low = u32::from_le_bytes([chunk[0], chunk[1], chunk[2], chunk[3]]);
    let high = u16::from_le_bytes([chunk[4], chunk[5]]);
    u64::from(high) << 32 | u64::from(low)
}

impl StarIndex {
    /// Maps the star-index at `path`. Reads header and directory only.
    #[allow(unsafe_code)]
    pub fn open(path: &Path) -> Result<StarIndex, IndexError> {
        let file = std::fs::File::open(path).map_err(|e| IndexError::Io(e.to_string()))?;
        let metadata = file.metadata().map_err(|e| IndexError::Io(e.to_string()))?;
        if !metadata.is_file() {
            return Err(IndexError::Io("not a file".into()));
        }
        if metadata.len() < HEADER_BYTES as u64 {
            return Err(IndexError::NotAnIndex);
        }
        // SAFETY: star-indexes are replaced by rename, never rewritten in place; nothing read
        // from the map is used before its checksum was verified, and every number read from it
        // is checked against the bounds.
        let map =
            unsafe { memmap2::Mmap::map(&file) }.map_err(|e| IndexError::Io(e.to_string()))?;
        StarIndex::new(Bytes::Mapped(map))
    }

    /// A star-index that is part of the program, aligned to at least 8 bytes.
    pub fn embedded(bytes: &'static [u8]) -> Result<StarIndex, IndexError> {
        StarIndex::new(Bytes::Static(bytes))
    }

    fn new(bytes: Bytes) -> Result<StarIndex, IndexError> {
        let all: &[u8] = match &bytes {
            Bytes::Static(b) => b,
            Bytes::Mapped(m) => m,
        };
        let head = all.get(..HEADER_BYTES).ok_or(IndexError::NotAnIndex)?;
        let header: Header = bytemuck::pod_read_unaligned(head);
        if header.magic != MAGIC {
            return Err(IndexError::NotAnIndex);
        }
        if header.version != VERSION {
            return Err(IndexError::Version {
                found: header.version,
                expected: VERSION,
            });
        }
        let mut unsigned = header;
        unsigned.header_checksum = 0;
        if xxh3_64(bytemuck::bytes_of(&unsigned)) != header.header_checksum {
            return Err(IndexError::Damaged("header"));
        }
        if header.file_bytes != all.len() as u64 {
            return Err(IndexError::Damaged("length"));
        }
        let directory = usize::try_from(header.body_offset)
            .ok()
            .and_then(|end| all.get(HEADER_BYTES..end))
            .ok_or(IndexError::Damaged("directory"))?;
        if xxh3_64(directory) != header.directory_checksum {
            return Err(IndexError::Damaged("directory"));
        }
        let wrong = IndexError::Damaged("directory");
        let tier_bytes = header.tiers as usize * std::mem::size_of::<Tier>();
        let band_bytes = header.bands as usize * std::mem::size_of::<Band>();
        let tables = directory
            .get(..tier_bytes + band_bytes)
            .ok_or(wrong.clone())?;
        let tiers: Vec<Tier> = bytemuck::allocation::pod_collect_to_vec(&tables[..tier_bytes]);
        let bands: Vec<Band> = bytemuck::allocation::pod_collect_to_vec(&tables[tier_bytes..]);
        if !tables_fit(&header, &tiers, &bands) {
            return Err(wrong);
        }
        let body_bytes = all.len() - header.body_offset as usize;
        let blocks = body_bytes.div_ceil(BLOCK_BYTES);
        let checksums = bands
            .last()
            .map(|b| b.tile_starts as usize + 8 * (cells_of_depth(b.depth as u8) + 1))
            .or_else(|| {
                tiers.last().map(|t| {
                    let end = t.cell_starts as usize + 4 * (cells_of_depth(t.depth as u8) + 1);
                    crate::layout::padded(end)
                })
            })
            .ok_or(wrong.clone())?;
        let end = checksums.saturating_add(8 * blocks);
        if all.get(checksums..end).is_none() {
            return Err(wrong);
        }
        let verified = (0..blocks.div_ceil(64))
            .map(|_| AtomicU64::new(0))
            .collect();
        Ok(StarIndex {
            bytes,
            header,
            tiers,
            bands,
            checksums,
            verified,
            touched: AtomicU64::new(0),
        })
    }

    fn all(&self) -> &[u8] {
        match &self.bytes {
            Bytes::Static(b) => b,
            Bytes::Mapped(m) => m,
        }
    }

    /// Bytes `start..end` of the file, which must lie in the body, after their blocks were
    /// verified.
    fn body(&self, start: u64, end: u64) -> Result<&[u8], IndexError> {
        let all = self.all();
        let offset = self.header.body_offset;
        if start < offset || end < start || end > all.len() as u64 {
            return Err(IndexError::Damaged("offsets"));
        }
        if start == end {
            // An empty piece of the file itself: aligned like any other.
            return Ok(&all[start as usize..start as usize]);
        }
        let first = (start - offset) as usize / BLOCK_BYTES;
        let last = (end - 1 - offset) as usize / BLOCK_BYTES;
        for block in first..=last {
            let (word, bit) = (&self.verified[block / 64], 1_u64 << (block % 64));
            if word.load(Ordering::Acquire) & bit == 0 {
                self.verify_block(block)?;
                let before = word.fetch_or(bit, Ordering::Release);
                // Two threads may have verified it at once; it counts once.
                self.touched
                    .fetch_add(u64::from(before & bit == 0), Ordering::Relaxed);
            }
        }
        Ok(&all[start as usize..end as usize])
    }

    fn verify_block(&self, block: usize) -> Result<(), IndexError> {
        let all = self.all();
        let begin = self.header.body_offset as usize + block * BLOCK_BYTES;
        let bytes = &all[begin..all.len().min(begin + BLOCK_BYTES)];
        let stored = self.u64_at(self.checksums + 8 * block);
        if stored == Some(xxh3_64(bytes)) {
            Ok(())
        } else {
            Err(IndexError::Damaged("content"))
        }
    }

    fn u64_at(&self, offset: usize) -> Option<u64> {
        let bytes = self.all().get(offset..offset + 8)?;
        Some(u64::from_le_bytes(bytes.try_into().ok()?))
    }

    fn u32_at(&self, offset: usize) -> Option<u32> {
        let bytes = self.all().get(offset..offset + 4)?;
        Some(u32::from_le_bytes(bytes.try_into().ok()?))
    }

    /// Verifies every block.
    pub fn verify_all(&self) -> Result<(), IndexError> {
        self.body(self.header.body_offset, self.header.file_bytes)
            .map(|_| ())
    }

    /// The header.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// The star tiers, brightest first.
    pub fn tiers(&self) -> &[Tier] {
        &self.tiers
    }

    /// The quad bands, smallest quads first.
    pub fn bands(&self) -> &[Band] {
        &self.bands
    }

    /// Body bytes touched since it was opened: whole blocks, each counted once.
    pub fn bytes_touched(&self) -> u64 {
        self.touched.load(Ordering::Relaxed) * BLOCK_BYTES as u64
    }

    /// Stars of the cells `first..end` of a tier, in file order: cell by cell, within a cell
    /// brightest first.
    pub fn cells(&self, tier: usize, first: u64, end: u64) -> Result<&[StarRecord], IndexError> {
        let wrong = IndexError::Damaged("offsets");
        let info = self.tiers.get(tier).ok_or(wrong.clone())?;
        if first > end || end > cells_of_depth(info.depth as u8) as u64 {
            return Err(wrong);
        }
        let entry = |cell: u64| self.u32_at(info.cell_starts as usize + 4 * cell as usize);
        let (start, stop) = entry(first).zip(entry(end)).ok_or(wrong.clone())?;
        let number = |offset: u32| {
            info.first_star
                .checked_add(offset.into())
                .ok_or(wrong.clone())
        };
        self.records(number(start)?, number(stop)?)
    }

    /// The star with a number of the star table.
    pub fn star(&self, number: u32) -> Result<&StarRecord, IndexError> {
        self.records(u64::from(number), u64::from(number) + 1)?
            .first()
            .ok_or(IndexError::Damaged("star number"))
    }

    fn records(&self, start: u64, end: u64) -> Result<&[StarRecord], IndexError> {
        if end < start || end > self.header.stars {
            return Err(IndexError::Damaged("star number"));
        }
        let size = std::mem::size_of::<StarRecord>() as u64;
        let place = |number: u64| {
            let bytes = number.checked_mul(size)?;
            bytes.checked_add(self.header.body_offset)
        };
        let (start, end) = place(start)
            .zip(place(end))
            .ok_or(IndexError::Damaged("star number"))?;
        let bytes = self.body(start, end)?;
        bytemuck::try_cast_slice(bytes).map_err(|_| IndexError::Damaged("alignment"))
    }

    /// The quads of one tile of a band.
    pub fn tile(&self, band: usize, tile: u64) -> Result<Tile<'_>, IndexError> {
        let wrong = IndexError::Damaged("offsets");
        let info = self.bands.get(band).ok_or(wrong.clone())?;
        if tile >= cells_of_depth(info.depth as u8) as u64 {
            return Err(wrong);
        }
        let entry = info.tile_starts as usize + 8 * tile as usize;
        let (start, end) = self
            .u64_at(entry)
            .zip(self.u64_at(entry + 8))
            .ok_or(wrong.clone())?;
        let record = self.body(start, end)?;
        let damaged = || IndexError::Damaged("tile");
        let (counts, rest) = record.split_at_checked(8).ok_or_else(damaged)?;
        let counts: &[u32] = bytemuck::try_cast_slice(counts).map_err(|_| damaged())?;
        let (locals, quads) = (counts[0] as usize, counts[1] as usize);
        let (local_bytes, rest) = rest.split_at_checked(4 * locals).ok_or_else(damaged)?;
        let packed = quads.checked_mul(PACKED_BYTES).ok_or_else(damaged)?;
        let (codes, rest) = rest.split_at_checked(packed).ok_or_else(damaged)?;
        let stars = rest.get(..packed).ok_or_else(damaged)?;
        let locals = bytemuck::try_cast_slice(local_bytes).map_err(|_| damaged())?;
        Ok(Tile {
            locals,
            codes,
            stars,
        })
    }
}

/// Whether the tables of where cells and tiles begin have room in the directory, all of them side
/// by side: no more cells and tiles are ever looked at than that.
fn tables_fit(header: &Header, tiers: &[Tier], bands: &[Band]) -> bool {
    let tiers = tiers.iter().map(|t| (t.depth, t.cell_starts, 4));
    let bands = bands.iter().map(|b| (b.depth, b.tile_starts, 8));
    let mut room = header.body_offset;
    tiers.chain(bands).all(|(depth, start, entry)| {
        if depth > MAX_DEPTH || start < HEADER_BYTES as u64 {
            return false;
        }
        let bytes = entry * (cells_of_depth(depth as u8) as u64 + 1);
        let end = start.checked_add(bytes);
        let left = room.checked_sub(bytes);
        room = left.unwrap_or(0);
        left.is_some() && end.is_some_and(|end| end <= header.body_offset)
    })
}
