//! Reads a star-index in place. Nothing it holds is trusted before its checksum was verified.

use crate::layout::{
    BLOCK_BYTES, Band, GROUP_CELLS, HEADER_BYTES, Header, LOCAL_BITS, MAGIC, NO_PAGE, PACKED_BYTES,
    Tier, VERSION, cells_of_depth, groups_of_depth, padded,
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
    /// Read when it was opened; whole words, so that it is aligned, and its length.
    Read(Vec<u64>, usize),
    Mapped(memmap2::Mmap),
}

impl Bytes {
    fn all(&self) -> &[u8] {
        match self {
            Bytes::Static(bytes) => bytes,
            Bytes::Read(words, length) => &bytemuck::cast_slice(words)[..*length],
            Bytes::Mapped(map) => map,
        }
    }
}

/// Star-indexes up to this size, as those of a few targets are, are read when they are opened: a
/// drive that goes away, or a file that is overwritten, then harms nobody, where a map would end
/// the process. Larger ones are mapped, so that opening them costs nothing.
const READ_BYTES: u64 = 16 << 20;

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
    const EMPTY: Tile<'static> = Tile {
        locals: &[],
        codes: &[],
        stars: &[],
    };

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

fn read_whole(mut file: &std::fs::File, length: usize) -> Result<Bytes, IndexError> {
    let mut words = vec![0_u64; length.div_ceil(8)];
    let bytes = &mut bytemuck::cast_slice_mut(&mut words)[..length];
    std::io::Read::read_exact(&mut file, bytes).map_err(|e| IndexError::Io(e.to_string()))?;
    Ok(Bytes::Read(words, length))
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
        if metadata.len() <= READ_BYTES {
            return StarIndex::new(read_whole(&file, metadata.len() as usize)?);
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
        let all = bytes.all();
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
        let wrong = IndexError::Damaged("directory");
        let offset = usize::try_from(header.directory_offset).map_err(|_| wrong.clone())?;
        let directory = all.get(offset..).ok_or(wrong.clone())?;
        if offset < HEADER_BYTES || xxh3_64(directory) != header.directory_checksum {
            return Err(wrong);
        }
        let tier_bytes = header.tiers as usize * std::mem::size_of::<Tier>();
        let band_bytes = header.bands as usize * std::mem::size_of::<Band>();
        let tables = directory
            .get(..tier_bytes + band_bytes)
            .ok_or(wrong.clone())?;
        let tiers: Vec<Tier> = bytemuck::allocation::pod_collect_to_vec(&tables[..tier_bytes]);
        let bands: Vec<Band> = bytemuck::allocation::pod_collect_to_vec(&tables[tier_bytes..]);
        let depths = tiers
            .iter()
            .map(|t| t.depth)
            .chain(bands.iter().map(|b| b.depth));
        if depths.into_iter().any(|depth| depth > MAX_DEPTH) {
            return Err(wrong);
        }
        // Groups lie one table after the other, checksums after the last, and nothing follows: no
        // more cells and tiles are ever looked at than the file has room for.
        let mut next = offset + tier_bytes + band_bytes;
        let tables = tiers
            .iter()
            .map(|t| (t.groups, 8 * (groups_of_depth(t.depth as u8) + 1)))
            .chain(
                bands
                    .iter()
                    .map(|b| (b.groups, 4 * groups_of_depth(b.depth as u8))),
            );
        for (groups, length) in tables {
            if groups != next as u64 {
                return Err(wrong);
            }
            next = padded(next + length);
        }
        let checksums = next;
        let blocks = (offset - HEADER_BYTES).div_ceil(BLOCK_BYTES);
        if all.len() != checksums + 8 * blocks {
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
        self.bytes.all()
    }

    /// Bytes `start..end` of the file, which must lie in the body, after their blocks were
    /// verified.
    fn body(&self, start: u64, end: u64) -> Result<&[u8], IndexError> {
        let all = self.all();
        let offset = HEADER_BYTES as u64;
        if start < offset || end < start || end > self.header.directory_offset {
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
        let begin = HEADER_BYTES + block * BLOCK_BYTES;
        let end = self.header.directory_offset as usize;
        let bytes = &all[begin..end.min(begin + BLOCK_BYTES)];
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
        self.body(HEADER_BYTES as u64, self.header.directory_offset)
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

    /// Number of blocks whose checksum was verified since it was opened, and of all blocks.
    pub fn blocks_verified(&self) -> [u64; 2] {
        let body = self.header.directory_offset - HEADER_BYTES as u64;
        let all = body.div_ceil(BLOCK_BYTES as u64);
        [self.touched.load(Ordering::Relaxed), all]
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
        let (start, stop) = (self.cell_start(info, first)?, self.cell_start(info, end)?);
        let number = |offset: u64| info.first_star.checked_add(offset).ok_or(wrong.clone());
        self.records(number(start)?, number(stop)?)
    }

    /// First star of a cell, or of where it would be, counted within its tier.
    fn cell_start(&self, tier: &Tier, cell: u64) -> Result<u64, IndexError> {
        let wrong = IndexError::Damaged("offsets");
        let (group, within) = (cell / GROUP_CELLS as u64, cell % GROUP_CELLS as u64);
        let entry = tier.groups as usize + 8 * group as usize;
        let (start, page) = self
            .u32_at(entry)
            .zip(self.u32_at(entry + 4))
            .ok_or(wrong.clone())?;
        if page == NO_PAGE || within == 0 {
            return Ok(u64::from(start));
        }
        let place = GROUP_CELLS as u64 * u64::from(page) + within;
        let place = tier.pages.checked_add(4 * place).ok_or(wrong.clone())?;
        let bytes = self.body(place, place.saturating_add(4))?;
        let bytes = bytes.try_into().map_err(|_| wrong)?;
        Ok(u64::from(u32::from_le_bytes(bytes)))
    }

    /// Tiles of the groups of a band that hold anything, as ranges `first..end`.
    pub fn tile_ranges(&self, band: usize) -> impl Iterator<Item = (u64, u64)> + '_ {
        let info = self.bands.get(band);
        let tiles = info.map_or(0, |b| cells_of_depth(b.depth as u8)) as u64;
        let per_group = GROUP_CELLS as u64;
        (0..tiles.div_ceil(per_group)).filter_map(move |group| {
            let held = self.group_page(info?, group) != Some(NO_PAGE);
            held.then_some((group * per_group, tiles.min((group + 1) * per_group)))
        })
    }

    /// False where the group of a tile is empty, and so is the tile.
    pub fn may_hold(&self, band: usize, tile: u64) -> bool {
        self.bands.get(band).is_some_and(|info| {
            let page = self.group_page(info, tile / GROUP_CELLS as u64);
            page.is_some_and(|page| page != NO_PAGE)
        })
    }

    fn group_page(&self, band: &Band, group: u64) -> Option<u32> {
        self.u32_at(band.groups as usize + 4 * group as usize)
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
            bytes.checked_add(HEADER_BYTES as u64)
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
        let group = tile / GROUP_CELLS as u64;
        let page = self.group_page(info, group).ok_or(wrong.clone())?;
        if page == NO_PAGE {
            return Ok(Tile::EMPTY);
        }
        let place = GROUP_CELLS as u64 * u64::from(page) + tile % GROUP_CELLS as u64;
        let place = info.pages.checked_add(8 * place).ok_or(wrong.clone())?;
        let entry = self.body(place, place.saturating_add(8))?;
        let start = u64::from_le_bytes(entry.try_into().map_err(|_| wrong)?);
        if start == 0 {
            return Ok(Tile::EMPTY);
        }
        let damaged = || IndexError::Damaged("tile");
        let counts: &[u32] = bytemuck::try_cast_slice(self.body(start, start.saturating_add(8))?)
            .map_err(|_| damaged())?;
        let (locals, quads) = (counts[0] as usize, counts[1] as usize);
        let length = 8 + 4 * locals as u64 + 2 * (PACKED_BYTES * quads) as u64;
        let record = self.body(start, start.saturating_add(length))?;
        let (_, rest) = record.split_at_checked(8).ok_or_else(damaged)?;
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
