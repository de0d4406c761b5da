//! Third pass: stars go to their tiers in the index and get their numbers.

use super::Progress;
use super::folder::WorkFolder;
use super::gather::{self, Part};
use super::stars::{Keep, Numbered, PARTITION_DEPTH, Placed, read_records, write_records};
use rayon::prelude::*;
use star_index::StarRecord;
use star_index::layout::{TIER_CELL_STARS, cells_of_depth};
use star_index::writer::{IndexWriter, TierShape};
use std::fs::File;
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};

/// A file to write an index into and read it back from.
pub(super) fn create(path: &Path) -> io::Result<File> {
    File::options()
        .read(true)
        .write(true)
        .create(true)
        .truncate(true)
        .open(path)
}

pub(super) fn file_of(folder: &WorkFolder, partition: usize) -> PathBuf {
    folder.file(&format!("part-{partition:03}.numbered"))
}

struct Tier {
    depth: u8,
    /// Faintest magnitude, hundredths.
    to_mag: i16,
    /// Number of the first star of each part of the sky.
    first: Vec<u32>,
    stars: u64,
}

/// The tiers of an index.
pub(super) struct Tiers {
    keep: Keep,
    tiers: Vec<Tier>,
}

impl Tiers {
    /// Tiers of brightness with cells of about [`TIER_CELL_STARS`] stars; a magnitude belongs to
    /// one tier entirely, so that the order of the inputs does not matter.
    pub(super) fn new(parts: &[Part], keep: Keep, covered_share: f64) -> Tiers {
        let mut by_mag = vec![0_u64; 1 << 16];
        let place = |mag: i16| (i32::from(mag) - i32::from(i16::MIN)) as usize;
        for part in parts {
            for (&mag, &count) in &part.by_mag {
                by_mag[place(mag)] += u64::from(count);
            }
        }
        let total: u64 = by_mag.iter().sum();
        let capacity = |depth: u8| {
            let cells = covered_share * cells_of_depth(depth) as f64;
            (TIER_CELL_STARS as f64 * cells) as u64
        };
        let mut tiers: Vec<Tier> = Vec::new();
        let (mut next, mut seen) = (0, 0);
        for depth in PARTITION_DEPTH..=keep.depth {
            let limit = if depth == keep.depth {
                total
            } else {
                capacity(depth)
            };
            if limit < TIER_CELL_STARS as u64 {
                continue;
            }
            let (begin, before) = (next, seen);
            while next < by_mag.len() && seen + by_mag[next] <= limit {
                seen += by_mag[next];
                next += 1;
            }
            if seen > before {
                let mag = |place: usize| (place as i32 + i32::from(i16::MIN)) as i16;
                let range = mag(begin)..=mag(next - 1);
                let counts = parts.iter().map(|part| {
                    let counted = part.by_mag.range(range.clone());
                    counted.map(|(_, &n)| n).sum::<u32>()
                });
                let mut number = before as u32;
                let first = counts.map(|count| {
                    let first = number;
                    number += count;
                    first
                });
                tiers.push(Tier {
                    depth,
                    to_mag: mag(next - 1),
                    first: first.collect(),
                    stars: seen - before,
                });
            }
        }
        Tiers { keep, tiers }
    }

    pub(super) fn shapes(&self) -> Vec<TierShape> {
        let shape = |tier: &Tier| TierShape {
            depth: tier.depth,
            stars: tier.stars,
        };
        self.tiers.iter().map(shape).collect()
    }

    /// Writes the stars to the index and, with their numbers, to work files for the last pass.
    pub(super) fn write<F: Read + Write + Seek>(
        &self,
        folder: &WorkFolder,
        writer: &mut IndexWriter<F>,
        progress: &dyn Progress,
    ) -> io::Result<()> {
        let partitions: Vec<usize> = (0..super::PARTITIONS).collect();
        progress.pass("numbering", super::PARTITIONS as u64);
        for some in partitions.chunks(2 * rayon::current_num_threads()) {
            let numbered: Vec<io::Result<Vec<TierPart>>> = some
                .par_iter()
                .map(|&partition| self.number(folder, partition))
                .collect();
            for part in numbered {
                for (tier, (cells, records)) in part?.iter().enumerate() {
                    writer.put_stars(tier, cells, records)?;
                }
                progress.step();
            }
        }
        Ok(())
    }

    /// The stars of one part of the sky by tier, in the order of the index.
    fn number(&self, folder: &WorkFolder, partition: usize) -> io::Result<Vec<TierPart>> {
        let kept = gather::file_of(folder, partition);
        let stars: Vec<Placed> = read_records(&kept)?;
        let tier_of = |star: &Placed| {
            let mag = star.record.mag_centi();
            self.tiers.partition_point(|tier| tier.to_mag < mag)
        };
        let mut by_tier: Vec<Vec<(u64, usize)>> = vec![Vec::new(); self.tiers.len()];
        for (place, star) in stars.iter().enumerate() {
            let tier = tier_of(star);
            let shift = 2 * (self.keep.depth - self.tiers[tier].depth);
            by_tier[tier].push((u64::from(star.cell >> shift), place));
        }
        let mut numbered: Vec<Numbered> = stars
            .iter()
            .map(|star| Numbered {
                cell: star.cell,
                number: 0,
                record: star.record,
            })
            .collect();
        let mut parts = Vec::new();
        for (tier, mut members) in self.tiers.iter().zip(by_tier) {
            members.sort_unstable_by(|a, b| {
                let bright = || stars[a.1].record.cmp_brightness(&stars[b.1].record);
                a.0.cmp(&b.0).then_with(bright)
            });
            let first = tier.first[partition];
            for (number, &(_, place)) in (first..).zip(&members) {
                numbered[place].number = number;
            }
            let records = members.iter().map(|m| stars[m.1].record).collect();
            parts.push((members.into_iter().map(|m| m.0).collect(), records));
        }
        write_records(&file_of(folder, partition), &numbered)?;
        std::fs::remove_file(&kept)?;
        Ok(parts)
    }
}

/// Cells and records of the stars of a tier in one part of the sky.
type TierPart = (Vec<u64>, Vec<StarRecord>);
