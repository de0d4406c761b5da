//! Reads a star-index in place. Nothing it holds is trusted before its checksum was verified.

use crate::drawn::{self, Drawn, Places};
use crate::layout::{
    BLOCK_BYTES, Band, GROUP_CELLS, HEADER_BYTES, Header, MAGIC, NO_PAGE, OLDEST_VERSION, Tier,
    VERSION, cells_of_depth, groups_of_depth, padded, star_bytes,
};
use crate::memory::Memory;
use crate::star::StarRecord;
use crate::tile::{Head, Tile};
use std::borrow::Cow;
use std::path::Path;
use xxhash_rust::xxh3::xxh3_64;

/// Why a star-index cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum IndexError {
    /// It could not be opened.
    #[error("cannot be opened: {0}")]
    Io(String),
    /// It was opened, and now its bytes cannot be read.
    #[error("cannot be read any more: {0}")]
    Read(String),
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

/// A star-index, in a file or embedded.
pub struct StarIndex {
    memory: Memory,
    header: Header,
    tiers: Vec<Tier>,
    bands: Vec<Band>,
    checksums: usize,
    drawn: Drawn,
}

impl std::fmt::Debug for StarIndex {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("StarIndex")
            .field("header", &self.header)
            .finish_non_exhaustive()
    }
}

/// Where the checksums begin, if groups lie one table after the other from `begin` on; nothing follows
/// the checksums, so that no more cells and tiles are ever looked at than the file has room for.
fn end_of_groups(tiers: &[Tier], bands: &[Band], begin: usize) -> Option<usize> {
    let tiers = tiers
        .iter()
        .map(|t| (t.groups, 8 * (groups_of_depth(t.depth as u8) + 1)));
    let bands = bands
        .iter()
        .map(|b| (b.groups, 4 * groups_of_depth(b.depth as u8)));
    tiers
        .chain(bands)
        .try_fold(begin, |next, (groups, length)| {
            (groups == next as u64).then(|| padded(next + length))
        })
}

/// The header in these bytes, if this program can read what follows it.
fn checked_header(head: &[u8]) -> Result<Header, IndexError> {
    let header: Header = bytemuck::pod_read_unaligned(head);
    if header.magic != MAGIC {
        return Err(IndexError::NotAnIndex);
    }
    if !(OLDEST_VERSION..=VERSION).contains(&header.version) {
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
    Ok(header)
}

impl StarIndex {
    /// Opens the star-index at `path`. Reads header and directory only, unless it is small.
    pub fn open(path: &Path) -> Result<StarIndex, IndexError> {
        let file = std::fs::File::open(path).map_err(|e| IndexError::Io(e.to_string()))?;
        let metadata = file.metadata().map_err(|e| IndexError::Io(e.to_string()))?;
        if !metadata.is_file() {
            return Err(IndexError::Io("not a file".into()));
        }
        if metadata.len() < HEADER_BYTES as u64 {
            return Err(IndexError::NotAnIndex);
        }
        let too_large = |_| IndexError::Io("larger than the memory of this computer".into());
        let length = usize::try_from(metadata.len()).map_err(too_large)?;
        StarIndex::new(Memory::of_file(file, length)?)
    }

    /// A star-index that is part of the program, aligned to at least 8 bytes.
    pub fn embedded(bytes: &'static [u8]) -> Result<StarIndex, IndexError> {
        StarIndex::new(Memory::of_program(bytes))
    }

    fn new(mut memory: Memory) -> Result<StarIndex, IndexError> {
        let head = memory.head(HEADER_BYTES)?.ok_or(IndexError::NotAnIndex)?;
        let header = checked_header(head)?;
        let length = memory.len();
        if header.file_bytes != length as u64 {
            return Err(IndexError::Damaged("length"));
        }
        let wrong = IndexError::Damaged("directory");
        let offset = usize::try_from(header.directory_offset).map_err(|_| wrong.clone())?;
        if !(HEADER_BYTES..=length).contains(&offset) {
            return Err(wrong);
        }
        let memory = memory.with_body(HEADER_BYTES..offset)?;
        let directory = memory.around(offset..length).ok_or(wrong.clone())?;
        if xxh3_64(directory) != header.directory_checksum {
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
        let checksums =
            end_of_groups(&tiers, &bands, offset + tier_bytes + band_bytes).ok_or(wrong.clone())?;
        let blocks = (offset - HEADER_BYTES).div_ceil(BLOCK_BYTES);
        if length != checksums + 8 * blocks {
            return Err(wrong);
        }
        let drawn = Drawn::new(bands.iter().map(|b| b.depth as u8));
        Ok(StarIndex {
            memory,
            header,
            tiers,
            bands,
            checksums,
            drawn,
        })
    }

    /// Bytes `start..end` of the file, which must lie in the body, after their blocks were
    /// verified.
    fn body(&self, start: u64, end: u64) -> Result<&[u8], IndexError> {
        let place = |offset: u64| usize::try_from(offset).ok();
        let (start, end) = place(start)
            .zip(place(end))
            .ok_or(IndexError::Damaged("offsets"))?;
        self.memory.body(start..end, |block, bytes| {
            self.u64_at(self.checksums + 8 * block) == Some(xxh3_64(bytes))
        })
    }

    fn u64_at(&self, offset: usize) -> Option<u64> {
        let bytes = self.memory.around(offset..offset + 8)?;
        Some(u64::from_le_bytes(bytes.try_into().ok()?))
    }

    fn u32_at(&self, offset: usize) -> Option<u32> {
        let bytes = self.memory.around(offset..offset + 4)?;
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
        [self.memory.touched(), all]
    }

    /// Body bytes touched since it was opened: whole blocks, each counted once.
    pub fn bytes_touched(&self) -> u64 {
        self.memory.touched() * BLOCK_BYTES as u64
    }

    /// Stars of the cells `first..end` of a tier, in file order: cell by cell, within a cell
    /// brightest first.
    pub fn cells(
        &self,
        tier: usize,
        first: u64,
        end: u64,
    ) -> Result<Cow<'_, [StarRecord]>, IndexError> {
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
    pub fn star(&self, number: u32) -> Result<StarRecord, IndexError> {
        self.records(u64::from(number), u64::from(number) + 1)?
            .first()
            .copied()
            .ok_or(IndexError::Damaged("star number"))
    }

    fn records(&self, start: u64, end: u64) -> Result<Cow<'_, [StarRecord]>, IndexError> {
        if end < start || end > self.header.stars {
            return Err(IndexError::Damaged("star number"));
        }
        let size = star_bytes(self.header.version);
        let place = |number: u64| {
            let bytes = number.checked_mul(size as u64)?;
            bytes.checked_add(HEADER_BYTES as u64)
        };
        let (start, end) = place(start)
            .zip(place(end))
            .ok_or(IndexError::Damaged("star number"))?;
        let bytes = self.body(start, end)?;
        if size == std::mem::size_of::<StarRecord>() {
            let records = bytemuck::try_cast_slice(bytes);
            return Ok(Cow::Borrowed(
                records.map_err(|_| IndexError::Damaged("alignment"))?,
            ));
        }
        let record = |bytes: &[u8]| bytemuck::pod_read_unaligned(&bytes[..size_of::<StarRecord>()]);
        Ok(bytes.chunks_exact(size).map(record).collect())
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
        let words = |at: u64| {
            let bytes = self.body(start.saturating_add(at), start.saturating_add(at + 8))?;
            let words: &[u32; 2] = bytemuck::try_from_bytes(bytes).map_err(|_| damaged())?;
            Ok(*words)
        };
        let head = Head::new(self.header.version, words(0)?, || words(8))?.ok_or_else(damaged)?;
        let length = head.record_bytes().ok_or_else(damaged)?;
        let record = self.body(start, start.saturating_add(length as u64))?;
        let found = head.tile(record).ok_or_else(damaged)?;
        if !head.codeless {
            return Ok(found);
        }
        let kept = self.drawn.of(band, tile).ok_or_else(damaged)?;
        if kept.get().is_none() {
            // Two threads may draw the same; one result is kept.
            let _ = kept.set(self.draw(&found, head.quads())?);
        }
        Ok(found.with_codes(kept.get().ok_or_else(damaged)?))
    }

    /// Draws the codes that a tile record leaves out.
    fn draw(&self, tile: &Tile<'_>, quads: usize) -> Result<Vec<u8>, IndexError> {
        let damaged = || IndexError::Damaged("tile");
        let (locals, groups) = tile.groups().ok_or_else(damaged)?;
        let mut places = Places::default();
        // Neighbours in the sky have numbers close to each other: a few stars are fetched at once.
        const AT_ONCE: u64 = 64;
        let (mut first, mut near) = (0, Cow::Borrowed(&[][..]));
        for number in locals.numbers().map(u64::from) {
            let mut place = number.wrapping_sub(first) as usize;
            if place >= near.len() {
                let end = self.header.stars.min(number + AT_ONCE);
                (first, near, place) = (number, self.records(number, end)?, 0);
            }
            let star = near.get(place).ok_or_else(damaged)?;
            places.push(star).ok_or_else(damaged)?;
        }
        drawn::codes(groups, &places, quads).ok_or_else(damaged)
    }
}
