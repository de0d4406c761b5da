//! First pass: stars of all inputs into sorted, thinned runs on disk.

use super::folder::{WorkFolder, key_of};
use super::stars::{Keep, Placed, write_run};
use super::{DeepError, EPOCH_JYEAR, Order, Progress, Summary};
use crate::catalogue::{CatalogueError, Input, InputStar};
use rayon::prelude::*;
use star_index::StarRecord;
use std::io;
use std::sync::mpsc::sync_channel;

/// Rows of one input.
#[derive(Debug, Clone, Copy, Default)]
struct Counts {
    rows: u64,
    unusable: u64,
    wanted: u64,
}

/// Reads the inputs, several at once, leaving out those that an interrupted build had finished.
pub(super) fn read(
    order: &Order<'_>,
    keep: Keep,
    folder: &WorkFolder,
    progress: &dyn Progress,
    summary: &mut Summary,
) -> Result<(), DeepError> {
    let at_once = rayon::current_num_threads().min(order.inputs.len()).max(1);
    // Sorting is in place; a quarter stays for batches on their way and for everything else.
    let share = order.memory_bytes / 4 * 3 / at_once as u64;
    let limit = (share as usize / size_of::<Placed>()).max(1 << 16);
    let failed = |source| DeepError::Write {
        path: order.out.to_owned(),
        source,
    };
    let mut keys = Vec::new();
    for input in order.inputs {
        let key = key_of(&input.path, &input.describe()).map_err(|source| CatalogueError::Io {
            path: input.path.clone(),
            source,
        })?;
        keys.push(key);
    }
    folder.keep_inputs(&keys).map_err(failed)?;
    let counts: Vec<Result<Counts, DeepError>> = order
        .inputs
        .par_iter()
        .zip(&keys)
        .map(|(input, key)| one_input(order, keep, folder, (input, key), limit, progress))
        .collect();
    for counts in counts {
        let counts = counts?;
        summary.rows += counts.rows;
        summary.unusable += counts.unusable;
        summary.wanted += counts.wanted;
    }
    Ok(())
}

fn one_input(
    order: &Order<'_>,
    keep: Keep,
    folder: &WorkFolder,
    (input, key): (&Input, &str),
    limit: usize,
    progress: &dyn Progress,
) -> Result<Counts, DeepError> {
    let failed = |source| DeepError::Write {
        path: order.out.to_owned(),
        source,
    };
    if let Some(text) = folder.done(key).map_err(failed)? {
        progress.read(std::fs::metadata(&input.path).map_or(0, |m| m.len()));
        return Ok(Counts::parse(&text));
    }
    let mut sink = Sink {
        order,
        keep,
        folder,
        key,
        limit,
        runs: 0,
        stars: Vec::new(),
        counts: Counts::default(),
    };
    // One thread reads, this one places: even a single file keeps two cores busy.
    let (send, receive) = sync_channel::<Vec<InputStar>>(8);
    let read = std::thread::scope(|scope| {
        let reader = scope.spawn(move || {
            input.read(&mut |bytes| progress.read(bytes), &mut |batch| {
                // The other side hangs up once it cannot write.
                send.send(batch).is_ok()
            })
        });
        let taken = receive.iter().try_for_each(|batch| sink.take(&batch));
        drop(receive);
        let read = reader.join().unwrap_or_else(|fault| {
            std::panic::resume_unwind(fault);
        });
        taken.map_err(failed).map(|()| read)
    })??;
    sink.flush().map_err(failed)?;
    sink.counts.rows = read.rows;
    sink.counts.unusable = read.unusable;
    let counts = sink.counts;
    folder.finish(key, &counts.to_text()).map_err(failed)?;
    Ok(counts)
}

impl Counts {
    fn to_text(self) -> String {
        format!("{} {} {}", self.rows, self.unusable, self.wanted)
    }

    fn parse(text: &str) -> Counts {
        let mut numbers = text.split(' ').filter_map(|n| n.parse().ok());
        let mut next = || numbers.next().unwrap_or(0);
        Counts {
            rows: next(),
            unusable: next(),
            wanted: next(),
        }
    }
}

/// Collects the stars of one input and writes them out run by run.
struct Sink<'a> {
    order: &'a Order<'a>,
    keep: Keep,
    folder: &'a WorkFolder,
    key: &'a str,
    limit: usize,
    runs: usize,
    stars: Vec<Placed>,
    counts: Counts,
}

impl Sink<'_> {
    fn take(&mut self, batch: &[InputStar]) -> io::Result<()> {
        for input in batch {
            if input.star.mag > self.order.faintest_mag {
                continue;
            }
            let record = record_of(input);
            if self.order.region.holds(record.vector()) {
                self.counts.wanted += 1;
                self.stars.push(self.keep.place(record));
            }
        }
        if self.stars.len() < self.limit {
            return Ok(());
        }
        // Often thinning alone makes room.
        self.keep.thin(&mut self.stars);
        if self.stars.len() > self.limit / 2 {
            self.write()?;
        }
        Ok(())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.keep.thin(&mut self.stars);
        self.write()
    }

    fn write(&mut self) -> io::Result<()> {
        if self.stars.is_empty() {
            return Ok(());
        }
        let name = format!("{}-{:06}.run", self.key, self.runs);
        write_run(&self.folder.file(&name), &self.stars, self.keep)?;
        self.runs += 1;
        self.stars.clear();
        Ok(())
    }
}

/// The record of a star, moved to the epoch of the index.
pub(super) fn record_of(input: &InputStar) -> StarRecord {
    let star = &input.star;
    // libm rather than the system's sine: the same bytes on every system.
    let (sa, ca) = libm::sincos(star.ra_deg.to_radians());
    let (sd, cd) = libm::sincos(star.dec_deg.to_radians());
    let years = EPOCH_JYEAR - input.epoch_jyear;
    const MAS_TO_RAD: f64 = std::f64::consts::PI / (180.0 * 3_600_000.0);
    let [east, north] = star.pm_mas_yr.map(|pm| pm * MAS_TO_RAD * years);
    let moved = [
        cd * ca - east * sa - north * sd * ca,
        cd * sa + east * ca - north * sd * sa,
        sd + north * cd,
    ];
    let length = moved.iter().map(|c| c * c).sum::<f64>().sqrt();
    let vector = moved.map(|c| c / length);
    StarRecord::new(vector, star.pm_mas_yr, star.mag)
}
