//! `nightfix polar`: frames in, the error of the polar axis out.

mod args;

pub use args::PolarArgs;

use super::output::{Printed, print_text};
use super::{Status, complain, stop};
use crate::answer::{Asked, Known, answer};
use crate::frame::{FrameError, FrameFile, Site, text_of_path};
use crate::guard;
use crate::polar::{Conditions, Sight, adjusted, find};
use crate::report::overlay;
use crate::report::polar::picture::{self, FieldBorder};
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
    PolarRecord::without(
        names(args),
        args.ground.pole.into(),
        PolarStatus::Error,
        reason,
    )
}

fn judge(args: &PolarArgs) -> (PolarRecord, Status) {
    match attempt(args) {
        Ok(judged) => judged,
        Err((reason, status)) if status <= Status::TimeLimit => {
            let unclear = PolarStatus::Unclear;
            let record =
                PolarRecord::without(names(args), args.ground.pole.into(), unclear, &reason);
            (record, status)
        }
        Err((reason, status)) => (refused(args, &reason), status),
    }
}

fn attempt(args: &PolarArgs) -> Result<(PolarRecord, Status), Failure> {
    let sky = args
        .known
        .sky()
        .map_err(|e| (e.to_string(), Status::IndexNotUsable))?;
    let known = args.known.known();
    let mut sights = Vec::new();
    let mut site = None;
    for path in &args.frames {
        let (sight, by_header) = one_frame(path, &known, &sky)?;
        site = site.or(by_header);
        sights.push(sight);
    }
    let conditions = args.ground.conditions().or_at(site);
    let result = find(&sights, &conditions);
    let record = PolarRecord::new(names(args), conditions.pole, &result);
    let status = match record.status {
        PolarStatus::Found => Status::Solved,
        _ => Status::Unsolved,
    };
    let (mut record, mut status) = match (&args.adjusted, &result, sights.last()) {
        (Some(path), Ok(finding), Some(last)) => {
            let left = one_frame(path, &known, &sky).and_then(|(new, _)| {
                let left = adjusted(finding, last, &new, &conditions);
                let left = left.map_err(|trouble| (trouble.reason, Status::Unsolved))?;
                Ok((new, left))
            });
            match left {
                Ok((new, left)) => {
                    let record = record.with_left(&new.file, &left);
                    sights.push(new);
                    (record, status)
                }
                // The axis was found all the same.
                Err((reason, status)) => {
                    complain(&reason);
                    (record.without_left(&reason), status)
                }
            }
        }
        _ => (record, status),
    };
    if let (Some(path), PolarStatus::Found) = (&args.picture, record.status)
        && let Err(refusal) = draw(path, &record, &sights, &conditions)
    {
        complain(&refusal);
        record.cautions.push(refusal);
        status = status.max(Status::OutputNotWritable);
    }
    Ok((record, status))
}

/// Writes the picture; the text is for the user.
fn draw(
    path: &Path,
    record: &PolarRecord,
    sights: &[Sight],
    conditions: &Conditions,
) -> Result<(), String> {
    if conditions.site.is_none() {
        return Err(format!(
            "{}: no picture was drawn, since without the site nobody knows which way is up: give \
             --site",
            path.display()
        ));
    }
    let borders = sights
        .iter()
        .filter_map(|sight| sight.border_deg(conditions));
    let fields: Vec<FieldBorder> = borders
        .map(|border_deg| FieldBorder { border_deg })
        .collect();
    overlay::write(path, picture::draw(record, &fields)).map_err(|failure| {
        format!(
            "{}: the picture was not written: {failure}; name a place where files may be written",
            path.display()
        )
    })
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
