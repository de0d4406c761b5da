//! The star-index file of nightfix (`.nfsky`): what is in it, how it is written and read.
//!
//! One file, embedded in a program or read from disk block by block: a header, a directory, block
//! checksums, then stars and quads in sky-cell order. [`layout`] describes every byte.
//! [`StarIndex`] reads, [`write::Contents`] and [`writer::IndexWriter`] write, [`quad`] holds the
//! numbers that describe a quad's shape, shared by the builder and the solver.

mod drawn;
mod groups;
pub mod layout;
mod memory;
pub mod neighbours;
pub mod quad;
pub mod read;
pub mod star;
mod tile;
pub mod write;
pub mod writer;

pub use read::{IndexError, StarIndex};
pub use star::{Star, StarRecord};
pub use tile::Tile;
