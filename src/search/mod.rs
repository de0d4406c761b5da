//! The search: index quads stream past the frame's quads, tile by tile outward from the
//! commanded position; every match is weighed; the first pose beyond doubt ends it.

mod local;
mod plan;
mod request;
mod scan;

pub use plan::{Region, Stage, band_is_wanted};
pub use request::{Commanded, Lenses, Request, SearchOrder, SearchReport};
pub use scan::{BatchResult, Best, Scanner};

use crate::Deadline;
use crate::detect::Detections;
use crate::sky::Sky;
use crate::verify::{DetectionField, chance};
use star_index::IndexError;

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
    /// log10 of the chance that `best` is a false match, all trials until it was met counted. Above
    /// 0 it says that nothing is known; infinite where there is no pose.
    pub log10_chance: f64,
}

/// A star-index failed while it was searched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SearchError {
    /// Number of the star-index in its [`Sky`].
    pub index: usize,
    /// What is wrong with it.
    pub error: IndexError,
}

/// A last question about a pose that is about to be accepted with a chance of a false match (log10);
/// `false` has the search go on without it.
pub type Confirm<'a> = &'a mut (dyn FnMut(&Best, f64) -> bool + Send);

/// Searches `sky` for the star pattern of `detections`.
///
/// # Errors
///
/// A star-index that turns out to be damaged where it is read.
pub fn search(
    detections: &Detections,
    sky: &Sky,
    request: &Request,
    deadline: Deadline,
) -> Result<Found, SearchError> {
    let mut found = Found::after(SearchReport::default());
    search_on(
        &mut found,
        detections,
        sky,
        request,
        deadline,
        &mut |_, _| true,
    )?;
    Ok(found)
}

/// As [`search`], for a frame on which what `found` says was spent without success: every trial
/// counts against the chance of a false match from the beginning, and in the report. The best pose
/// is that of this search, which `confirm` has to agree to.
///
/// # Errors
///
/// As [`search`].
pub fn search_on(
    found: &mut Found,
    detections: &Detections,
    sky: &Sky,
    request: &Request,
    deadline: Deadline,
    confirm: Confirm<'_>,
) -> Result<(), SearchError> {
    let field = DetectionField::new(detections);
    let years = sky.years_since(request.epoch_jyear);
    let bytes_before = sky.bytes_touched();
    let earlier_bytes = found.report.index_bytes;
    let spiral = !request.starts.is_empty();
    found.report.order = if spiral {
        SearchOrder::Spiral
    } else {
        SearchOrder::WholeSky
    };
    if field.len() >= 4 {
        for stage in plan::stages(detections, request) {
            let scanner = Scanner::new(detections, &field, sky, &years, &stage).until(deadline);
            if scanner.has_nothing_to_ask() {
                continue;
            }
            run_stage(&scanner, &stage, request, found, confirm)?;
            if found.accepted || found.report.timed_out {
                break;
            }
        }
    }
    found.report.index_bytes = earlier_bytes + (sky.bytes_touched() - bytes_before);
    Ok(())
}

impl Found {
    /// Nothing yet, after what `report` says was tried.
    pub fn after(report: SearchReport) -> Found {
        Found {
            best: None,
            accepted: false,
            report,
            log10_chance: f64::INFINITY,
        }
    }

    /// Adds the result of a batch, and accepts its best pose where it is beyond doubt and `confirm`
    /// agrees. What is tried later does not make a pose less certain: see [`chance`]. A tie keeps
    /// the earlier pose: the order of batches and tiles is fixed.
    pub fn take(&mut self, result: BatchResult, confirm: Confirm<'_>) {
        self.report.candidates += result.candidates;
        let Some(best) = result.best else { return };
        let log_ratio = best.evidence.log_ratio;
        let log10_chance = chance::log10_of_false_match(self.report.candidates, log_ratio);
        // Written so that what is not a number is not accepted.
        if !(log10_chance < self.log10_chance) {
            return;
        }
        if log10_chance < ACCEPT_LOG10_CHANCE {
            if !confirm(&best, log10_chance) {
                return;
            }
            self.accepted = true;
        }
        self.best = Some(best);
        self.log10_chance = log10_chance;
    }
}

/// Runs one stage batch by batch; the batches do not depend on the number of threads.
fn run_stage(
    scanner: &Scanner<'_>,
    stage: &Stage,
    request: &Request,
    found: &mut Found,
    confirm: Confirm<'_>,
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
            let result = scanner.batch(&batch.tiles)?;
            found.report.timed_out = scanner.is_late();
            found.report.cells += batch.tiles.len() as u64;
            found.report.radius_deg = found.report.radius_deg.max(batch.radius_deg);
            found.take(result, confirm);
            if found.accepted || found.report.timed_out {
                return Ok(());
            }
        }
        if let (Region::EveryStar { radius_deg }, Some(start)) = (stage.region, start) {
            for index in 0..scanner.sky.indexes().len() {
                found.take(scanner.every_star(index, start, radius_deg)?, confirm);
                found.report.timed_out = scanner.is_late();
                if found.accepted || found.report.timed_out {
                    return Ok(());
                }
            }
        }
    }
    Ok(())
}
