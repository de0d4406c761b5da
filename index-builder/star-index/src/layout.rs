//! Every byte of a star-index.
//!
//! Little-endian throughout. Offsets are in bytes from the start of the file.
//!
//! ```text
//! 0      Header          256 bytes
//! 256    body            stars: StarRecord, 14 bytes each, tier by tier, cell by cell
//!                        tile records (below)
//!                        cell pages, tile pages (below)
//!        directory       Tier per star tier
//!                        Band per quad band
//!                        groups of each tier, then of each band
//!                        u64 per block of the body (XXH3-64)
//! ```
//!
//! The directory is covered by one checksum in the header and verified at open; the body is
//! checksummed in blocks of [`BLOCK_BYTES`], each verified when first read. What is looked up by
//! cell lies in the body: opening costs the same few hundred kilobytes whatever the file's size.
//!
//! **Cells** are looked up in two steps, so that an index of one region is as small as its stars.
//! [`GROUP_CELLS`] consecutive cells (five levels of HEALPix) form a group; a group that holds
//! anything has a page in the body. A tier's group is two u32: the first star of the group,
//! counted within the tier, and its page ([`NO_PAGE`]: empty); its page holds a u32 per cell, the
//! first star of the cell, counted likewise. A band's group is one u32, its page; its page holds
//! a u64 per tile, the offset of the tile's record, 0 where the tile is empty.
//!
//! **Star tiers.** Tier k holds the stars that are not among the brightest
//! [`TIER_BASE`] * 4^(k-1) but among the brightest [`TIER_BASE`] * 4^k, in HEALPix (nested)
//! cells of depth [`TIER_DEPTH`] + k, so that a cell holds about 16 stars on average in every
//! tier: the brightest stars of any region are a few short reads, whatever its size. In an index
//! of a part of the sky both numbers shrink with that part, and the first tier's cells are the
//! first ones that still hold 16 stars. Within a cell stars are sorted by magnitude.
//!
//! **Quad bands.** A band holds quads of like angular size. A tile is a HEALPix (nested) cell of
//! the band's depth; a quad belongs to the tile that holds its first star (A). The stars of a tile's
//! quads, in the order of their numbers in the star table, have local numbers 0 to L - 1. A tile
//! record is plain:
//!
//! ```text
//! u32 number of locals L, u32 number of quads Q
//! L x u32   star numbers (into the star table)
//! Q x 6 B   packed codes (see `quad::pack`), in ascending order
//! Q x 4w b  four local numbers of w bits each: A, B, C, D from the highest bits down
//! zeros     up to a multiple of 8
//! ```
//!
//! w is what L asks for ([`local_bits`]). Local numbers follow one another bit by bit, the lowest bit
//! of a byte first: the numbers of the quads are bits 0 to 4w - 1, 4w to 8w - 1 and so on of one long
//! little-endian number.
//!
//! Or it is grouped, which takes a third less for quads that join neighbours in all ways:
//!
//! ```text
//! u32       number of locals L, at most 256, + [`GROUPED`], + [`CODELESS`] where codes are left out
//! u32       number of quads Q
//! u32 N, u32 G
//! N B       star numbers: the first, then differences; seven bits a byte, the lowest first, the top
//!           bit says that more follow
//! Q x 6 B   packed codes in the order of the groups, unless they are left out
//! G B       groups, until all Q quads are named
//! zeros     up to a multiple of 8
//! ```
//!
//! A group is a byte of n - 1 in its lower three bits and m - 1 in the upper five; n bytes, the local
//! numbers of its stars; and m quads of 12 bits, which say where A, B, C and D stand among these
//! stars, from the lowest bits up: 12 bits one after the other as above, zeros to the next whole byte.
//!
//! Codes that are left out are drawn from the stars when a tile is first asked for (`drawn`).
//!
//! **Versions before.** In version 3 there are no grouped tiles, and a star takes 16 bytes: B-V in
//! hundredths comes last. In version 2 w is 12 besides. Both are read.

use crate::star::StarRecord;
use bytemuck::{Pod, Zeroable};

/// First bytes of every star-index.
pub const MAGIC: [u8; 8] = *b"NFSKY\x00\r\n";
/// Version of this layout.
pub const VERSION: u32 = 4;
/// Oldest version that is still read.
pub const OLDEST_VERSION: u32 = 2;
/// Bytes of one checksummed block.
pub const BLOCK_BYTES: usize = 1 << 16;
/// Cells of a group.
pub const GROUP_CELLS: usize = 1024;
/// Page number of an empty group.
pub const NO_PAGE: u32 = u32::MAX;
/// Stars that a cell of a tier holds on average.
pub const TIER_CELL_STARS: usize = 16;
/// Stars of the brightest tier of an index of the whole sky.
pub const TIER_BASE: usize = TIER_CELL_STARS * 192;
/// HEALPix depth of the brightest tier's cells.
pub const TIER_DEPTH: u8 = 2;
/// Most bits of a local star number in a tile record.
pub const LOCAL_BITS: u32 = 12;
/// Bytes of a packed code.
pub const CODE_BYTES: usize = 6;

/// Set in the number of locals: the tile record is grouped.
pub const GROUPED: u32 = 1 << 31;
/// Set besides: its codes are left out.
pub const CODELESS: u32 = 1 << 30;
/// Most locals of a grouped tile record.
pub const GROUPED_LOCALS: usize = 256;
/// Most stars of a group.
pub const GROUP_STARS: usize = 8;
/// Most quads of a group.
pub const GROUP_QUADS: usize = 32;

/// The head of the file.
#[repr(C)]
#[derive(Debug, Clone, Copy, Pod, Zeroable)]
pub struct Header {
    /// [`MAGIC`].
    pub magic: [u8; 8],
    /// [`VERSION`].
    pub version: u32,
    /// Number of star tiers.
    pub tiers: u32,
    /// Number of quad bands.
    pub bands: u32,
    /// Zero.
    pub reserved: u32,
    /// Length of the whole file.
    pub file_bytes: u64,
    /// Offset of the directory: the end of the body.
    pub directory_offset: u64,
    /// Number of stars.
    pub stars: u64,
    /// Number of quads.
    pub quads: u64,
    /// Julian year of the positions.
    pub epoch_jyear: f64,
    /// Faintest magnitude.
    pub faintest_mag: f64,
    /// Narrowest and widest field that it was built for, degrees; zeros: any.
    pub fields_deg: [f64; 2],
    /// Part of the sky that holds stars, 0 to 1.
    pub covered_share: f64,
    /// XXH3-64 of the directory.
    pub directory_checksum: u64,
    /// XXH3-64 of this header with this field zero.
    pub header_checksum: u64,
    /// Where the stars came from: UTF-8, zero-padded.
    pub origin: [u8; ORIGIN_BYTES],
}

/// Bytes kept of the origin.
pub const ORIGIN_BYTES: usize = 144;
/// Bytes of the header.
pub const HEADER_BYTES: usize = 256;
const _: () = assert!(std::mem::size_of::<Header>() == HEADER_BYTES);

impl Header {
    /// Where the stars came from, as far as it was kept.
    pub fn origin(&self) -> String {
        let end = self.origin.iter().position(|&b| b == 0);
        String::from_utf8_lossy(&self.origin[..end.unwrap_or(ORIGIN_BYTES)]).into_owned()
    }
}

/// One star tier.
#[repr(C)]
#[derive(Debug, Clone, Copy, Pod, Zeroable)]
pub struct Tier {
    /// HEALPix depth of its cells.
    pub depth: u32,
    /// Zero.
    pub reserved: u32,
    /// Number of its first star in the star table.
    pub first_star: u64,
    /// Number of its stars.
    pub stars: u64,
    /// Offset of its groups.
    pub groups: u64,
    /// Offset of its first page.
    pub pages: u64,
}

/// One quad band.
#[repr(C)]
#[derive(Debug, Clone, Copy, Pod, Zeroable)]
pub struct Band {
    /// HEALPix depth of its tiles.
    pub depth: u32,
    /// HEALPix depth of the cells whose brightest stars its quads join.
    pub thin_depth: u32,
    /// Shortest and longest AB of its quads, radians.
    pub shortest_rad: f64,
    /// See `shortest_rad`.
    pub longest_rad: f64,
    /// Number of its quads.
    pub quads: u64,
    /// Offset of its groups.
    pub groups: u64,
    /// Offset of its first page.
    pub pages: u64,
}

/// Narrowest and widest field in which the quads of a band are found, in edges of the cells whose
/// brightest stars they join. A narrower field shows two of these stars, a wider one shows dozens
/// of brighter stars, which make the quads of the next band.
const BAND_EDGES: [f64; 2] = [0.65, 7.0];

/// Narrowest and widest field (longer side, degrees) in which quads of the brightest stars of
/// cells of a depth are found.
pub fn fields_of_band_deg(thin_depth: u32) -> [f64; 2] {
    // The square root of a cell's area: 58.6 deg / 2^depth.
    let edge_deg = 58.632 / f64::from(1_u32 << thin_depth.min(30));
    BAND_EDGES.map(|edges| edges * edge_deg)
}

/// Bytes of a star in an index of `version`.
pub fn star_bytes(version: u32) -> usize {
    if version < 4 {
        return 16;
    }
    std::mem::size_of::<StarRecord>()
}

/// Bits of a local star number in the plain record of a tile with `locals` stars, in an index of `version`.
pub fn local_bits(version: u32, locals: usize) -> u32 {
    if version < 3 {
        return LOCAL_BITS;
    }
    // The greatest number is one less.
    (usize::BITS - locals.saturating_sub(1).leading_zeros()).max(1)
}

/// Bytes of the local star numbers of `quads` quads; `None` beyond what memory can hold.
pub fn local_bytes(bits: u32, quads: usize) -> Option<usize> {
    Some(quads.checked_mul(4 * bits as usize)?.div_ceil(8))
}

/// Number of HEALPix cells of a depth.
pub fn cells_of_depth(depth: u8) -> usize {
    12 << (2 * depth)
}

/// Number of groups of a depth.
pub fn groups_of_depth(depth: u8) -> usize {
    cells_of_depth(depth).div_ceil(GROUP_CELLS)
}

/// A length rounded up to a multiple of eight.
pub fn padded(bytes: usize) -> usize {
    bytes.div_ceil(8) * 8
}
