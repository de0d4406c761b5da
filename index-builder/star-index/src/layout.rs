//! Every byte of a star-index.
//!
//! Little-endian throughout. Offsets are in bytes from the start of the file.
//!
//! ```text
//! 0      Header          128 bytes
//! 128    tier table      Tier per star tier
//!        band table      Band per quad band
//!        cell starts     u32 per cell of each tier, plus one: first star of the cell
//!        tile starts     u64 per tile of each band, plus one: offset of the tile's record
//!        checksums       u64 per block of the body (XXH3-64)
//! body   stars           StarRecord, 16 bytes each, tier by tier, cell by cell
//!        tiles           tile records, band by band, HEALPix order
//! ```
//!
//! Everything before `body` is covered by one checksum in the header and verified at open; the
//! body is checksummed in blocks of [`BLOCK_BYTES`], each verified when first read.
//!
//! **Star tiers.** Tier k holds the stars that are not among the brightest
//! [`TIER_BASE`] * 4^(k-1) but among the brightest [`TIER_BASE`] * 4^k, in HEALPix (nested)
//! cells of depth [`TIER_DEPTH`] + k, so that a cell holds about 16 stars on average in every
//! tier: the brightest stars of any region are a few short reads, whatever its size.
//! Within a cell stars are sorted by magnitude.
//!
//! **Quad bands.** A band holds quads of like angular size. A tile is a HEALPix (nested) cell of
//! the band's depth; a quad belongs to the tile that holds its first star (A). A tile record is
//!
//! ```text
//! u32 number of locals L, u32 number of quads Q
//! L x u32   star numbers (into the star table) that the tile's quads use
//! Q x 6 B   packed codes (see `quad::pack`), in ascending order
//! Q x 6 B   four 12-bit local numbers: A, B, C, D
//! zeros     up to a multiple of 8
//! ```

use bytemuck::{Pod, Zeroable};

/// First bytes of every star-index.
pub const MAGIC: [u8; 8] = *b"NFSKY\x00\r\n";
/// Version of this layout.
pub const VERSION: u32 = 1;
/// Bytes of one checksummed block.
pub const BLOCK_BYTES: usize = 1 << 16;
/// Stars of the brightest tier.
pub const TIER_BASE: usize = 16 * 192;
/// HEALPix depth of the brightest tier's cells.
pub const TIER_DEPTH: u8 = 2;
/// Bits of a local star number in a tile record.
pub const LOCAL_BITS: u32 = 12;
/// Bytes of a packed code, and of four local star numbers.
pub const PACKED_BYTES: usize = 6;

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
    /// Offset of the body.
    pub body_offset: u64,
    /// Number of stars.
    pub stars: u64,
    /// Number of quads.
    pub quads: u64,
    /// Julian year of the positions.
    pub epoch_jyear: f64,
    /// Faintest magnitude.
    pub faintest_mag: f64,
    /// XXH3-64 of the bytes from [`HEADER_BYTES`] to `body_offset`.
    pub directory_checksum: u64,
    /// XXH3-64 of this header with this field zero.
    pub header_checksum: u64,
    /// Where the stars came from: UTF-8, zero-padded.
    pub origin: [u8; 40],
}

/// Bytes of the header.
pub const HEADER_BYTES: usize = 128;
const _: () = assert!(std::mem::size_of::<Header>() == HEADER_BYTES);

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
    /// Offset of its cell starts (relative to `first_star`).
    pub cell_starts: u64,
}

/// One quad band.
#[repr(C)]
#[derive(Debug, Clone, Copy, Pod, Zeroable)]
pub struct Band {
    /// HEALPix depth of its tiles.
    pub depth: u32,
    /// Zero.
    pub reserved: u32,
    /// Shortest and longest AB of its quads, radians.
    pub shortest_rad: f64,
    /// See `shortest_rad`.
    pub longest_rad: f64,
    /// Number of its quads.
    pub quads: u64,
    /// Offset of its tile starts.
    pub tile_starts: u64,
}

/// Number of HEALPix cells of a depth.
pub fn cells_of_depth(depth: u8) -> usize {
    12 << (2 * depth)
}

/// A length rounded up to a multiple of eight.
pub fn padded(bytes: usize) -> usize {
    bytes.div_ceil(8) * 8
}
