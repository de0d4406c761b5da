//! Which parts of the sky a star-index covers, and how deep.

use super::StarIndex;
use star_index::layout::cells_of_depth;
use star_index::write::cell_of;
use star_index::{IndexError, StarRecord};
use std::collections::{BTreeMap, BTreeSet};

/// A connected part of the sky that holds stars, as the circle that encloses them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patch {
    /// Unit vector of its centre, ICRS.
    pub centre: [f64; 3],
    /// No star of it is farther from the centre, degrees.
    pub radius_deg: f64,
}

/// What a star-index covers.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Coverage {
    /// Its parts, largest first; empty: the whole sky, or too much of it to be told apart.
    pub patches: Vec<Patch>,
    /// Half of its stars are brighter; `None` without stars.
    pub median_mag: Option<f64>,
}

/// An index that covers more than this is not taken apart.
const MOST_SHARE: f64 = 0.25;
/// HEALPix depth of the cells by which parts are told apart: 1.8 deg.
const CELL_DEPTH: u8 = 5;
/// For the magnitude of a large index one in this many cells of [`SAMPLE_DEPTH`] is looked at.
const SAMPLE_STEP: usize = 32;
const SAMPLE_DEPTH: u8 = 3;

/// Looks at all stars of a small index, at a sample of a large one.
///
/// # Errors
///
/// Damage where it is read.
pub fn coverage(index: &StarIndex) -> Result<Coverage, IndexError> {
    let partial = index.header().covered_share < MOST_SHARE;
    let step = if partial { 1 } else { SAMPLE_STEP };
    let mut mags: Vec<i16> = Vec::new();
    let mut sums: BTreeMap<u64, [f64; 3]> = BTreeMap::new();
    for_each_star(index, step, |star| {
        mags.push(star.mag_centi());
        if partial {
            let vector = star.vector();
            let sum = sums.entry(cell_of(vector, CELL_DEPTH)).or_default();
            *sum = [0, 1, 2].map(|i| sum[i] + vector[i]);
        }
    })?;
    let part_of = parts(sums.keys().copied().collect());
    let mut patches: Vec<Patch> = Vec::new();
    for (cell, part) in &part_of {
        if patches.len() <= *part {
            patches.resize(
                part + 1,
                Patch {
                    centre: [0.0; 3],
                    radius_deg: 0.0,
                },
            );
        }
        let (centre, sum) = (&mut patches[*part].centre, sums[cell]);
        *centre = [0, 1, 2].map(|i| centre[i] + sum[i]);
    }
    for patch in &mut patches {
        patch.centre = crate::sphere::normalised(patch.centre);
    }
    if partial {
        for_each_star(index, step, |star| {
            let vector = star.vector();
            if let Some(&part) = part_of.get(&cell_of(vector, CELL_DEPTH)) {
                let patch = &mut patches[part];
                let angle_deg = crate::sphere::angle_between(patch.centre, vector).to_degrees();
                patch.radius_deg = patch.radius_deg.max(angle_deg);
            }
        })?;
    }
    patches.sort_by(|a, b| b.radius_deg.total_cmp(&a.radius_deg));
    let middle = mags.len() / 2;
    let median_mag = (!mags.is_empty()).then(|| {
        let (_, median, _) = mags.select_nth_unstable(middle);
        f64::from(*median) / 100.0
    });
    Ok(Coverage {
        patches,
        median_mag,
    })
}

/// Calls `act` for the stars of every `step`th cell of [`SAMPLE_DEPTH`]; the brightest, whose
/// cells are larger than these, are left out unless all are wanted.
fn for_each_star(
    index: &StarIndex,
    step: usize,
    mut act: impl FnMut(&StarRecord),
) -> Result<(), IndexError> {
    for (number, tier) in index.tiers().iter().enumerate() {
        let depth = tier.depth as u8;
        if step == 1 {
            index
                .cells(number, 0, cells_of_depth(depth) as u64)?
                .iter()
                .for_each(&mut act);
        } else if depth >= SAMPLE_DEPTH {
            let shift = 2 * (depth - SAMPLE_DEPTH);
            for cell in (0..cells_of_depth(SAMPLE_DEPTH) as u64).step_by(step) {
                let stars = index.cells(number, cell << shift, (cell + 1) << shift)?;
                stars.iter().for_each(&mut act);
            }
        }
    }
    Ok(())
}

/// Numbers connected cells: 0, 1, and so on.
fn parts(mut cells: BTreeSet<u64>) -> BTreeMap<u64, usize> {
    let mut part_of = BTreeMap::new();
    let mut part = 0;
    while let Some(first) = cells.pop_first() {
        let mut open = vec![first];
        while let Some(cell) = open.pop() {
            part_of.insert(cell, part);
            let around = cdshealpix::nested::neighbours(CELL_DEPTH, cell, false).values_vec();
            open.extend(around.into_iter().filter(|near| cells.remove(near)));
        }
        part += 1;
    }
    part_of
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sky::Sky;

    /// Half of the stars to magnitude 11 are brighter than about 10.3: counts at these magnitudes
    /// rise by a factor of 2.7 a magnitude (common practice).
    #[test]
    fn the_default_index_covers_the_whole_sky() {
        let sky = Sky::embedded().unwrap();
        let found = coverage(&sky.indexes()[0]).unwrap();
        assert!(found.patches.is_empty());
        let median = found.median_mag.unwrap();
        assert!((10.0..10.6).contains(&median), "{median}");
    }

    #[test]
    fn cells_that_touch_are_one_part() {
        let at = |ra: f64, dec: f64| {
            cdshealpix::nested::hash(CELL_DEPTH, ra.to_radians(), dec.to_radians())
        };
        let cells = [
            at(359.9, 0.1),
            at(0.1, 0.1),
            at(2.0, 1.0),
            at(90.0, 60.0),
            at(0.0, 89.9),
        ];
        let found = parts(cells.into_iter().collect());
        assert_eq!(found[&cells[0]], found[&cells[1]]);
        assert_eq!(found.values().collect::<BTreeSet<_>>().len(), 3);
    }
}
