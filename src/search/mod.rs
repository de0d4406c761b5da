//! The search: index quads stream past the frame's quads, tile by tile outward from the
//! commanded position; every match is weighed; the first pose beyond doubt ends it.

mod local;
mod plan;
mod scan;

pub use plan::{Region, Stage, band_is_wanted};
pub use scan::{BatchResult, Best, Scanner};

use crate::detect::Detections;
use crate::sky::Sky;
use crate::solve::{Request, SearchOrder, SearchReport};
use crate::verify::DetectionField;
use star_index::IndexError;
use std::time::Instant;

/// A pose is accepted where the chance of a false match, all trials counted, is below this.
pub const ACCEPT_LOG10_CHANCE: f64 = -7.0;

/// What a search ended with.
#[derive(Debug, Clone)]
pub struct Found {
    /// The likeliest pose met, accepted or not.
    pub best: Option<Best>,
    /// It is beyond doubt.
    pub accepted: bool,
    /// Counters.
    pub report: SearchReport,
    /// The lowest chance of a false match (log10) that the best pose had at the end of any batch,
    /// with the trials made until then: what acceptance is decided on. Infinite where there was none.
    /// The same pose grows less certain as more is tried.
    pub lowest_log10_chance: f64,
}

/// A star-index failed while it was searched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SearchError {
    /// Number of the star-index in its [`Sky`].
    pub index: usize,
    /// What is wrong with it.
    pub error: IndexError,
}

/// Searches `sky` for the star pattern of `detections`.
///
/// # Errors
///
/// A star-index that turns out to be damaged where it is read.
pub fn search(
    detections: &Detections,
    sky: &Sky,
    request: &Request,
    deadline: Option<Instant>,
) -> Result<Found, SearchError> {
    search_after(SearchReport::default(), detections, sky, request, deadline)
}

/// As [`search`], for a frame on which `earlier` was spent without success: every trial counts
/// against the chance of a false match from the beginning, and in the report.
///
/// # Errors
///
/// As [`search`].
pub fn search_after(
    earlier: SearchReport,
    detections: &Detections,
    sky: &Sky,
    request: &Request,
    deadline: Option<Instant>,
) -> Result<Found, SearchError> {
    let field = DetectionField::new(detections);
    let years = sky.years_since(request.epoch_jyear);
    let bytes_before = sky.bytes_touched();
    let earlier_bytes = earlier.index_bytes;
    let mut found = Found {
        best: None,
        accepted: false,
        report: earlier,
        lowest_log10_chance: f64::INFINITY,
    };
    let spiral = !request.starts.is_empty();
    found.report.order = if spiral {
        SearchOrder::Spiral
    } else {
        SearchOrder::WholeSky
    };
    if field.len() >= 4 {
        for stage in plan::stages(detections, request) {
            let scanner = Scanner::new(detections, &field, sky, &years, &stage);
            if scanner.has_nothing_to_ask() {
                continue;
            }
            run_stage(&scanner, &stage, request, deadline, &mut found)?;
            if found.accepted || found.report.timed_out {
                break;
            }
        }
    }
    found.report.index_bytes = earlier_bytes + (sky.bytes_touched() - bytes_before);
    Ok(found)
}

impl Found {
    /// log10 of the chance that the likeliest pose is a false match; 0 where there is none.
    pub fn log10_chance(&self) -> f64 {
        let trials = self.report.candidates;
        self.best
            .as_ref()
            .map_or(0.0, |best| best.log10_chance(trials))
    }

    /// Adds the result of a batch. A tie keeps the earlier pose: the order of batches and tiles
    /// is fixed.
    fn take(&mut self, result: BatchResult) {
        self.report.candidates += result.candidates;
        let better = |old: &Best, new: &Best| new.evidence.log_ratio > old.evidence.log_ratio;
        if let Some(new) = result.best
            && self.best.as_ref().is_none_or(|old| better(old, &new))
        {
            self.best = Some(new);
        }
        let chance = self
            .best
            .as_ref()
            .map(|best| best.log10_chance(self.report.candidates));
        self.lowest_log10_chance = self
            .lowest_log10_chance
            .min(chance.unwrap_or(f64::INFINITY));
        self.accepted = chance.is_some_and(|chance| chance < ACCEPT_LOG10_CHANCE);
    }
}

/// Runs one stage batch by batch; the batches do not depend on the number of threads.
fn run_stage(
    scanner: &Scanner<'_>,
    stage: &Stage,
    request: &Request,
    deadline: Option<Instant>,
    found: &mut Found,
) -> Result<(), SearchError> {
    let starts: Vec<Option<[f64; 3]>> = match stage.region {
        Region::WholeSky => vec![None],
        Region::Within { .. } | Region::EveryStar { .. } => request
            .starts
            .iter()
            .map(|s| Some(crate::sphere::sky_to_vector(s.ra_deg, s.dec_deg)))
            .collect(),
    };
    for start in starts {
        for batch in plan::batches(scanner.sky, stage, start) {
            if deadline.is_some_and(|at| Instant::now() >= at) {
                found.report.timed_out = true;
                return Ok(());
            }
            let result = scanner.batch(&batch.tiles)?;
            found.report.cells += batch.tiles.len() as u64;
            found.report.radius_deg = found.report.radius_deg.max(batch.radius_deg);
            found.take(result);
            if found.accepted {
                return Ok(());
            }
        }
        if let (Region::EveryStar { radius_deg }, Some(start)) = (stage.region, start) {
            for index in 0..scanner.sky.indexes().len() {
                found.take(scanner.every_star(index, start, radius_deg)?);
                if found.accepted {
                    return Ok(());
                }
            }
        }
    }
    Ok(())
}
