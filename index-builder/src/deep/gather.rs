//! Second pass: the runs of each part of the sky become its stars.

use super::folder::WorkFolder;
use super::read::record_of;
use super::stars::{
    Keep, PARTITION_DEPTH, PARTITIONS, Placed, read_records, read_run, write_records,
};
use super::{EPOCH_JYEAR, Order, Progress, Summary};
use crate::catalogue::InputStar;
use crate::repeats;
use rayon::prelude::*;
use star_index::StarRecord;
use star_index::layout::{TIER_CELL_STARS, cells_of_depth};
use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};

/// What is known of the stars of each part of the sky.
#[derive(Debug, Clone, Default)]
pub(super) struct Part {
    /// Stars by hundredths of a magnitude.
    pub by_mag: BTreeMap<i16, u32>,
    /// Occupied cells of depth 8, 7, 6, 5 and 4, as far as the kept depth goes.
    occupied: [u64; 5],
    /// Stars left out because another is the same light.
    repeated: u64,
    /// Magnitude of the faintest star of each full cell, counted.
    faintest: BTreeMap<i16, u32>,
}

const OCCUPIED_DEPTHS: [u8; 5] = [8, 7, 6, 5, 4];

pub(super) fn file_of(folder: &WorkFolder, partition: usize) -> PathBuf {
    folder.file(&format!("part-{partition:03}.stars"))
}

/// Merges, thins, fills in, and leaves every light once.
pub(super) fn gather(
    order: &Order<'_>,
    keep: Keep,
    folder: &WorkFolder,
    progress: &dyn Progress,
    summary: &mut Summary,
) -> io::Result<Vec<Part>> {
    progress.pass("sorting", PARTITIONS as u64);
    let runs = folder.runs()?;
    let mut bright: Vec<Vec<Placed>> = vec![Vec::new(); PARTITIONS];
    for &star in order.bright {
        let record = record_of(&InputStar {
            star,
            epoch_jyear: EPOCH_JYEAR,
        });
        if order.region.holds(record.vector()) && star.mag <= order.faintest_mag {
            let placed = keep.place(record);
            bright[keep.partition_of(placed.cell)].push(placed);
        }
    }
    let share = order.memory_bytes / 2 / rayon::current_num_threads() as u64;
    let limit = (share as usize / size_of::<Placed>()).max(1 << 16);
    let gathered: io::Result<Vec<(u64, Vec<Elsewhere>)>> = (0..PARTITIONS)
        .into_par_iter()
        .map(|partition| {
            let mut stars = Vec::new();
            for run in &runs {
                read_run(run, partition, &mut stars)?;
                if stars.len() > limit {
                    keep.thin(&mut stars);
                }
            }
            keep.thin(&mut stars);
            let filled_in = fill_in(&mut stars, &bright[partition], keep);
            write_records(&file_of(folder, partition), &stars)?;
            progress.step();
            Ok((filled_in, at_border(&stars, keep)))
        })
        .collect();
    let mut beyond: Vec<Vec<StarRecord>> = vec![Vec::new(); PARTITIONS];
    for (filled_in, at_border) in gathered? {
        summary.filled_in += filled_in;
        for star in at_border {
            beyond[star.partition].push(star.record);
        }
    }
    let parts: io::Result<Vec<Part>> = (0..PARTITIONS)
        .into_par_iter()
        .map(|partition| once(&file_of(folder, partition), &beyond[partition], keep))
        .collect();
    let parts = parts?;
    summary.stars = parts.iter().map(Part::stars).sum();
    summary.repeated = parts.iter().map(|p| p.repeated).sum();
    summary.covered_share = covered_share(&parts, summary.stars, keep);
    summary.depth_mag = depth_mag(&parts);
    Ok(parts)
}

/// A star that may be the same light as one of another part of the sky.
struct Elsewhere {
    /// That other part.
    partition: usize,
    record: StarRecord,
}

/// The stars so near a part's border that they may be the same light as one beyond it.
fn at_border(stars: &[Placed], keep: Keep) -> Vec<Elsewhere> {
    /// Cells four times as wide as the widest reach: none of the reach leaves the cells next to a
    /// star's own.
    const FINEST_DEPTH: u8 = 11;
    let shift = 2 * keep.depth.saturating_sub(FINEST_DEPTH);
    let all = ((1_u32 << (2 * (keep.depth - PARTITION_DEPTH))) - 1) >> shift;
    // One coordinate of a cell within its part is in the even bits, the other in the odd ones.
    let outermost = |cell: u32| {
        let axes = [0x5555_5555, 0xAAAA_AAAA].map(|axis| (cell & all & axis, all & axis));
        axes.iter()
            .any(|(place, last)| *place == 0 || place == last)
    };
    let mut found = Vec::new();
    for star in stars.iter().filter(|star| outermost(star.cell >> shift)) {
        let [x, y, z] = star.record.vector();
        let (lon, lat) = (libm::atan2(y, x), libm::atan2(z, x.hypot(y)));
        let reach = repeats::reach(star.record.mag_centi());
        let near = cdshealpix::nested::cone_coverage_approx(PARTITION_DEPTH, lon, lat, reach);
        let own = keep.partition_of(star.cell);
        for partition in near.flat_iter().map(|cell| cell as usize) {
            if partition != own {
                let record = star.record;
                found.push(Elsewhere { partition, record });
            }
        }
    }
    found
}

/// Leaves out what a part of the sky, or a part beyond its border, holds twice.
fn once(path: &Path, beyond: &[StarRecord], keep: Keep) -> io::Result<Part> {
    let mut stars: Vec<Placed> = read_records(path)?;
    let records: Vec<StarRecord> = stars.iter().map(|star| star.record).collect();
    let repeated = repeats::repeated(&records, beyond);
    if repeated.contains(&true) {
        let mut repeated = repeated.into_iter();
        stars.retain(|_| repeated.next() == Some(false));
        write_records(path, &stars)?;
    }
    let left_out = records.len() - stars.len();
    Ok(part_of(&stars, keep, left_out as u64))
}

impl Part {
    pub(super) fn stars(&self) -> u64 {
        self.by_mag.values().map(|&n| u64::from(n)).sum()
    }
}

/// Adds the bright stars that no catalogue star can be, where the catalogue has stars around
/// them; the number added.
///
/// A star within a hair of a part's border may be there twice, once from either side.
fn fill_in(stars: &mut Vec<Placed>, bright: &[Placed], keep: Keep) -> u64 {
    /// Components of a double closer than 3 arcsec are one star in the bright catalogue.
    const SAME_RAD: f64 = 4.0 / 206_265.0;
    /// Passbands differ, and a component is fainter than the whole.
    const SAME_MAG: f32 = 2.5;
    /// Only cells of 0.5 deg that the catalogue covers.
    const COVERED_DEPTH: u8 = 7;
    let shift = 2 * keep.depth.saturating_sub(COVERED_DEPTH);
    let covered: BTreeSet<u32> = stars.iter().map(|s| s.cell >> shift).collect();
    let known = |bright: &Placed| {
        let [x, y, z] = bright.record.vector();
        let (lon, lat) = (libm::atan2(y, x), libm::atan2(z, x.hypot(y)));
        let cells = cdshealpix::nested::cone_coverage_approx(keep.depth, lon, lat, SAME_RAD);
        cells.flat_iter().any(|cell| {
            let first = stars.partition_point(|s| u64::from(s.cell) < cell);
            let members = stars[first..]
                .iter()
                .take_while(|s| u64::from(s.cell) == cell);
            members
                .take_while(|s| s.record.mag() <= bright.record.mag() + SAME_MAG)
                .any(|s| {
                    let v = s.record.vector();
                    let d2 = (v[0] - x).powi(2) + (v[1] - y).powi(2) + (v[2] - z).powi(2);
                    d2 <= SAME_RAD * SAME_RAD
                })
        })
    };
    let missing: Vec<Placed> = bright
        .iter()
        .filter(|star| covered.contains(&(star.cell >> shift)) && !known(star))
        .copied()
        .collect();
    stars.extend_from_slice(&missing);
    keep.thin(stars);
    missing.len() as u64
}

fn part_of(stars: &[Placed], keep: Keep, repeated: u64) -> Part {
    let mut part = Part {
        repeated,
        ..Part::default()
    };
    for star in stars {
        *part.by_mag.entry(star.record.mag_centi()).or_default() += 1;
    }
    for (count, depth) in part.occupied.iter_mut().zip(OCCUPIED_DEPTHS) {
        if depth <= keep.depth {
            let shift = 2 * (keep.depth - depth);
            *count = stars
                .chunk_by(|a, b| a.cell >> shift == b.cell >> shift)
                .count() as u64;
        }
    }
    for cell in stars.chunk_by(|a, b| a.cell == b.cell) {
        if cell.len() == keep.per_cell {
            let faintest = cell[cell.len() - 1].record.mag_centi();
            *part.faintest.entry(faintest).or_default() += 1;
        }
    }
    part
}

/// Share of the sky that holds stars, by the finest cells that hold enough of them on average
/// for an empty one to mean something.
fn covered_share(parts: &[Part], stars: u64, keep: Keep) -> f64 {
    let mut share = 0.0;
    for (k, depth) in OCCUPIED_DEPTHS.into_iter().enumerate() {
        let occupied: u64 = parts.iter().map(|p| p.occupied[k]).sum();
        if depth > keep.depth || occupied == 0 {
            continue;
        }
        share = occupied as f64 / cells_of_depth(depth) as f64;
        if stars >= TIER_CELL_STARS as u64 * occupied {
            break;
        }
    }
    share
}

/// Percentiles 5, 50 and 95 of the faintest magnitude of full cells.
fn depth_mag(parts: &[Part]) -> [f64; 3] {
    let mut all: BTreeMap<i16, u64> = BTreeMap::new();
    for part in parts {
        for (&mag, &count) in &part.faintest {
            *all.entry(mag).or_default() += u64::from(count);
        }
    }
    let total: u64 = all.values().sum();
    [0.05, 0.5, 0.95].map(|share| {
        let wanted = (share * total as f64).ceil() as u64;
        let mut seen = 0;
        let at = all.iter().find(|(_, count)| {
            seen += **count;
            seen >= wanted
        });
        at.map_or(f64::NAN, |(&mag, _)| f64::from(mag) / 100.0)
    })
}
