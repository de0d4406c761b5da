//! `nightfix solve`: frames in, positions out.

mod args;
mod choice;
mod earlier;
mod extras;

pub use args::SolveArgs;
pub(super) use choice::lines as choice_lines;

use super::output::{Printed, Printer};
use super::{Status, complain, stop};
use crate::answer::{Asked, At, Known, answer, out_of_time, refused};
use crate::frame::{FrameError, FrameFile, text_of_path};
use crate::guard;
use crate::report::Record;
use crate::report::record::FrameStatus;
use crate::sky::Sky;
use crate::solve::Outcome;
use earlier::Earlier;
use std::path::Path;
use std::time::Instant;

/// Why a frame has no record of its own, and what that means for the exit status.
type Failure = (String, Status);

/// Solves every frame of the command line; one that fails does not stop the others.
pub fn run(args: &SolveArgs) -> Status {
    if let Some(contradiction) = contradiction(args) {
        complain(&contradiction);
        return Status::Usage;
    }
    if let Err(refusal) = args.known.limit_threads() {
        complain(&refusal);
        return Status::Internal;
    }
    stop::between_writes();
    if args.json {
        args.known.say_position();
    }
    if let (true, Some(target)) = (args.json, &args.target) {
        complain(&format!("--target is understood as {}", target.understood));
    }
    let known = Known {
        target: args.target.as_ref().map(At::from),
        focus: args.focus_star,
        ..args.known.known()
    };
    let sky = args.known.sky().map_err(|refusal| refusal.to_string());
    let earlier = match (&args.repeat, &sky) {
        (Some(path), Ok(sky)) => Earlier::solve(path, &args.known.known(), sky).map(Some),
        _ => Ok(None),
    };
    let earlier = match earlier {
        Ok(earlier) => earlier,
        Err((reason, status)) => {
            complain(&reason);
            return status;
        }
    };
    let job = Job {
        args,
        earlier: earlier.as_ref(),
    };
    all_frames(&job, &known, sky.as_ref())
}

/// Solves the frames one by one and prints what comes of each; the gravest status of all.
fn all_frames(job: &Job<'_>, known: &Known, sky: Result<&Sky, &String>) -> Status {
    let args = job.args;
    let mut printer = Printer::new(args.json);
    let mut gravest = Status::Solved;
    let mut is_heard = true;
    for path in &args.frames {
        // What is written to files is wanted whether or not anybody reads the lines.
        if !is_heard && !args.write_wcs {
            return gravest.max(Status::Interrupted);
        }
        let (record, status) = one_frame(job, known, path, sky);
        gravest = gravest.max(status);
        if let Some(reason) = record
            .reason
            .as_deref()
            .filter(|_| status > Status::TimeLimit)
        {
            complain(reason);
        }
        // As text, a fault is its one line on standard error.
        if !is_heard || record.status == FrameStatus::Error && !args.json {
            continue;
        }
        match printer.print(&record) {
            Ok(Printed::Done) => {}
            Ok(Printed::NobodyReads) => is_heard = false,
            Err(failure) => {
                complain(&format!("standard output: {failure}"));
                return Status::OutputNotWritable;
            }
        }
    }
    gravest
}

/// Why these options make no sense together, where they do not.
fn contradiction(args: &SolveArgs) -> Option<String> {
    let pictures = [("--overlay", &args.overlay), ("--refusals", &args.refusals)];
    let drawn = pictures.iter().find(|(_, path)| path.is_some());
    let one = drawn.filter(|_| args.frames.len() > 1);
    one.map(|(option, _)| format!("{option} draws one picture: give one frame with it"))
        .or_else(|| args.known.contradiction().map(str::to_owned))
}

/// What is done with every frame.
struct Job<'a> {
    args: &'a SolveArgs,
    earlier: Option<&'a Earlier>,
}

/// Everything for one frame, faults included.
fn one_frame(
    job: &Job,
    known: &Known,
    path: &Path,
    sky: Result<&Sky, &String>,
) -> (Record, Status) {
    let file = text_of_path(path);
    let asked = Asked {
        file: &file,
        known,
        begin: Instant::now(),
    };
    let result = match sky {
        Ok(sky) => guard::run(|| attempt(job, path, sky, &asked)).unwrap_or_else(|fault| {
            Err((format!("{}: {fault}", path.display()), Status::Internal))
        }),
        Err(refusal) => Err((refusal.clone(), Status::IndexNotUsable)),
    };
    result.unwrap_or_else(|(reason, status)| (refused(&asked, &reason), status))
}

fn attempt(job: &Job, path: &Path, sky: &Sky, asked: &Asked) -> Result<(Record, Status), Failure> {
    let file = FrameFile::open(path).map_err(explain)?;
    let frame = match file.read_by(asked.deadline()) {
        Err(FrameError::TimeLimit { .. }) => {
            return Ok((out_of_time(asked), Status::TimeLimit));
        }
        frame => frame.map_err(explain)?,
    };
    let identity = file.identity();
    // Some systems let nobody write a file anew while it is open.
    drop(file);
    let mut answer = answer(&frame, sky, asked)
        .map_err(|refusal| (refusal.to_string(), Status::IndexNotUsable))?;
    if job.args.verbose {
        for line in choice::lines(sky, &answer) {
            complain(&line);
        }
    }
    let mut status = status_of(&answer.outcome);
    if let Some(earlier) = job.earlier {
        earlier.compare(&mut answer);
    }
    let refusals = extras::write(job.args, &frame, &identity, &answer);
    let mut record = answer.record;
    for refusal in refusals {
        complain(&refusal);
        record.cautions.push(refusal);
        status = status.max(Status::OutputNotWritable);
    }
    Ok((record, status))
}

fn status_of(outcome: &Outcome) -> Status {
    match (&outcome.solution, outcome.search.timed_out) {
        (Some(_), _) => Status::Solved,
        (None, true) => Status::TimeLimit,
        (None, false) => Status::Unsolved,
    }
}

fn explain(refusal: FrameError) -> Failure {
    let status = match refusal {
        FrameError::Damaged { .. } => Status::DamagedFrame,
        _ => Status::FrameNotReadable,
    };
    (refusal.to_string(), status)
}
