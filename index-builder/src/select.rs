//! Thins stars to an even density: the brightest few of each HEALPix cell.

use star_index::StarRecord;
use star_index::write::cell_of;

/// Numbers of the brightest `per_cell` stars of each cell of a depth, in ascending order.
/// `records` are sorted brightest first within any cell only by magnitude; ties keep the lower
/// number.
pub fn brightest_per_cell(records: &[StarRecord], depth: u8, per_cell: usize) -> Vec<u32> {
    let mut keyed: Vec<(u64, i32, u32)> = records
        .iter()
        .enumerate()
        .map(|(i, star)| {
            let mag = (star.mag() * 100.0).round() as i32;
            (cell_of(star.vector(), depth), mag, i as u32)
        })
        .collect();
    keyed.sort_unstable();
    let mut kept = Vec::new();
    let (mut current, mut taken) = (u64::MAX, 0);
    for (cell, _, i) in keyed {
        if cell != current {
            (current, taken) = (cell, 0);
        }
        if taken < per_cell {
            kept.push(i);
            taken += 1;
        }
    }
    kept.sort_unstable();
    kept
}
