//! `nightfix polar`: frames in, the error of the polar axis out.

mod args;

pub use args::PolarArgs;

use super::output::{Printed, print_text};
use super::{Status, complain, stop};
use crate::answer::axis::{AxisAnswer, AxisAsked, NamedFrame, Obstacle, axis};
use crate::guard;
use crate::report::overlay;
use crate::report::polar::picture::{self, FieldBorder};
use crate::report::polar::{PolarRecord, PolarStatus};
use std::path::Path;

pub fn run(args: &PolarArgs) -> Status {
    if let Err(status) = args.known.prepare() {
        return status;
    }
    stop::between_writes();
    let known = args.known.known();
    let frames: Vec<NamedFrame> = args
        .frames
        .iter()
        .map(|path| NamedFrame::of(path))
        .collect();
    let adjusted = args.adjusted.as_deref().map(NamedFrame::of);
    let asked = AxisAsked {
        frames: &frames,
        adjusted: adjusted.as_ref(),
        conditions: args.ground.conditions(),
        known: &known,
    };
    let refused = |reason: String, status| {
        let record = asked.refused(&reason, PolarStatus::Error);
        (record, status)
    };
    let judged = match args.known.sky() {
        Ok(sky) => guard::run(|| finished(args, axis(&asked, &sky)))
            .unwrap_or_else(|fault| refused(fault, Status::Internal)),
        Err(refusal) => refused(refusal.to_string(), Status::IndexNotUsable),
    };
    let (record, status) = judged;
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

/// The record and the status, with the picture drawn.
fn finished(args: &PolarArgs, answer: AxisAnswer) -> (PolarRecord, Status) {
    if let Some(reason) = &answer.not_left {
        complain(reason);
    }
    let mut status = answer.obstacle.map_or(Status::Solved, status_of);
    let refusal = match (&args.picture, answer.record.status) {
        (Some(path), PolarStatus::Found) => draw(path, &answer).err(),
        _ => None,
    };
    let mut record = answer.record;
    if let Some(refusal) = refusal {
        complain(&refusal);
        record.cautions.push(refusal);
        status = status.max(Status::OutputNotWritable);
    }
    (record, status)
}

fn status_of(obstacle: Obstacle) -> Status {
    match obstacle {
        Obstacle::Unsolved => Status::Unsolved,
        Obstacle::TimeLimit => Status::TimeLimit,
        Obstacle::Damaged => Status::DamagedFrame,
        Obstacle::NotReadable => Status::FrameNotReadable,
        Obstacle::StarIndex => Status::IndexNotUsable,
    }
}

/// Writes the picture; the text is for the user.
fn draw(path: &Path, answer: &AxisAnswer) -> Result<(), String> {
    if answer.conditions.site.is_none() {
        return Err(format!(
            "{}: no picture was drawn, since without the site nobody knows which way is up: give \
             --site",
            path.display()
        ));
    }
    let sights = answer.sights.iter();
    let borders = sights.filter_map(|sight| sight.border_deg(&answer.conditions));
    let fields: Vec<FieldBorder> = borders
        .map(|border_deg| FieldBorder { border_deg })
        .collect();
    overlay::write(path, picture::draw(&answer.record, &fields)).map_err(|failure| {
        format!(
            "{}: the picture was not written: {failure}; name a place where files may be written",
            path.display()
        )
    })
}
