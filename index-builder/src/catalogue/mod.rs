//! Catalogues in: each format becomes a plain list of stars.

#[cfg(feature = "deep")]
mod binary;
#[cfg(feature = "deep")]
mod columns;
mod extract;
#[cfg(feature = "deep")]
mod fits;
#[cfg(feature = "deep")]
mod fixed;
#[cfg(feature = "deep")]
mod index;
#[cfg(feature = "deep")]
mod input;
#[cfg(feature = "parquet")]
mod parquet;
#[cfg(feature = "deep")]
pub(crate) mod text;
#[cfg(feature = "deep")]
pub(crate) mod votable;

#[cfg(feature = "deep")]
pub use columns::{COLUMNS_SYNTAX, Columns};
pub use extract::read_extract;
#[cfg(feature = "deep")]
use input::Batches;
#[cfg(feature = "deep")]
pub use input::{Input, InputStar, ReadCounts};

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
    #[error("{}: cannot be read: check its name and permissions", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// No known catalogue format.
    #[error(
        "{}: not a catalogue that index-builder reads: expected a bright-star extract (.nfcat), \
         or with --for-fields a table (CSV, ECSV, FITS, VOTable, Parquet, gzip or not), tyc2.dat, \
         suppl_1.dat, hip_main.dat, hip2.dat or a star-index",
        path.display()
    )]
    Unknown {
        /// The file.
        path: PathBuf,
    },
    /// A table that does not say what is needed, or says what cannot be.
    #[error("{}: {what}", path.display())]
    Columns {
        /// The file.
        path: PathBuf,
        /// What is wrong and what to do.
        what: String,
    },
    /// The right format with content that cannot be right.
    #[error("{}: damaged: {what}: fetch or make it again", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// Several catalogues whose positions are of different epochs.
    #[error(
        "{}: its positions are of {found}, those of the catalogues before it of {expected}: build from catalogues of one epoch",
        path.display()
    )]
    Epochs {
        /// The first file that differs.
        path: PathBuf,
        /// Its Julian year.
        found: f64,
        /// Julian year of the files before it.
        expected: f64,
    },
    /// There is no star to build from.
    #[error("{}: holds no stars: name a catalogue that does", path.display())]
    Empty {
        /// The file.
        path: PathBuf,
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

/// Reads several catalogues and puts their stars together, in the order of the files. Stars that
/// two of them share are kept twice.
///
/// # Errors
///
/// Those of [`read`], a catalogue without stars, and catalogues of different epochs.
pub fn read_all(paths: &[PathBuf]) -> Result<Catalogue, CatalogueError> {
    let mut all: Option<Catalogue> = None;
    for path in paths {
        let catalogue = read(path)?;
        if catalogue.stars.is_empty() {
            return Err(CatalogueError::Empty { path: path.clone() });
        }
        match &mut all {
            None => all = Some(catalogue),
            Some(all) if all.epoch_jyear != catalogue.epoch_jyear => {
                return Err(CatalogueError::Epochs {
                    path: path.clone(),
                    found: catalogue.epoch_jyear,
                    expected: all.epoch_jyear,
                });
            }
            Some(all) => all.stars.extend(catalogue.stars),
        }
    }
    all.ok_or(CatalogueError::Empty {
        path: PathBuf::new(),
    })
}
