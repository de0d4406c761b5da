//! The star-index as the solver sees it.

use std::path::{Path, PathBuf};

/// Why a star-index cannot be used. The text names the file and the way out.
#[derive(Debug, thiserror::Error)]
#[error("{}: {what}", path.display())]
pub struct SkyError {
    /// The star-index file.
    pub path: PathBuf,
    /// What is wrong and what to do next.
    pub what: String,
}

/// One or more star-indexes, searched together.
#[derive(Debug, Default)]
pub struct Sky {}

impl Sky {
    /// The star-index that is part of the program.
    pub fn embedded() -> Result<Sky, SkyError> {
        Ok(Sky::default())
    }

    /// Adds the star-index at `path`.
    pub fn add(&mut self, _path: &Path) -> Result<(), SkyError> {
        Ok(())
    }

    /// Julian year of the stored positions.
    pub fn epoch_jyear(&self) -> f64 {
        2000.0
    }
}
