//! Stars on their way into an index: sorted by cell and brightness, thinned, on disk.

use crate::whole;
use bytemuck::{Pod, Zeroable};
use rayon::prelude::*;
use star_index::StarRecord;
use star_index::write::cell_of;
use std::fs::File;
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;

/// HEALPix depth of the parts of the sky that are worked on at once.
pub(super) const PARTITION_DEPTH: u8 = 2;
/// Number of these parts.
pub(super) const PARTITIONS: usize = 192;

/// A star and its cell, 18 bytes.
#[repr(C, packed(2))]
#[derive(Debug, Clone, Copy, Pod, Zeroable, PartialEq, Eq)]
pub(super) struct Placed {
    /// HEALPix cell at the depth of the stars that are kept.
    pub cell: u32,
    pub record: StarRecord,
}

/// A star, its cell and its number in the index, 22 bytes.
#[repr(C, packed(2))]
#[derive(Debug, Clone, Copy, Pod, Zeroable, PartialEq, Eq)]
pub(super) struct Numbered {
    pub cell: u32,
    pub number: u32,
    pub record: StarRecord,
}

/// What is kept: this many of each cell of a depth, the brightest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Keep {
    pub depth: u8,
    pub per_cell: usize,
}

impl Keep {
    pub(super) fn place(&self, record: StarRecord) -> Placed {
        Placed {
            // Depth 12 has 201 million cells.
            cell: cell_of(record.vector(), self.depth) as u32,
            record,
        }
    }

    /// The part of the sky that a cell lies in.
    pub(super) fn partition_of(&self, cell: u32) -> usize {
        (cell >> (2 * (self.depth - PARTITION_DEPTH))) as usize
    }

    /// Sorts by cell and brightness and drops what is not kept; the same star twice is one star.
    ///
    /// Thinning twice, or parts first, gives the same as once.
    pub(super) fn thin(&self, stars: &mut Vec<Placed>) {
        stars.par_sort_unstable_by(|a, b| {
            // Copies: fields of a packed record cannot be referred to.
            let (cell, other) = (a.cell, b.cell);
            let by_cell = cell.cmp(&other);
            by_cell.then_with(|| a.record.cmp_brightness(&b.record))
        });
        stars.dedup();
        let (mut current, mut taken) = (u32::MAX, 0);
        stars.retain(|star| {
            if star.cell != current {
                (current, taken) = (star.cell, 0);
            }
            taken += 1;
            taken <= self.per_cell
        });
    }
}

/// Writes stars, sorted by cell, behind a table of where each part of the sky begins. The file
/// has its name only once it is complete.
pub(super) fn write_run(path: &Path, stars: &[Placed], keep: Keep) -> io::Result<()> {
    let mut starts = [0_u64; PARTITIONS + 1];
    for (partition, start) in starts.iter_mut().enumerate() {
        *start = stars.partition_point(|s| keep.partition_of(s.cell) < partition) as u64;
    }
    write_whole(path, |file| {
        file.write_all(bytemuck::cast_slice(&starts))?;
        file.write_all(bytemuck::cast_slice(stars))
    })
}

/// Appends the stars of one part of the sky.
pub(super) fn read_run(path: &Path, partition: usize, stars: &mut Vec<Placed>) -> io::Result<()> {
    let mut file = File::open(path)?;
    let mut ends = [0_u64; 2];
    file.seek(SeekFrom::Start(8 * partition as u64))?;
    file.read_exact(bytemuck::cast_slice_mut(&mut ends))?;
    let head = 8 * (PARTITIONS as u64 + 1);
    let held = file.metadata()?.len().saturating_sub(head) / size_of::<Placed>() as u64;
    if ends[0] > ends[1] || ends[1] > held {
        let what = format!("{}: damaged, delete it", path.display());
        return Err(io::Error::new(io::ErrorKind::InvalidData, what));
    }
    let first = stars.len();
    stars.resize(first + (ends[1] - ends[0]) as usize, Placed::zeroed());
    let place = head + ends[0] * size_of::<Placed>() as u64;
    file.seek(SeekFrom::Start(place))?;
    file.read_exact(bytemuck::cast_slice_mut(&mut stars[first..]))
}

/// Writes records of one kind; the file has its name only once it is complete.
pub(super) fn write_records<T: Pod>(path: &Path, records: &[T]) -> io::Result<()> {
    write_whole(path, |file| file.write_all(bytemuck::cast_slice(records)))
}

/// Reads what [`write_records`] wrote.
pub(super) fn read_records<T: Pod>(path: &Path) -> io::Result<Vec<T>> {
    let mut file = File::open(path)?;
    let count = file.metadata()?.len() as usize / size_of::<T>();
    let mut records = vec![T::zeroed(); count];
    file.read_exact(bytemuck::cast_slice_mut(&mut records))?;
    Ok(records)
}

fn write_whole(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> io::Result<()> {
    whole::write(&path.with_extension("unfinished"), path, write)
}
