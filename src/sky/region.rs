//! The stars of a region, brightest first.

use super::{Sky, Star, cell_centre, cell_reach_rad};
use crate::sphere::chord2;
use star_index::IndexError;

/// A catalogue star of a region.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RegionStar {
    /// ICRS unit vector at the wanted epoch.
    pub vector: [f64; 3],
    /// Magnitude.
    pub mag: f32,
    /// What a year of proper motion adds to the vector, radians.
    pub motion: [f32; 3],
}

impl RegionStar {
    /// Without its motion.
    pub fn star(&self) -> Star {
        Star {
            vector: self.vector,
            mag: self.mag,
        }
    }

    /// The star this many years later.
    pub fn after(&self, years: f64) -> RegionStar {
        let moved = std::array::from_fn(|i| self.vector[i] + years * f64::from(self.motion[i]));
        RegionStar {
            vector: crate::sphere::normalised(moved),
            ..*self
        }
    }
}

/// Collects the stars of cones; keeps its memory from one to the next.
#[derive(Debug, Default)]
pub struct SkyRegion {
    stars: Vec<RegionStar>,
}

impl SkyRegion {
    /// The brightest stars of star-index `index` within `radius_rad` of the unit vector
    /// `centre`, moved by `years` of proper motion, brightest first.
    ///
    /// Reads tier after tier until at least `enough` stars were found, so more may come back;
    /// the list is complete down to its faintest tier.
    pub fn cone(
        &mut self,
        sky: &Sky,
        index: usize,
        centre: [f64; 3],
        radius_rad: f64,
        enough: usize,
        years: f64,
    ) -> Result<&[RegionStar], IndexError> {
        self.stars.clear();
        let Some(index) = sky.indexes().get(index) else {
            return Ok(&[]);
        };
        // Proper motion may carry stars across the rim: the margin holds 10 arcsec/yr.
        let margin = (years.abs() * 10.0 / 206_265.0).min(0.01);
        let limit2 = (2.0 * (0.5 * radius_rad.min(std::f64::consts::PI)).sin()).powi(2);
        let cover = Cover::new(centre, radius_rad + margin);
        for tier in 0..index.tiers().len() {
            let first = self.stars.len();
            for (from, to) in cover.ranges(index.tiers()[tier].depth as u8) {
                for record in index.cells(tier, from, to)?.iter() {
                    let vector = record.vector_after(years);
                    if chord2(vector, centre) <= limit2 {
                        self.stars.push(RegionStar {
                            vector,
                            mag: record.mag(),
                            motion: record.motion().map(|m| m as f32),
                        });
                    }
                }
            }
            self.stars[first..].sort_by(|a, b| a.mag.total_cmp(&b.mag));
            if self.stars.len() >= enough {
                break;
            }
        }
        Ok(&self.stars)
    }
}

/// Cells that hold a cone.
struct Cover {
    depth: u8,
    cells: Vec<u64>,
}

impl Cover {
    /// The greatest depth at which a cell and its neighbours hold the cone, and those cells:
    /// much cheaper than the exact outline, and a candidate needs only a few cells.
    fn new(centre: [f64; 3], radius_rad: f64) -> Cover {
        if !cdshealpix::has_best_starting_depth(radius_rad) {
            return Cover {
                depth: 0,
                cells: (0..12).collect(),
            };
        }
        let depth = cdshealpix::best_starting_depth(radius_rad).min(12);
        let (lon, lat) = crate::sphere::longitude_latitude(centre);
        let middle = cdshealpix::nested::hash(depth, lon, lat);
        let nine = cdshealpix::nested::neighbours(depth, middle, true).values_vec();
        // Of their children, those that may reach into the cone.
        let limit = (radius_rad + cell_reach_rad(depth + 1)).min(std::f64::consts::PI);
        let limit2 = (2.0 * (0.5 * limit).sin()).powi(2);
        let mut cells: Vec<u64> = nine
            .into_iter()
            .flat_map(|cell| 4 * cell..4 * cell + 4)
            .filter(|&cell| chord2(cell_centre(depth + 1, cell), centre) <= limit2)
            .collect();
        cells.sort_unstable();
        Cover {
            depth: depth + 1,
            cells,
        }
    }

    /// Ranges `first..end` of cells at another depth.
    fn ranges(&self, depth: u8) -> impl Iterator<Item = (u64, u64)> + '_ {
        let mut previous = None;
        self.cells.iter().filter_map(move |&cell| {
            if depth >= self.depth {
                let shift = 2 * (depth - self.depth);
                return Some((cell << shift, (cell + 1) << shift));
            }
            let parent = cell >> (2 * (self.depth - depth));
            (previous.replace(parent) != Some(parent)).then_some((parent, parent + 1))
        })
    }
}
