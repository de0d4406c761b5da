//! `nightfix watch`: frames come, lines go out.

mod args;

pub use args::WatchArgs;

use super::folder::{Failure, Opened, open, write_outputs};
use super::night_report::NightReport;
use super::output::{Printed, print_text};
use super::{Status, complain, stop};
use crate::mount::PointingError;
use crate::night::{
    Done, Entry, Found, JournalError, Mend, Neighbours, Summary, Verdict, Work, json_line,
    line_with, list,
};
use crate::report::text::mending;
use crate::track::{Row, RowStatus};
use crate::watch::{Alarms, Events, Glimpse, Settling, Target, is_whole};
use std::collections::{BTreeSet, HashSet};
use std::io::{IsTerminal, Write};
use std::sync::PoisonError;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// While a file is on its way the folder is looked at this often.
const NEXT_LOOK: Duration = Duration::from_millis(150);
/// Ctrl-C is heeded within this time.
const ATTENTION: Duration = Duration::from_millis(200);
/// Table and report are made anew no more often than this while frames come thick and fast.
const OUTPUTS_EVERY: Duration = Duration::from_secs(5);

/// Browsers load the report of a night that goes on again after so many seconds.
const RELOAD_S: u32 = 30;

/// Watches until Ctrl-C.
pub fn run(args: &WatchArgs) -> Status {
    attempt(args).unwrap_or_else(|(message, status)| {
        complain(&message);
        status
    })
}

fn attempt(args: &WatchArgs) -> Result<Status, Failure> {
    let opened = open(&args.folder, &args.known)?;
    if let Some(target) = &args.target {
        complain(&format!("--target is understood as {}", target.understood));
    }
    let known = args.known.known();
    // All that is parallel within a frame runs on these.
    let helpers = args.known.helpers();
    let work = Work::new(&opened.sky, &known, args.folder.write_wcs, helpers.as_ref());
    let stop = stop::flag();
    let events = Events::of(&args.folder.folder);
    let mut watch = Watch::new(args, &opened, &work);
    while !stop.load(Ordering::Relaxed) {
        watch.look(&stop)?;
        if watch.nobody_reads {
            return Ok(Status::Solved);
        }
        let wait = if watch.is_waiting {
            NEXT_LOOK
        } else {
            args.every
        };
        let begin = Instant::now();
        // A file that is being written makes event after event.
        std::thread::sleep(wait.min(NEXT_LOOK));
        while begin.elapsed() < wait && !stop.load(Ordering::Relaxed) {
            let rest = wait.saturating_sub(begin.elapsed());
            if events.wait(rest.min(ATTENTION)) {
                break;
            }
        }
    }
    watch.end()
}

/// What is known while a folder is watched.
struct Watch<'a> {
    args: &'a WatchArgs,
    opened: &'a Opened,
    work: &'a Work<'a>,
    alarms: Alarms,
    settling: Settling,
    neighbours: Neighbours,
    /// In the order in which they came; one per frame.
    rows: Vec<Row>,
    /// Entries that the journal could not take yet.
    unwritten: Vec<Entry>,
    /// Frames that were there when the watch began; `None` before the first look.
    old: Option<HashSet<String>>,
    /// What was complained about: once is enough.
    said: BTreeSet<String>,
    /// Some frame is on its way.
    is_waiting: bool,
    /// The last frame raised an alarm.
    alarmed: bool,
    report: NightReport<'a>,
    outputs_at: Option<Instant>,
    outputs_due: bool,
    status: Status,
    nobody_reads: bool,
}

impl<'a> Watch<'a> {
    fn new(args: &'a WatchArgs, opened: &'a Opened, work: &'a Work<'a>) -> Watch<'a> {
        let target = args.target.as_ref().map(|at| Target {
            position_deg: [at.ra_deg, at.dec_deg],
        });
        Watch {
            args,
            opened,
            work,
            alarms: Alarms::new(target, args.alarm),
            settling: Settling::default(),
            neighbours: Neighbours::default(),
            rows: Vec::new(),
            unwritten: Vec::new(),
            old: None,
            said: BTreeSet::new(),
            is_waiting: false,
            alarmed: false,
            report: NightReport::new(&args.folder.folder, Some(RELOAD_S)),
            outputs_at: None,
            outputs_due: false,
            status: Status::Solved,
            nobody_reads: false,
        }
    }

    /// One look at the folder, and the work on what is ready.
    fn look(&mut self, stop: &AtomicBool) -> Result<(), Failure> {
        let listing = list(&self.args.folder.folder, &self.opened.selection);
        for remark in listing.remarks {
            self.say_once(remark);
        }
        if self.old.is_none() {
            let names = listing.frames.iter().map(|found| found.file.clone());
            self.old = Some(names.collect());
        }
        self.is_waiting = false;
        for found in &listing.frames {
            if stop.load(Ordering::Relaxed) || self.nobody_reads {
                break;
            }
            let Some(glimpse) = Glimpse::of(&found.path) else {
                continue;
            };
            let whole = || is_whole(&found.path);
            if self
                .settling
                .is_ready(&found.file, glimpse, Instant::now(), whole)
            {
                self.frame(found)?;
            }
            self.is_waiting |= self.settling.is_waiting(&found.file);
        }
        self.keep_unwritten();
        let recent = self
            .outputs_at
            .is_some_and(|at| at.elapsed() < OUTPUTS_EVERY);
        if self.outputs_due && !(recent && self.is_waiting) {
            self.write_outputs();
        }
        Ok(())
    }

    fn frame(&mut self, found: &Found) -> Result<(), Failure> {
        let neighbours = &self.neighbours;
        let done = self
            .work
            .frame(
                found,
                Some(&self.opened.journal),
                |camera, commanded_deg, failed| {
                    let first = failed == 0;
                    first.then(|| neighbours.guess(usize::MAX, camera, commanded_deg))?
                },
            )
            .map_err(|damaged| (damaged.to_string(), Status::IndexNotUsable))?;
        let verdict = done.entry.verdict;
        let now = Instant::now();
        if verdict == Verdict::NotReadable {
            // Locked by its writer, as a rule.
            self.settling.again(&found.file, now);
            self.say_once(done.entry.row.reason.unwrap_or_default());
            return Ok(());
        }
        if let Some(glimpse) = Glimpse::of(&found.path).filter(|_| done.entry.wcs_written) {
            self.settling.settle(&found.file, glimpse, now);
        }
        if let Some(refusal) = &done.refusal {
            self.say_once(refusal.clone());
        }
        self.tell(&done)?;
        self.keep(done);
        Ok(())
    }

    /// Prints what is to be said about a frame.
    fn tell(&mut self, done: &Done) -> Result<(), Failure> {
        let row = &done.entry.row;
        let old = self.old.as_ref().is_some_and(|old| old.contains(&row.file));
        if let Some(remark) = self.alarms.unchecked(row) {
            self.say_once(remark.to_owned());
        }
        let error = self.alarms.error(row);
        let alarm = self.alarms.judge(row).filter(|_| !old);
        if row.status != RowStatus::NotALight {
            self.alarmed = alarm.is_some();
        }
        let alarm = alarm.as_deref();
        let text = if self.args.json {
            json_line(&done.entry, alarm, error.as_ref().map(Mend::of))
        } else {
            Some(self.text(row, error, alarm))
        };
        if alarm.is_some() && std::io::stderr().is_terminal() {
            // The bell. Where it cannot ring, the line still says so.
            let _ = std::io::stderr().write_all(b"\x07");
        }
        match text.map(|text| print_text(&(text + "\n"))) {
            None | Some(Ok(Printed::Done)) => Ok(()),
            Some(Ok(Printed::NobodyReads)) => {
                self.nobody_reads = true;
                Ok(())
            }
            Some(Err(failure)) => Err((
                format!("standard output: {failure}"),
                Status::OutputNotWritable,
            )),
        }
    }

    fn text(&self, row: &Row, error: Option<PointingError>, alarm: Option<&str>) -> String {
        let mend = error.filter(|_| self.args.target.is_some()).map(|error| {
            let arcmin = |deg: f64| deg * 60.0;
            let mending = mending(arcmin(error.east_deg()), arcmin(error.north_deg()));
            format!("  {mending}")
        });
        let line = line_with(row, error, &mend.unwrap_or_default());
        match alarm {
            Some(alarm) => format!("\u{1b}[1mALARM: {alarm}\u{1b}[0m  {line}"),
            None => line,
        }
    }

    /// Remembers what was found.
    fn keep(&mut self, done: Done) {
        let row = done.entry.row.clone();
        self.neighbours.remember(self.rows.len(), &row);
        match self.rows.iter_mut().find(|other| other.file == row.file) {
            Some(other) => *other = row,
            None => self.rows.push(row),
        }
        self.outputs_due = true;
        if !done.kept && done.entry.verdict.is_final() {
            self.unwritten.push(done.entry);
            self.keep_unwritten();
        }
    }

    /// Puts into the journal what it could not take before: a night goes on without it.
    fn keep_unwritten(&mut self) {
        let failed = self.write_unwritten().err();
        if let Some(full) = failed {
            self.status = self.status.max(Status::OutputNotWritable);
            self.say_once(full.to_string());
        }
    }

    fn write_unwritten(&mut self) -> Result<(), JournalError> {
        let mut journal = (self.opened.journal.lock()).unwrap_or_else(PoisonError::into_inner);
        while let Some(entry) = self.unwritten.first() {
            journal.append(entry)?;
            self.unwritten.remove(0);
        }
        let synced = journal.sync_if_dirty();
        synced.map_err(|source| journal.full(source))
    }

    fn write_outputs(&mut self) {
        self.status = self.status.max(write_outputs(
            &self.args.folder,
            &self.rows,
            &mut self.report,
        ));
        self.outputs_at = Some(Instant::now());
        self.outputs_due = false;
    }

    fn say_once(&mut self, message: String) {
        if !self.said.contains(&message) {
            complain(&message);
            self.said.insert(message);
        }
    }

    /// The summary, and how it ended.
    fn end(mut self) -> Result<Status, Failure> {
        self.keep_unwritten();
        // The night is over: nothing to load again.
        self.report.ends();
        self.write_outputs();
        let text = Summary::of(&self.rows).to_string();
        if self.args.json {
            eprint!("{text}");
        } else {
            print_text(&text).map_err(|failure| {
                let message = format!("standard output: {failure}");
                (message, Status::OutputNotWritable)
            })?;
        }
        let alarmed = if self.alarmed {
            Status::Unsolved
        } else {
            Status::Solved
        };
        Ok(self.status.max(alarmed))
    }
}
