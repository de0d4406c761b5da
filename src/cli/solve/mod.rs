//! `nightfix solve`: frames in, positions out.

mod args;
mod claims;
mod extras;
mod index;
mod plan;

pub use args::SolveArgs;

use super::output::{Printed, Printer};
use super::{Status, complain, guard};
use crate::frame::{Clues, Frame, FrameError};
use crate::report::record::{FrameStatus, Reason, Subject};
use crate::report::{Record, Unsolved};
use crate::sky::Sky;
use crate::solve::{Outcome, solve};
use plan::Plan;
use std::path::Path;
use std::time::{Duration, Instant};

/// Solves every frame of the command line; one that fails does not stop the others.
pub fn run(args: &SolveArgs) -> Status {
    if args.overlay.is_some() && args.frames.len() > 1 {
        complain("--overlay draws one picture: give one frame with it");
        return Status::Usage;
    }
    if args.within.is_some() && args.at.is_none() && args.ignore_header {
        complain("--within needs a commanded position: add --at, or drop --ignore-header");
        return Status::Usage;
    }
    if let Some(threads) = args.threads {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads.into());
        if let Err(refusal) = pool.build_global() {
            complain(&format!("--threads {threads}: {refusal}"));
            return Status::Internal;
        }
    }
    if let Some(at) = args.at.as_ref().filter(|_| args.json) {
        complain(&format!("--at is understood as {}", at.understood));
    }
    let sky = index::open(&args.index).map_err(|refusal| refusal.to_string());
    let mut printer = Printer::new(args.json);
    let mut gravest = Status::Solved;
    for path in &args.frames {
        let (record, status) = one_frame(args, path, sky.as_ref());
        gravest = gravest.max(status);
        if let Some(reason) = record
            .reason
            .as_deref()
            .filter(|_| status > Status::TimeLimit)
        {
            complain(reason);
        }
        // As text, a fault is its one line on standard error.
        if record.status == FrameStatus::Error && !args.json {
            continue;
        }
        match printer.print(&record) {
            Ok(Printed::Done) => {}
            Ok(Printed::NobodyReads) => return Status::Solved,
            Err(failure) => {
                complain(&format!("standard output: {failure}"));
                return Status::OutputNotWritable;
            }
        }
    }
    gravest
}

/// Everything for one frame, faults included.
fn one_frame(args: &SolveArgs, path: &Path, sky: Result<&Sky, &String>) -> (Record, Status) {
    let begin = Instant::now();
    let result = match sky {
        Ok(sky) => guard::run(|| attempt(args, path, sky, begin)).unwrap_or_else(|fault| {
            Err((format!("{}: {fault}", path.display()), Status::Internal))
        }),
        Err(refusal) => Err((refusal.clone(), Status::IndexNotUsable)),
    };
    result.unwrap_or_else(|(reason, status)| {
        // An equinox of date needs the frame; what the caller said can be repeated without it.
        let commanded = Plan::new(args, &Clues::default()).commanded(None);
        let record = Record::new(&Subject {
            file: &path.to_string_lossy(),
            reason: Some(Reason::Fault(&reason)),
            outcome: None,
            commanded: commanded.as_ref(),
            moment: None,
            site: None,
            remarks: &[],
            read_ms: None,
            total_ms: milliseconds(begin.elapsed()),
        });
        (record, status)
    })
}

fn attempt(
    args: &SolveArgs,
    path: &Path,
    sky: &Sky,
    begin: Instant,
) -> Result<(Record, Status), (String, Status)> {
    let frame = Frame::open(path).map_err(explain)?;
    let read = begin.elapsed();
    let ignored = Clues::default();
    let clues = if args.ignore_header {
        &ignored
    } else {
        &frame.clues
    };
    let mut plan = Plan::new(args, clues);
    plan.request.time_limit = args.time_limit.map(|limit| limit.saturating_sub(read));
    let outcome = solve(&frame, sky, &plan.request)
        .map_err(|refusal| (refusal.to_string(), Status::IndexNotUsable))?;
    let total = begin.elapsed();
    let solution = outcome.solution.as_ref();
    let found_deg = solution.map(|s| [s.centre_ra_deg, s.centre_dec_deg]);
    let commanded = plan.commanded(found_deg);
    if let Some(solution) = solution {
        let moment = plan.moment.as_ref();
        plan.remarks
            .extend(claims::contradicted(clues, moment, solution));
    }
    let reason = solution
        .is_none()
        .then(|| unsolved(args, &outcome, !plan.request.starts.is_empty()));
    let mut record = Record::new(&Subject {
        file: &path.to_string_lossy(),
        reason: reason.map(Reason::Unsolved),
        outcome: Some(&outcome),
        commanded: commanded.as_ref(),
        moment: plan.moment,
        site: clues.site,
        remarks: &plan.remarks,
        read_ms: Some(milliseconds(read)),
        total_ms: milliseconds(total),
    });
    let mut status = status_of(&outcome);
    for refusal in extras::write(args, &frame, &outcome, commanded.as_ref(), &record) {
        complain(&refusal);
        record.cautions.push(refusal);
        status = status.max(Status::OutputNotWritable);
    }
    Ok((record, status))
}

/// Why `outcome` has no solution.
fn unsolved(args: &SolveArgs, outcome: &Outcome, has_start: bool) -> Unsolved {
    /// A quad has four stars.
    const LEAST_STARS: usize = 4;
    let found = outcome.detections.stars.len();
    let limit = args.time_limit.filter(|_| outcome.search.timed_out);
    match (limit, args.within.filter(|_| has_start)) {
        _ if found < LEAST_STARS => Unsolved::TooFewStars { found },
        (Some(limit), _) => Unsolved::TimeLimit {
            limit_s: limit.as_secs_f64(),
        },
        (None, Some(within_deg)) => Unsolved::NotNear { found, within_deg },
        (None, None) => Unsolved::Nowhere { found },
    }
}

fn status_of(outcome: &Outcome) -> Status {
    match (&outcome.solution, outcome.search.timed_out) {
        (Some(_), _) => Status::Solved,
        (None, true) => Status::TimeLimit,
        (None, false) => Status::Unsolved,
    }
}

fn explain(refusal: FrameError) -> (String, Status) {
    let status = match refusal {
        FrameError::Damaged { .. } => Status::DamagedFrame,
        _ => Status::FrameNotReadable,
    };
    (refusal.to_string(), status)
}

fn milliseconds(duration: Duration) -> f64 {
    duration.as_secs_f64() * 1000.0
}
