//! What a deep star-index will take, known before the work begins.

use crate::deep::Needs;
use cdshealpix::nested::{bmoc::BMOC, cone_coverage_approx};
use star_index::StarRecord;
use star_index::layout::{GROUP_CELLS, TIER_DEPTH, cells_of_depth, groups_of_depth};

/// Size of an index in which every cell is full.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// Cells whose brightest stars are kept, those on the border included.
    pub cells: u64,
    /// Stars, at most.
    pub stars: u64,
    /// Length of the file, about.
    pub index_bytes: u64,
    /// Part of the sky, 0 to 1.
    pub share: f64,
}

/// Quads and the star numbers of their tiles, bytes per cell of every band. The made-up skies of
/// `benches/DEEP.md` need 180 where five cells in six are full. `tests/expected.rs` compares it with
/// indexes of circles of 1 to 4 deg whose cells are all full.
const BAND_BYTES_PER_CELL: f64 = 200.0;

/// What fields of some width need within `radius_deg` of these positions (ICRS, degrees); of the
/// whole sky where there are none.
pub fn expected(needs: &Needs, radius_deg: f64, of_deg: &[[f64; 2]]) -> Expected {
    let covered = |depth: u8| covered_cells(depth, radius_deg, of_deg);
    let cells = covered(needs.depth);
    let stars = cells * needs.per_cell as u64;
    let mut bytes = stars as f64 * size_of::<StarRecord>() as f64;
    for band in &needs.bands {
        bytes += covered(band.thin_depth) as f64 * BAND_BYTES_PER_CELL;
        bytes += pages(band.tile_depth, covered, size_of::<u64>());
    }
    for depth in TIER_DEPTH..=needs.depth {
        bytes += pages(depth, covered, size_of::<u32>());
    }
    Expected {
        cells,
        stars,
        index_bytes: bytes as u64,
        share: cells as f64 / cells_of_depth(needs.depth) as f64,
    }
}

/// Levels of HEALPix within a group of cells.
const GROUP_LEVELS: u8 = (GROUP_CELLS.ilog2() / 2) as u8;

/// Bytes by which the cells of a depth are looked up: groups of the whole sky, pages of the part
/// that is covered.
fn pages(depth: u8, covered: impl Fn(u8) -> u64, entry_bytes: usize) -> f64 {
    let held = covered(depth.saturating_sub(GROUP_LEVELS));
    let page = GROUP_CELLS.min(cells_of_depth(depth)) * entry_bytes;
    (groups_of_depth(depth) * entry_bytes) as f64 + held as f64 * page as f64
}

/// Cells of a depth that lie within `radius_deg` of a position, in part or entirely.
fn covered_cells(depth: u8, radius_deg: f64, of_deg: &[[f64; 2]]) -> u64 {
    let cones = of_deg.iter().map(|[ra, dec]| {
        cone_coverage_approx(
            depth,
            ra.to_radians(),
            dec.to_radians(),
            radius_deg.to_radians(),
        )
    });
    let union = cones.reduce(|all: BMOC, one| all.or(&one));
    union.map_or(cells_of_depth(depth) as u64, |all| all.deep_size() as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn needs() -> Needs {
        Needs::of("0.2..1".parse().unwrap())
    }

    /// A cap of 5 deg is 2 pi (1 - cos 5 deg) of 4 pi: 0.190 %.
    #[test]
    fn a_circle_has_the_cells_of_its_area_and_some_on_its_border() {
        let found = expected(&needs(), 5.0, &[[132.85, 11.81]]);
        assert!((0.0019..0.0022).contains(&found.share), "{found:?}");
        let twice = expected(&needs(), 5.0, &[[132.85, 11.81], [132.85, 11.81]]);
        assert_eq!(found, twice);
        let apart = expected(&needs(), 5.0, &[[132.85, 11.81], [312.0, -40.0]]);
        assert!((1.9..2.1).contains(&(apart.stars as f64 / found.stars as f64)));
    }

    #[test]
    fn without_a_position_it_is_the_whole_sky() {
        let found = expected(&needs(), 0.0, &[]);
        assert_eq!((found.cells, found.share), (12 << 18, 1.0));
    }
}
