//! Writes a star-index piece by piece into anything that can be written, read back and sought in.
//!
//! The header is written last: until then the file has no magic bytes and is no star-index.

use crate::layout::{
    BLOCK_BYTES, Band, GROUP_CELLS, HEADER_BYTES, Header, MAGIC, NO_PAGE, ORIGIN_BYTES, Tier,
    VERSION, groups_of_depth, padded,
};
use crate::star::StarRecord;
use crate::write::{EncodedTiles, TileTooFull};
use std::collections::BTreeMap;
use std::io::{self, Read, Seek, SeekFrom, Write};
use xxhash_rust::xxh3::xxh3_64;

/// Why a star-index could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// A quad names a star in more bits than there are.
    #[error(transparent)]
    TooFull(#[from] TileTooFull),
    /// The file could not be written.
    #[error(transparent)]
    Io(#[from] io::Error),
}

/// What is said about an index besides its stars and quads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct About<'a> {
    /// Julian year of the positions.
    pub epoch_jyear: f64,
    /// Where the stars came from (at most [`ORIGIN_BYTES`] bytes are kept).
    pub origin: &'a str,
    /// Narrowest and widest field that it serves, degrees; zeros: any.
    pub fields_deg: [f64; 2],
    /// Part of the sky that holds stars, 0 to 1.
    pub covered_share: f64,
}

/// Depth of a tier's cells and number of its stars.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TierShape {
    /// HEALPix depth of its cells.
    pub depth: u8,
    /// Number of its stars.
    pub stars: u64,
}

/// Depth of a band's tiles, and of the cells whose brightest stars its quads join.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BandShape {
    /// HEALPix depth of its tiles.
    pub depth: u8,
    /// HEALPix depth of the cells.
    pub thin_depth: u8,
}

/// Stars per cell, by group.
#[derive(Debug, Default)]
struct TierState {
    first_star: u64,
    depth: u8,
    stars: u64,
    written: u64,
    last_cell: u64,
    counts: BTreeMap<u64, [u32; GROUP_CELLS]>,
}

#[derive(Debug)]
struct BandState {
    depth: u8,
    thin_depth: u8,
    quads: u64,
    size_rad: [f64; 2],
    /// Offsets of tile records, by group.
    offsets: BTreeMap<u64, [u64; GROUP_CELLS]>,
}

/// A star-index that is being written.
#[derive(Debug)]
pub struct IndexWriter<F> {
    file: F,
    tiers: Vec<TierState>,
    bands: Vec<BandState>,
    /// Where the next tile record goes.
    end: u64,
    faintest_mag: f64,
}

impl<F: Read + Write + Seek> IndexWriter<F> {
    /// Begins an index of these tiers and bands.
    pub fn new(
        mut file: F,
        tiers: &[TierShape],
        bands: &[BandShape],
    ) -> io::Result<IndexWriter<F>> {
        file.write_all(&[0; HEADER_BYTES])?;
        let mut first_star = 0;
        let tiers = tiers
            .iter()
            .map(|shape| {
                let state = TierState {
                    first_star,
                    depth: shape.depth,
                    stars: shape.stars,
                    ..TierState::default()
                };
                first_star += shape.stars;
                state
            })
            .collect();
        let bands = bands
            .iter()
            .map(|shape| BandState {
                depth: shape.depth,
                thin_depth: shape.thin_depth,
                quads: 0,
                size_rad: [f64::INFINITY, 0.0],
                offsets: BTreeMap::new(),
            })
            .collect();
        Ok(IndexWriter {
            file,
            tiers,
            bands,
            end: padded(star_offset(first_star) as usize) as u64,
            faintest_mag: -99.0,
        })
    }

    /// Appends stars to a tier: the cell of each, ascending also from call to call.
    ///
    /// # Errors
    ///
    /// The file cannot be written; cells out of order, or more stars than the tier was to have.
    pub fn put_stars(
        &mut self,
        tier: usize,
        cells: &[u64],
        stars: &[StarRecord],
    ) -> io::Result<()> {
        let state = self.tiers.get_mut(tier).ok_or_else(misuse)?;
        if cells.len() != stars.len() || state.written + stars.len() as u64 > state.stars {
            return Err(misuse());
        }
        for &cell in cells {
            if cell < state.last_cell {
                return Err(misuse());
            }
            state.last_cell = cell;
            let group = state.counts.entry(cell / GROUP_CELLS as u64);
            group.or_insert([0; GROUP_CELLS])[cell as usize % GROUP_CELLS] += 1;
        }
        let place = star_offset(state.first_star + state.written);
        state.written += stars.len() as u64;
        self.file.seek(SeekFrom::Start(place))?;
        self.file.write_all(bytemuck::cast_slice(stars))?;
        self.faintest_mag = stars
            .iter()
            .map(|star| f64::from(star.mag()))
            .fold(self.faintest_mag, f64::max);
        Ok(())
    }

    /// Appends tile records to a band, each tile once, in any order.
    ///
    /// # Errors
    ///
    /// The file cannot be written.
    pub fn put_tiles(&mut self, band: usize, tiles: &EncodedTiles) -> io::Result<()> {
        let state = self.bands.get_mut(band).ok_or_else(misuse)?;
        for &(tile, offset) in &tiles.tiles {
            let group = state.offsets.entry(tile / GROUP_CELLS as u64);
            group.or_insert([0; GROUP_CELLS])[tile as usize % GROUP_CELLS] = self.end + offset;
        }
        state.quads += tiles.quads;
        self.file.seek(SeekFrom::Start(self.end))?;
        self.file.write_all(&tiles.bytes)?;
        self.end += tiles.bytes.len() as u64;
        Ok(())
    }

    /// Makes the stated range of a band's quads include these lengths, radians.
    pub fn widen(&mut self, band: usize, size_rad: [f64; 2]) {
        if let Some(state) = self.bands.get_mut(band) {
            let [shortest, longest] = state.size_rad;
            state.size_rad = [shortest.min(size_rad[0]), longest.max(size_rad[1])];
        }
    }

    /// Writes pages, directory and header; the file is a star-index from then on.
    ///
    /// # Errors
    ///
    /// The file cannot be written or read back; a tier has fewer stars than it was to have.
    pub fn finish(mut self, about: &About<'_>) -> io::Result<F> {
        if self.tiers.iter().any(|tier| tier.written != tier.stars) {
            return Err(misuse());
        }
        self.file.seek(SeekFrom::Start(self.end))?;
        let tables = self.tiers.len() * std::mem::size_of::<Tier>()
            + self.bands.len() * std::mem::size_of::<Band>();
        let (mut tiers, mut bands, mut groups) = (Vec::new(), Vec::new(), Vec::new());
        for state in &self.tiers {
            tiers.push(Tier {
                depth: u32::from(state.depth),
                reserved: 0,
                first_star: state.first_star,
                stars: state.stars,
                groups: (tables + groups.len()) as u64,
                pages: self.end,
            });
            let pages = state.index(&mut groups);
            self.file.write_all(&pages)?;
            self.end += pages.len() as u64;
        }
        for state in &self.bands {
            let [shortest_rad, longest_rad] = state.size_rad;
            bands.push(Band {
                depth: u32::from(state.depth),
                thin_depth: u32::from(state.thin_depth),
                shortest_rad: shortest_rad.min(longest_rad),
                longest_rad,
                quads: state.quads,
                groups: (tables + groups.len()) as u64,
                pages: self.end,
            });
            let pages = state.index(&mut groups);
            self.file.write_all(&pages)?;
            self.end += pages.len() as u64;
        }
        tiers.iter_mut().for_each(|t| t.groups += self.end);
        bands.iter_mut().for_each(|b| b.groups += self.end);
        let mut directory: Vec<u8> = bytemuck::cast_slice(&tiers).to_vec();
        directory.extend_from_slice(bytemuck::cast_slice(&bands));
        directory.append(&mut groups);
        self.append_checksums(&mut directory)?;
        self.file.write_all(&directory)?;
        let header = self.header(about, &directory);
        self.file.seek(SeekFrom::Start(0))?;
        self.file.write_all(bytemuck::bytes_of(&header))?;
        self.file.flush()?;
        Ok(self.file)
    }

    /// Reads the body back, block by block.
    fn append_checksums(&mut self, directory: &mut Vec<u8>) -> io::Result<()> {
        self.file.seek(SeekFrom::Start(HEADER_BYTES as u64))?;
        let mut rest = self.end - HEADER_BYTES as u64;
        let mut block = vec![0; BLOCK_BYTES];
        while rest > 0 {
            let length = rest.min(BLOCK_BYTES as u64) as usize;
            self.file.read_exact(&mut block[..length])?;
            directory.extend_from_slice(&xxh3_64(&block[..length]).to_le_bytes());
            rest -= length as u64;
        }
        Ok(())
    }

    fn header(&self, about: &About<'_>, directory: &[u8]) -> Header {
        let mut origin = [0_u8; ORIGIN_BYTES];
        let kept = about.origin.floor_char_boundary(ORIGIN_BYTES);
        origin[..kept].copy_from_slice(&about.origin.as_bytes()[..kept]);
        let mut header = Header {
            magic: MAGIC,
            version: VERSION,
            tiers: self.tiers.len() as u32,
            bands: self.bands.len() as u32,
            reserved: 0,
            file_bytes: self.end + directory.len() as u64,
            directory_offset: self.end,
            stars: self.tiers.iter().map(|t| t.stars).sum(),
            quads: self.bands.iter().map(|b| b.quads).sum(),
            epoch_jyear: about.epoch_jyear,
            faintest_mag: self.faintest_mag,
            fields_deg: about.fields_deg,
            covered_share: about.covered_share,
            directory_checksum: xxh3_64(directory),
            header_checksum: 0,
            origin,
        };
        header.header_checksum = xxh3_64(bytemuck::bytes_of(&header));
        header
    }
}

impl TierState {
    /// Appends the groups to `groups`; returns the pages.
    fn index(&self, groups: &mut Vec<u8>) -> Vec<u8> {
        let mut pages = Vec::with_capacity(self.counts.len() * 4 * GROUP_CELLS);
        let mut start = 0_u32;
        for group in 0..groups_of_depth(self.depth) as u64 {
            groups.extend_from_slice(&start.to_le_bytes());
            let Some(counts) = self.counts.get(&group) else {
                groups.extend_from_slice(&NO_PAGE.to_le_bytes());
                continue;
            };
            let page = (pages.len() / (4 * GROUP_CELLS)) as u32;
            groups.extend_from_slice(&page.to_le_bytes());
            for count in counts {
                pages.extend_from_slice(&start.to_le_bytes());
                start += count;
            }
        }
        groups.extend_from_slice(&start.to_le_bytes());
        groups.extend_from_slice(&NO_PAGE.to_le_bytes());
        groups.resize(padded(groups.len()), 0);
        pages
    }
}

impl BandState {
    /// Appends the groups to `groups`; returns the pages.
    fn index(&self, groups: &mut Vec<u8>) -> Vec<u8> {
        let mut pages = Vec::with_capacity(self.offsets.len() * 8 * GROUP_CELLS);
        for group in 0..groups_of_depth(self.depth) as u64 {
            let page = match self.offsets.get(&group) {
                Some(offsets) => {
                    let page = (pages.len() / (8 * GROUP_CELLS)) as u32;
                    pages.extend(offsets.iter().flat_map(|offset| offset.to_le_bytes()));
                    page
                }
                None => NO_PAGE,
            };
            groups.extend_from_slice(&page.to_le_bytes());
        }
        groups.resize(padded(groups.len()), 0);
        pages
    }
}

fn star_offset(number: u64) -> u64 {
    HEADER_BYTES as u64 + number * std::mem::size_of::<StarRecord>() as u64
}

/// What the builder got wrong; no input leads here.
fn misuse() -> io::Error {
    io::Error::other("stars or tiles do not agree with what the index was begun with")
}
