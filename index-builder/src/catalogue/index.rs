//! Stars of star-indexes that exist already: how several regional ones become one.

use super::{Batches, CatalogueStar, InputStar, ReadCounts};
use star_index::layout::cells_of_depth;
use star_index::{IndexError, StarIndex};
use std::path::Path;

/// Reads all stars of an index, each block verified.
pub(super) fn read(path: &Path, batches: &mut Batches<'_>) -> Result<ReadCounts, IndexError> {
    let index = StarIndex::open(path)?;
    let epoch_jyear = index.header().epoch_jyear;
    let mut counts = ReadCounts::default();
    for (tier, info) in index.tiers().iter().enumerate() {
        let cells = cells_of_depth(info.depth as u8) as u64;
        for first in (0..cells).step_by(4096) {
            let stars = index.cells(tier, first, cells.min(first + 4096))?;
            for record in stars.iter() {
                let [x, y, z] = record.vector();
                counts.rows += 1;
                let star = CatalogueStar {
                    ra_deg: libm::atan2(y, x).to_degrees().rem_euclid(360.0),
                    dec_deg: libm::atan2(z, x.hypot(y)).to_degrees(),
                    pm_mas_yr: record.pm_mas_yr(),
                    mag: f64::from(record.mag_centi()) / 100.0,
                    bv: None,
                };
                if !batches.push(InputStar { star, epoch_jyear }) {
                    return Ok(counts);
                }
            }
        }
    }
    Ok(counts)
}
