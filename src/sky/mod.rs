//! The star-index as the solver sees it: cells outward from a position, stars of a region.
//!
//! The file format lives in the crate `star-index`; this module adds the geometry of a search.

mod region;

pub use region::{RegionStar, SkyRegion};
pub use star_index::{Star, StarIndex, Tile};

use star_index::IndexError;
use star_index::layout::cells_of_depth;
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
pub struct Sky {
    indexes: Vec<StarIndex>,
    names: Vec<PathBuf>,
}

/// A tile of the sky to be searched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyTile {
    /// Number of the star-index.
    pub index: usize,
    /// Number of its band.
    pub band: usize,
    /// HEALPix cell at the band's tile depth.
    pub tile: u64,
    /// Angle from the start to the nearest point of the cell (0 inside; a lower limit), degrees.
    pub distance_deg: f64,
}

impl Sky {
    /// The star-index that is part of the program.
    pub fn embedded() -> Result<Sky, SkyError> {
        let name = PathBuf::from("the built-in star-index");
        let index = StarIndex::embedded(default_sky::bytes()).map_err(|e| SkyError {
            path: name.clone(),
            what: e.to_string(),
        })?;
        Ok(Sky {
            indexes: vec![index],
            names: vec![name],
        })
    }

    /// Adds the star-index at `path`.
    pub fn add(&mut self, path: &Path) -> Result<(), SkyError> {
        let index = StarIndex::open(path).map_err(|e| SkyError {
            path: path.to_owned(),
            what: e.to_string(),
        })?;
        self.indexes.push(index);
        self.names.push(path.to_owned());
        Ok(())
    }

    /// Julian year of the stored positions.
    pub fn epoch_jyear(&self) -> f64 {
        self.indexes
            .first()
            .map_or(2000.0, |i| i.header().epoch_jyear)
    }

    /// The star-indexes.
    pub fn indexes(&self) -> &[StarIndex] {
        &self.indexes
    }

    /// Body bytes read so far, over all star-indexes.
    pub fn bytes_read(&self) -> u64 {
        self.indexes.iter().map(StarIndex::bytes_read).sum()
    }

    /// Says which star-index an error came from.
    pub fn error(&self, index: usize, error: &IndexError) -> SkyError {
        let path = self.names.get(index).cloned().unwrap_or_default();
        SkyError {
            path,
            what: error.to_string(),
        }
    }

    /// All tiles of the bands that `wanted` admits, nearest to the ICRS unit vector `start`
    /// first; without a start in stored order. Ties keep the stored order.
    pub fn tiles_outward(
        &self,
        start: Option<[f64; 3]>,
        mut wanted: impl FnMut(&star_index::layout::Band) -> bool,
    ) -> Vec<SkyTile> {
        let mut tiles = Vec::new();
        for (index, sky) in self.indexes.iter().enumerate() {
            for (band, info) in sky.bands().iter().enumerate().filter(|(_, b)| wanted(b)) {
                let depth = info.depth as u8;
                // No point of a cell is farther from its centre than this (HEALPix cells of
                // depth 0 reach 48 deg; each depth halves it, with some room for their shape).
                let reach_rad = 0.84 / f64::from(1_u32 << depth);
                for tile in 0..cells_of_depth(depth) as u64 {
                    let distance_deg = start.map_or(0.0, |from| {
                        let (lon, lat) = cdshealpix::nested::center(depth, tile);
                        let (sl, cl) = lon.sin_cos();
                        let (sb, cb) = lat.sin_cos();
                        let centre = [cb * cl, cb * sl, sb];
                        let angle = crate::sphere::angle_between(from, centre);
                        (angle - reach_rad).max(0.0).to_degrees()
                    });
                    tiles.push(SkyTile {
                        index,
                        band,
                        tile,
                        distance_deg,
                    });
                }
            }
        }
        tiles.sort_by(|a, b| a.distance_deg.total_cmp(&b.distance_deg));
        tiles
    }
}
