//! Catalogues in: each format becomes a plain list of stars.

mod extract;

pub use extract::read_extract;

use std::path::{Path, PathBuf};

/// A catalogue star.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CatalogueStar {
    /// ICRS right ascension, degrees, 0 to 360.
    pub ra_deg: f64,
    /// ICRS declination, degrees.
    pub dec_deg: f64,
    /// Proper motion in RA times cos Dec, and in Dec, mas/yr.
    pub pm_mas_yr: [f64; 2],
    /// Magnitude.
    pub mag: f64,
    /// B-V, where known.
    pub bv: Option<f64>,
}

/// Stars and the epoch of their positions.
#[derive(Debug, Clone, PartialEq)]
pub struct Catalogue {
    /// Julian year.
    pub epoch_jyear: f64,
    /// The stars.
    pub stars: Vec<CatalogueStar>,
}

/// Why a catalogue could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CatalogueError {
    /// The file could not be read.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// No known catalogue format.
    #[error(
        "{}: not a catalogue that index-builder reads: expected a bright-star extract (.nfcat)",
        path.display()
    )]
    Unknown {
        /// The file.
        path: PathBuf,
    },
    /// The right format with content that cannot be right.
    #[error("{}: damaged: {what}: fetch or make it again", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
}

/// Reads the catalogue at `path`, whatever its format.
pub fn read(path: &Path) -> Result<Catalogue, CatalogueError> {
    let io = |source| CatalogueError::Io {
        path: path.to_owned(),
        source,
    };
    let bytes = std::fs::read(path).map_err(io)?;
    if !bytes.starts_with(extract::MAGIC) {
        return Err(CatalogueError::Unknown {
            path: path.to_owned(),
        });
    }
    read_extract(&bytes).map_err(|what| CatalogueError::Damaged {
        path: path.to_owned(),
        what: what.to_string(),
    })
}
