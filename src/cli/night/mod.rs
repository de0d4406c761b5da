//! `nightfix night`: a folder in, every frame's position and a summary out.

mod args;
mod progress;

pub use args::NightArgs;

use super::folder::{Failure, open, status_of, write_outputs};
use super::night_report::NightReport;
use super::output::{Printed, print_text};
use super::{Status, complain, stop};
use crate::night::{
    Finished, Rows, RunError, Tally, Work, json_line, line, list, run as run_night,
};
use crate::track::RowStatus;
use progress::Progress;
use std::sync::atomic::Ordering;

/// Solves the frames of a folder; one that fails does not stop the others.
pub fn run(args: &NightArgs) -> Status {
    attempt(args).unwrap_or_else(|(message, status)| {
        complain(&message);
        status
    })
}

fn attempt(args: &NightArgs) -> Result<Status, Failure> {
    let folder = &args.folder;
    let opened = open(folder, &args.known)?;
    let listing = list(&folder.folder, &opened.selection);
    for remark in &listing.remarks {
        complain(remark);
    }
    if listing.frames.is_empty() {
        let message = format!(
            "{}: no frames there: name the folder that holds them, and look at --only and --except",
            folder.folder.display()
        );
        return Err((message, Status::FrameNotReadable));
    }
    let known = args.known.known();
    let helpers = args.known.helpers();
    let work = Work::new(&opened.sky, &known, folder.write_wcs, helpers.as_ref());
    let stop = stop::flag();
    let threads = args.known.thread_count();
    let mut night = Night::new(args, listing.frames.len());
    let result = run_night(
        &work,
        &listing.frames,
        &opened.journal,
        threads,
        &stop,
        |finished| night.take(finished),
    );
    night.progress.end();
    night.finish(&result, stop.load(Ordering::Relaxed) && result.is_ok())
}

/// What is gathered while frames are done.
struct Night<'a> {
    args: &'a NightArgs,
    frames: usize,
    progress: Progress,
    tally: Tally,
    /// Only where a table or a report is made of them.
    rows: Option<Rows>,
    solved: usize,
    kept: usize,
    gravest: Status,
    /// Nobody reads standard output any more: the rest is done for the journal and the tables.
    nobody_reads: bool,
    /// Why no more can be taken.
    failure: Option<Failure>,
}

impl<'a> Night<'a> {
    fn new(args: &'a NightArgs, frames: usize) -> Night<'a> {
        Night {
            args,
            frames,
            progress: Progress::new(frames),
            tally: Tally::default(),
            rows: args.folder.needs_rows().then(Rows::default),
            solved: 0,
            kept: 0,
            gravest: Status::Solved,
            nobody_reads: false,
            failure: None,
        }
    }

    /// Takes a frame that is done; false where nobody wants more.
    fn take(&mut self, finished: Finished) -> bool {
        let done = finished.done;
        let row = &done.entry.row;
        self.gravest = self.gravest.max(status_of(done.entry.verdict));
        self.kept += usize::from(done.kept);
        self.solved += usize::from(row.status == RowStatus::Solved);
        if let Some(refusal) = &done.refusal {
            self.gravest = self.gravest.max(Status::OutputNotWritable);
            self.progress.around(|| complain(refusal));
        }
        if row.status == RowStatus::Error && !self.args.lines {
            let reason = row.reason.as_deref().unwrap_or(&row.file);
            self.progress.around(|| complain(reason));
        }
        let text = match (self.args.json, self.args.lines) {
            (true, _) => json_line(&done.entry, None, None),
            (_, true) => Some(line(row)),
            _ => None,
        };
        if let Some(text) = text.filter(|_| !self.nobody_reads) {
            match self.progress.around(|| print_text(&(text + "\n"))) {
                Ok(Printed::Done) => {}
                Ok(Printed::NobodyReads) => self.nobody_reads = true,
                Err(failure) => self.failure = Some(unheard(&failure)),
            }
        }
        self.progress.step(self.solved);
        self.tally.add(row);
        if let Some(rows) = &mut self.rows
            && let Err(failure) = rows.push(row)
        {
            self.failure = Some((failure.to_string(), Status::Internal));
        }
        self.failure.is_none()
    }

    /// Writes tables, prints the summary, says how it ended.
    fn finish(self, result: &Result<(), RunError>, interrupted: bool) -> Result<Status, Failure> {
        let mut status = self.gravest;
        if let Some(rows) = self.rows {
            let rows = rows
                .read()
                .map_err(|failure| (failure.to_string(), Status::Internal))?;
            status = status.max(write_outputs(
                &self.args.folder,
                &rows,
                &mut NightReport::new(&self.args.folder.folder, None),
            ));
        }
        if let Some(failure) = self.failure {
            return Err(failure);
        }
        let mut text = self.tally.summary().to_string();
        if self.kept > 0 {
            text += &format!("{} of them known from an earlier run\n", self.kept);
        }
        let done = self.tally.frames();
        if interrupted && done < self.frames {
            status = status.max(Status::Interrupted);
            text += &format!(
                "interrupted: {done} of {} frames are done; run the same command again for the rest\n",
                self.frames
            );
        }
        if self.args.json {
            eprint!("{text}");
        } else if let Err(failure) = print_text(&text) {
            return Err(unheard(&failure));
        }
        match result {
            Ok(()) => Ok(status),
            Err(RunError::Sky(damaged)) => Err((damaged.to_string(), Status::IndexNotUsable)),
            Err(full) => Err((full.to_string(), Status::OutputNotWritable)),
        }
    }
}

fn unheard(failure: &std::io::Error) -> Failure {
    (
        format!("standard output: {failure}"),
        Status::OutputNotWritable,
    )
}
