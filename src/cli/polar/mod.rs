//! `nightfix polar`: frames in, the error of the polar axis out.

mod args;

pub use args::PolarArgs;

use super::output::{Printed, print_text};
use super::{Status, complain, stop};
use crate::answer::{Asked, Known, answer};
use crate::frame::{FrameError, FrameFile, Site, text_of_path};
use crate::guard;
use crate::polar::{Conditions, Pole, Sight, adjusted, find};
use crate::report::polar::{PolarRecord, PolarStatus};
use crate::sky::Sky;
use std::path::Path;
use std::time::Instant;

type Failure = (String, Status);

pub fn run(args: &PolarArgs) -> Status {
    if let Some(contradiction) = args.known.contradiction() {
        complain(contradiction);
        return Status::Usage;
    }
    if let Err(refusal) = args.known.limit_threads() {
        complain(&refusal);
        return Status::Internal;
    }
    stop::between_writes();
    let (record, status) = guard::run(|| judge(args))
        .unwrap_or_else(|fault| (refused(args, &fault), Status::Internal));
    if let Some(reason) = record.reason.as_ref().filter(|_| status > Status::Unsolved) {
        complain(reason);
    }
    let text = match args.json {
        true => record.to_json_line().unwrap_or_default() + "\n",
        false => record.to_text(),
    };
    match print_text(&text) {
        Ok(Printed::Done) => status,
        Ok(Printed::NobodyReads) => status.max(Status::Interrupted),
        Err(failure) => {
            complain(&format!("standard output: {failure}"));
            Status::OutputNotWritable
        }
    }
}

fn names(args: &PolarArgs) -> Vec<String> {
    args.frames.iter().map(|path| text_of_path(path)).collect()
}

fn refused(args: &PolarArgs, reason: &str) -> PolarRecord {
    PolarRecord::without(names(args), args.pole.into(), PolarStatus::Error, reason)
}

fn judge(args: &PolarArgs) -> (PolarRecord, Status) {
    match attempt(args) {
        Ok(record) if record.status == PolarStatus::Found => (record, Status::Solved),
        Ok(record) => (record, Status::Unsolved),
        Err((reason, status)) if status <= Status::TimeLimit => {
            let unclear = PolarStatus::Unclear;
            let record = PolarRecord::without(names(args), args.pole.into(), unclear, &reason);
            (record, status)
        }
        Err((reason, status)) => (refused(args, &reason), status),
    }
}

fn attempt(args: &PolarArgs) -> Result<PolarRecord, Failure> {
    let sky = args
        .known
        .sky()
        .map_err(|e| (e.to_string(), Status::IndexNotUsable))?;
    let known = args.known.known();
    let mut sights = Vec::new();
    let mut site = args.site;
    for path in &args.frames {
        let (sight, by_header) = one_frame(path, &known, &sky)?;
        site = site.or(by_header);
        sights.push(sight);
    }
    let mut pole = Pole::from(args.pole);
    if site.is_none() || args.pressure == Some(0.0) {
        // Without refraction there is one pole.
        pole = Pole::True;
    }
    let conditions = Conditions {
        site,
        pressure_hpa: args.pressure,
        air_c: args.temperature,
        pole,
    };
    let result = find(&sights, &conditions);
    let record = PolarRecord::new(names(args), pole, &result);
    let (Some(path), Ok(finding), Some(last)) = (&args.adjusted, &result, sights.last()) else {
        return Ok(record);
    };
    let (new, _) = one_frame(path, &known, &sky)?;
    adjusted(finding, last, &new, &conditions)
        .map(|left| record.with_left(&new.file, &left))
        .map_err(|trouble| (trouble.reason, Status::Unsolved))
}

/// Solves one frame.
fn one_frame(path: &Path, known: &Known, sky: &Sky) -> Result<(Sight, Option<Site>), Failure> {
    let name = text_of_path(path);
    let asked = Asked {
        file: &name,
        known,
        begin: Instant::now(),
    };
    let explain = |refusal: FrameError| {
        let status = match refusal {
            FrameError::Damaged { .. } => Status::DamagedFrame,
            FrameError::TimeLimit { .. } => Status::TimeLimit,
            _ => Status::FrameNotReadable,
        };
        (refusal.to_string(), status)
    };
    let file = FrameFile::open(path).map_err(explain)?;
    let frame = file.read_by(asked.deadline()).map_err(explain)?;
    let answer =
        answer(&frame, sky, &asked).map_err(|e| (e.to_string(), Status::IndexNotUsable))?;
    let Some(solution) = &answer.outcome.solution else {
        let status = match answer.outcome.search.timed_out {
            true => Status::TimeLimit,
            false => Status::Unsolved,
        };
        let why = answer.record.reason.unwrap_or_default();
        return Err((format!("{name} is not solved: {why}"), status));
    };
    // Without a date that is believed there is no position of date.
    let believed = answer.record.centre_of_date.is_some();
    let jd_utc = answer.clues.mid_jd_utc.filter(|_| believed);
    let mut sight = Sight::new(&name, solution, [frame.width, frame.height], jd_utc);
    sight.commanded_dec_deg = answer
        .clues
        .positions
        .iter()
        .find(|position| !position.source.starts_with("CRVAL"))
        .map(|position| position.dec_deg);
    Ok((sight, answer.clues.site))
}
