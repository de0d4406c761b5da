//! The stars of a region, brightest first.

use super::Sky;
use star_index::IndexError;

/// A catalogue star of a region.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RegionStar {
    /// ICRS unit vector at the wanted epoch.
    pub vector: [f64; 3],
    /// Magnitude.
    pub mag: f32,
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
        let (lon, lat) = crate::sphere::longitude_latitude(centre);
        // Proper motion may carry stars across the rim: the margin holds 10 arcsec/yr.
        let margin = (years.abs() * 10.0 / 206_265.0).min(0.01);
        let chord2 = (2.0 * (0.5 * radius_rad.min(std::f64::consts::PI)).sin()).powi(2);
        for tier in 0..index.tiers().len() {
            let depth = index.tiers()[tier].depth as u8;
            let first = self.stars.len();
            let cover = cdshealpix::nested::cone_coverage_approx(
                depth,
                lon,
                lat,
                (radius_rad + margin).min(3.1),
            );
            for cell in cover.flat_iter() {
                for record in index.cell(tier, cell)? {
                    let vector = record.vector_after(years);
                    if crate::sphere::chord2(vector, centre) <= chord2 {
                        self.stars.push(RegionStar {
                            vector,
                            mag: record.mag(),
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
