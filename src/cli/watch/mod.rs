//! `nightfix watch`: frames come, lines go out.

mod args;

pub use args::WatchArgs;

use super::centre::command_log;
use super::folder::{Failure, Opened, open, write_outputs};
use super::night_report::NightReport;
use super::output::{Printed, print_text};
use super::{Status, complain, stop};
use crate::centre::{IndiMount, Journal, Stop, tell_mount};
use crate::mount::PointingError;
use crate::night::{
    Done, Entry, Found, JournalError, Mend, Neighbours, Rows, Summary, Verdict, Work, json_line,
    line_with, list,
};
use crate::report::text::mending;
use crate::track::{Row, RowStatus};
use crate::watch::{Alarms, Alignment, Events, Glimpse, Retry, Settling, Target, is_whole};
use std::collections::{BTreeSet, VecDeque};
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

/// What grows with the folder (a walk through it, tables and report) is done again no sooner than
/// after this many times the time that it took.
const MOST_SHARE: u32 = 4;

/// After this many seconds browsers load the report of a night that goes on again.
const RELOAD_S: u32 = 30;

/// Watches until it is asked to end.
pub fn run(args: &WatchArgs) -> Status {
    attempt(args).unwrap_or_else(|(message, status)| {
        complain(&message);
        status
    })
}

fn attempt(args: &WatchArgs) -> Result<Status, Failure> {
    if args.mount.is_some() && args.known.at.is_some() {
        // A frame of before the last slew is told by where its header says that the mount stood.
        let why = "--mount needs the positions in the frames' headers: leave out --at";
        return Err((why.into(), Status::Usage));
    }
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
    if args.mount.is_some() {
        watch.commands = Some((command_log(&args.log)?, Stop(stop.clone())));
    }
    while !stop.load(Ordering::Relaxed) && !watch.is_over {
        watch.look(&events, &stop)?;
        watch.wait(&events, &stop);
    }
    watch.end()
}

/// What is known while a folder is watched.
struct Watch<'a> {
    args: &'a WatchArgs,
    opened: &'a Opened,
    work: &'a Work<'a>,
    alarms: Alarms,
    /// With `--polar`.
    alignment: Option<Alignment>,
    /// With `--mount`: takes what is sent to it, until somebody asks to end.
    commands: Option<(Journal, Stop)>,
    settling: Settling,
    neighbours: Neighbours,
    /// One per frame, as text.
    rows: Rows,
    /// Solved frames so far.
    frames: usize,
    /// Entries that the journal could not take yet.
    unwritten: VecDeque<Entry>,
    /// Frames that were there when the watch began; `None` before the first walk.
    old: Option<u64>,
    /// When the folder was walked through, and how long that took.
    walked: Option<(Instant, Duration)>,
    /// Something happened in the folder since.
    is_stirred: bool,
    /// What was complained about: once is enough.
    said: BTreeSet<String>,
    /// The latest frame that was judged, by its arrival, and whether it raised an alarm.
    latest: (u64, bool),
    report: NightReport<'a>,
    /// When tables and report were written, and how long that took.
    outputs_at: Option<(Instant, Duration)>,
    outputs_due: bool,
    status: Status,
    nobody_reads: bool,
    /// Nobody is left to work for.
    is_over: bool,
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
            alignment: (args.polar).then(|| Alignment::new(args.ground.conditions())),
            commands: None,
            settling: Settling::default(),
            neighbours: Neighbours::default(),
            rows: Rows::default(),
            frames: 0,
            unwritten: VecDeque::new(),
            old: None,
            walked: None,
            is_stirred: false,
            said: BTreeSet::new(),
            latest: (0, false),
            report: NightReport::new(&args.folder.folder, Some(RELOAD_S)),
            outputs_at: None,
            outputs_due: false,
            status: Status::Solved,
            nobody_reads: false,
            is_over: false,
        }
    }

    /// One look at the folder, and the work on what is ready. New frames come before a backlog.
    fn look(&mut self, events: &Events, stop: &AtomicBool) -> Result<(), Failure> {
        if self.is_walk_due(events) {
            self.walk();
        } else {
            self.settling.look_again(Instant::now());
        }
        let old = self.old.unwrap_or(0);
        // When a new frame that has not settled yet is worth another look.
        let mut new_due: Option<Instant> = None;
        for (file, path) in self.settling.queue(old) {
            let whole = || is_whole(&path);
            if !self.settling.is_ready(&file, Instant::now(), whole) {
                if self.settling.is_settling(&file, old) {
                    new_due.get_or_insert(Instant::now() + NEXT_LOOK);
                }
                continue;
            }
            self.frame(&Found { path, file })?;
            let is_due = new_due.is_some_and(|due| Instant::now() >= due);
            let is_ended = stop.load(Ordering::Relaxed) || self.is_over;
            if is_ended || is_due || self.is_walk_due(events) {
                break;
            }
        }
        self.keep_unwritten();
        let is_recent = |(at, took): (Instant, Duration)| {
            at.elapsed() < OUTPUTS_EVERY.max(took.saturating_mul(MOST_SHARE))
        };
        let is_busy = self.settling.next_due(Instant::now()).is_some();
        if self.outputs_due && !(is_busy && self.outputs_at.is_some_and(is_recent)) {
            self.write_outputs();
        }
        Ok(())
    }

    /// True where something has happened, or nobody has looked for long. A walk through a large
    /// folder takes its time, and is worth a small share of it only.
    fn is_walk_due(&mut self, events: &Events) -> bool {
        let Some((at, took)) = self.walked else {
            return true;
        };
        self.is_stirred |= events.wait(Duration::ZERO);
        let since = at.elapsed();
        since >= NEXT_LOOK.max(took.saturating_mul(MOST_SHARE))
            && (self.is_stirred || since >= self.args.every)
    }

    /// Meets all files of the folder.
    fn walk(&mut self) {
        let begin = Instant::now();
        self.is_stirred = false;
        let listing = list(&self.args.folder.folder, &self.opened.selection);
        for remark in listing.remarks {
            self.say_once(remark);
        }
        self.settling.begin_walk();
        for found in &listing.frames {
            if let Some(glimpse) = Glimpse::of(&found.path) {
                (self.settling).meet(&found.file, &found.path, glimpse, Instant::now());
            }
        }
        self.settling.end_walk();
        self.old.get_or_insert(self.settling.arrivals());
        self.walked = Some((begin, begin.elapsed()));
    }

    /// Waits until it is worth looking again.
    fn wait(&mut self, events: &Events, stop: &AtomicBool) {
        let begin = Instant::now();
        let until_walk = self
            .args
            .every
            .saturating_sub(self.walked.map_or(Duration::ZERO, |(at, _)| at.elapsed()));
        let due = self.settling.next_due(begin).unwrap_or(Duration::MAX);
        let wait = until_walk.min(due).max(NEXT_LOOK);
        // A file that is being written makes event after event.
        std::thread::sleep(NEXT_LOOK);
        while begin.elapsed() < wait && !stop.load(Ordering::Relaxed) && !self.is_stirred {
            let rest = wait.saturating_sub(begin.elapsed());
            self.is_stirred = events.wait(rest.min(ATTENTION));
        }
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
            let reason = done.entry.row.reason.as_deref().unwrap_or(&found.file);
            match self.settling.failed(&found.file, &found.path, now) {
                Retry::First => complain(reason),
                Retry::Further => {}
                Retry::GivenUp => {
                    complain(&format!("{}: given up until it changes", found.file));
                    self.tell(&done)?;
                    self.keep(done)?;
                }
            }
            return Ok(());
        }
        if let Some(glimpse) = Glimpse::of(&found.path).filter(|_| done.entry.wcs_written) {
            self.settling.settle(&found.file, glimpse);
        }
        if let Some(refusal) = &done.refusal {
            self.say_once(refusal.clone());
        }
        self.tell(&done)?;
        self.tell_mount(&done.entry.row);
        self.keep(done)
    }

    /// Has the mount know where a new frame points. A mount that does not answer spoils no watch.
    fn tell_mount(&self, row: &Row) {
        let is_old = (self.old).is_some_and(|old| self.settling.arrival(&row.file) <= old);
        let (Some(address), Some((journal, stop)), false) =
            (&self.args.mount, &self.commands, is_old)
        else {
            return;
        };
        let Some(found_deg) = row.centre_deg() else {
            return;
        };
        let stated_deg = row.commanded_deg();
        // A connection for each frame: minutes may lie between two.
        let said = IndiMount::open(address, journal.clone(), stop.clone()).and_then(|mut mount| {
            tell_mount(&mut mount, found_deg, stated_deg, self.args.sync_only, stop)
        });
        complain(&format!(
            "{}: {}",
            row.file,
            said.unwrap_or_else(|fault| fault.to_string())
        ));
    }

    /// Prints what is to be said about a frame.
    fn tell(&mut self, done: &Done) -> Result<(), Failure> {
        let row = &done.entry.row;
        let arrival = self.settling.arrival(&row.file);
        let old = self.old.is_some_and(|old| arrival <= old);
        if let Some(remark) = self.alarms.unchecked(row) {
            self.say_once(remark.to_owned());
        }
        let error = self.alarms.error(row);
        let alarm = self.alarms.judge(row).filter(|_| !old);
        if row.status != RowStatus::NotALight && arrival >= self.latest.0 {
            self.latest = (arrival, alarm.is_some());
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
        // Frames of another night say nothing of where the axis is now.
        let aligned = match &mut self.alignment {
            Some(alignment) if !old => alignment.take(&done.entry),
            _ => None,
        };
        let aligned = aligned.map(|record| match self.args.json {
            true => record.to_json_line().unwrap_or_default(),
            false => record.to_text().trim_end().to_owned(),
        });
        let text = match (text, aligned) {
            (Some(text), Some(aligned)) => Some(format!("{text}\n{aligned}")),
            (text, aligned) => text.or(aligned),
        };
        let text = text.filter(|_| !self.nobody_reads);
        match text.map(|text| print_text(&(text + "\n"))) {
            None | Some(Ok(Printed::Done)) => Ok(()),
            Some(Ok(Printed::NobodyReads)) => {
                self.nobody_reads = true;
                // Files are wanted whether or not anybody reads the lines.
                let folder = &self.args.folder;
                self.is_over = !folder.write_wcs && !folder.needs_rows();
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
    fn keep(&mut self, done: Done) -> Result<(), Failure> {
        let row = &done.entry.row;
        self.neighbours.remember(self.frames, row);
        self.frames += 1;
        (self.rows.put(row)).map_err(|failure| (failure.to_string(), Status::Internal))?;
        self.outputs_due = true;
        if !done.kept && done.entry.verdict.is_final() {
            self.unwritten.push_back(done.entry);
            self.keep_unwritten();
        }
        Ok(())
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
        while let Some(entry) = self.unwritten.front() {
            journal.append(entry)?;
            self.unwritten.pop_front();
        }
        let synced = journal.sync_if_dirty();
        synced.map_err(|source| journal.full(source))
    }

    fn write_outputs(&mut self) {
        self.outputs_due = false;
        if !self.args.folder.needs_rows() {
            return;
        }
        let begin = Instant::now();
        let written = match self.rows.read() {
            Ok(rows) => write_outputs(&self.args.folder, &rows, &mut self.report),
            Err(_) => Status::Internal,
        };
        self.status = self.status.max(written);
        self.outputs_at = Some((begin, begin.elapsed()));
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
        let rows = self.rows.read();
        let rows = rows.map_err(|failure| (failure.to_string(), Status::Internal))?;
        let text = Summary::of(&rows).to_string();
        if self.args.json {
            // A terminal that is gone is no reason to end otherwise.
            let _ = std::io::stderr().write_all(text.as_bytes());
        } else if !self.nobody_reads {
            print_text(&text).map_err(|failure| {
                let message = format!("standard output: {failure}");
                (message, Status::OutputNotWritable)
            })?;
        }
        let ended = match (self.is_over, self.latest.1) {
            (true, _) => Status::Interrupted,
            (false, true) => Status::Unsolved,
            (false, false) => Status::Solved,
        };
        Ok(self.status.max(ended))
    }
}
