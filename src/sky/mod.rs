//! The star-index as the solver sees it: cells outward from a position, stars of a region.
//!
//! The file format lives in the crate `star-index`; this module adds the geometry of a search.

mod coverage;
mod region;
mod serves;
mod tiles;

pub use coverage::{Coverage, Patch, coverage};
pub use region::{RegionStar, SkyRegion};
pub use serves::{band_serves, index_serves};
pub use star_index::{Star, StarIndex, Tile};
pub use tiles::SkyTile;

use star_index::IndexError;
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

    /// Julian year of the positions stored in star-index `index`.
    pub fn epoch_jyear(&self, index: usize) -> f64 {
        self.indexes
            .get(index)
            .map_or(2000.0, |i| i.header().epoch_jyear)
    }

    /// Years from the epoch of each star-index's positions to `epoch_jyear`; zeros where that is
    /// not known.
    pub fn years_since(&self, epoch_jyear: Option<f64>) -> Vec<f64> {
        (0..self.indexes.len())
            .map(|index| epoch_jyear.map_or(0.0, |epoch| epoch - self.epoch_jyear(index)))
            .collect()
    }

    /// The star-indexes.
    pub fn indexes(&self) -> &[StarIndex] {
        &self.indexes
    }

    /// Body bytes touched since they were opened, over all star-indexes: whole blocks of the
    /// file, each counted once.
    pub fn bytes_touched(&self) -> u64 {
        self.indexes.iter().map(StarIndex::bytes_touched).sum()
    }

    /// The file of star-index `index`, or what stands for it.
    pub fn name(&self, index: usize) -> &Path {
        self.names.get(index).map_or(Path::new(""), |name| name)
    }

    /// Says which star-index an error came from.
    pub fn error(&self, index: usize, error: &IndexError) -> SkyError {
        let path = self.names.get(index).cloned().unwrap_or_default();
        SkyError {
            path,
            what: error.to_string(),
        }
    }
}

/// Unit vector of the centre of a HEALPix cell.
fn cell_centre(depth: u8, cell: u64) -> [f64; 3] {
    let (lon, lat) = cdshealpix::nested::center(depth, cell);
    let (sl, cl) = lon.sin_cos();
    let (sb, cb) = lat.sin_cos();
    [cb * cl, cb * sl, sb]
}

/// No point of a cell is farther from its centre than this: cells of depth 0 reach 48 deg,
/// smaller ones near the poles up to a third more than their share.
fn cell_reach_rad(depth: u8) -> f64 {
    1.12 / f64::from(1_u32 << depth)
}

#[cfg(test)]
mod tests {
    use super::*;
    use star_index::layout::cells_of_depth;

    #[test]
    fn no_corner_is_beyond_the_reach_of_its_cell() {
        for depth in 0..8 {
            for cell in 0..cells_of_depth(depth) as u64 {
                let centre = cell_centre(depth, cell);
                for (lon, lat) in cdshealpix::nested::vertices(depth, cell) {
                    let corner = crate::sphere::sky_to_vector(lon.to_degrees(), lat.to_degrees());
                    let angle = crate::sphere::angle_between(centre, corner);
                    assert!(
                        angle <= cell_reach_rad(depth),
                        "depth {depth} cell {cell}: {angle}"
                    );
                }
            }
        }
    }

    /// Slow but obvious: every star of the sky looked at.
    #[test]
    fn a_cone_holds_what_a_full_scan_finds() {
        let sky = Sky::embedded().unwrap();
        let mut region = SkyRegion::default();
        let all: Vec<[f64; 3]> = (0..sky.indexes()[0].tiers().len())
            .flat_map(|tier| {
                let end = cells_of_depth(sky.indexes()[0].tiers()[tier].depth as u8) as u64;
                sky.indexes()[0]
                    .cells(tier, 0, end)
                    .unwrap()
                    .iter()
                    .map(|r| r.vector())
                    .collect::<Vec<_>>()
            })
            .collect();
        for (ra, dec, radius_deg) in [
            (0.0, 90.0, 1.0),
            (359.99, 0.1, 0.4),
            (83.0, -5.0, 3.0),
            (200.0, -89.5, 12.0),
            (45.0, 41.8, 0.05),
        ] {
            let centre = crate::sphere::sky_to_vector(ra, dec);
            let radius = f64::to_radians(radius_deg);
            let found = region
                .cone(&sky, 0, centre, radius, usize::MAX, 0.0)
                .unwrap()
                .len();
            let expected = all
                .iter()
                .filter(|&&v| crate::sphere::angle_between(v, centre) <= radius)
                .count();
            assert_eq!(found, expected, "at {ra} {dec} within {radius_deg}");
        }
    }
}
