//! Where requests wait, and who works on them.

use super::request::{From, Task, Turned};
use super::voice::Ticket;
use crate::answer::axis::{AxisAsked, axis};
use crate::answer::{Asked, Known, answer, out_of_time, refused};
use crate::frame::{FrameError, FrameFile};
use crate::report::Record;
use crate::report::polar::{PolarRecord, PolarStatus};
use crate::sky::Sky;
use crate::{deadline, guard};
use std::collections::VecDeque;
use std::io::Write;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

/// Requests that wait, at most: who sends more is read on when some are done.
const MOST_WAITING: usize = 256;

/// The requests of all conversations.
#[derive(Debug)]
pub struct Desk {
    known: Known,
    most_bytes: u64,
    queue: Mutex<Queue>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct Queue {
    jobs: VecDeque<Job>,
    /// Of the frames that came along.
    bytes: u64,
    is_closed: bool,
}

/// A request with whom to answer.
#[derive(Debug)]
pub(super) struct Job {
    pub ticket: Arc<Ticket>,
    pub task: Task,
}

impl Job {
    fn bytes(&self) -> u64 {
        match &self.task.from {
            From::Bytes(bytes) => bytes.len() as u64,
            _ => 0,
        }
    }
}

impl Desk {
    /// A desk where `known` holds for every request that says nothing else, and frames of
    /// `most_bytes` at most come along.
    pub fn new(known: Known, most_bytes: u64) -> Desk {
        Desk {
            known,
            most_bytes,
            queue: Mutex::default(),
            changed: Condvar::new(),
        }
    }

    pub(super) fn known(&self) -> &Known {
        &self.known
    }

    pub(super) fn most_bytes(&self) -> u64 {
        self.most_bytes
    }

    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Puts a request at the end, as soon as there is room.
    pub(super) fn push(&self, job: Job) {
        let bytes = job.bytes();
        let is_full = |queue: &mut Queue| {
            let heavy = queue.bytes > 0 && queue.bytes + bytes > self.most_bytes;
            queue.jobs.len() >= MOST_WAITING || heavy
        };
        let queue = self.changed.wait_while(self.queue(), is_full);
        let mut queue = queue.unwrap_or_else(PoisonError::into_inner);
        queue.bytes += bytes;
        queue.jobs.push_back(job);
        drop(queue);
        self.changed.notify_all();
    }

    /// From now on workers end when nothing is left to do.
    pub fn close(&self) {
        self.queue().is_closed = true;
        self.changed.notify_all();
    }

    /// Works on requests until the desk is closed; as many threads as may work at once do so.
    pub fn work(&self, sky: &Sky) {
        // One per worker, for as long as the process lives: whoever calls a request off may hold it
        // a moment longer than the worker does.
        let stop: &'static AtomicBool = Box::leak(Box::default());
        while let Some(job) = self.next() {
            stop.store(false, Ordering::Relaxed);
            if job.ticket.begin(stop) {
                let done = deadline::until_called_off(stop, || solve(&job, sky));
                job.ticket.end(done.as_deref());
            }
        }
    }

    fn next(&self) -> Option<Job> {
        let is_idle = |queue: &mut Queue| queue.jobs.is_empty() && !queue.is_closed;
        let queue = self.changed.wait_while(self.queue(), is_idle);
        let mut queue = queue.unwrap_or_else(PoisonError::into_inner);
        let job = queue.jobs.pop_front()?;
        queue.bytes -= job.bytes();
        drop(queue);
        self.changed.notify_all();
        Some(job)
    }
}

/// The answer as one line of JSON; `None` where it cannot be written down.
fn solve(job: &Job, sky: &Sky) -> Option<String> {
    let task = &job.task;
    if let From::Turned(turned) = &task.from {
        return job.ticket.line(&of_axis(turned, &task.known, sky));
    }
    let asked = Asked {
        file: &task.name,
        known: &task.known,
        begin: Instant::now(),
    };
    let record = guard::run(|| attempt(task, &asked, sky));
    let record = record.unwrap_or_else(Err);
    let record = record.unwrap_or_else(|reason| refused(&asked, &reason));
    job.ticket.line(&record)
}

fn of_axis(turned: &Turned, known: &Known, sky: &Sky) -> PolarRecord {
    let asked = AxisAsked {
        frames: &turned.frames,
        adjusted: turned.adjusted.as_deref(),
        conditions: turned.conditions,
        known,
    };
    guard::run(|| axis(&asked, sky).record)
        .unwrap_or_else(|fault| asked.refused(&fault, PolarStatus::Error))
}

fn attempt(task: &Task, asked: &Asked, sky: &Sky) -> Result<Record, String> {
    match &task.from {
        From::File(path) => of_file(path, asked, sky),
        From::Bytes(bytes) => {
            // Every decoder reads files; this one never meets a name that anybody else knows.
            let failed = |fault: std::io::Error| format!("{}: {fault}", task.name);
            let mut file = tempfile::NamedTempFile::new().map_err(failed)?;
            file.write_all(bytes).map_err(failed)?;
            let path = file.path();
            let own_name = path.display().to_string();
            of_file(path, asked, sky).map_err(|reason| reason.replace(&own_name, &task.name))
        }
        From::Behind(_) | From::Turned(_) => Err(format!("{}: its bytes did not come", task.name)),
    }
}

fn of_file(path: &Path, asked: &Asked, sky: &Sky) -> Result<Record, String> {
    let file = FrameFile::open(path).map_err(|refusal| refusal.to_string())?;
    let frame = match file.read_by(asked.deadline()) {
        Ok(frame) => frame,
        Err(FrameError::TimeLimit { .. }) => return Ok(out_of_time(asked)),
        Err(refusal) => return Err(refusal.to_string()),
    };
    let answer = answer(&frame, sky, asked).map_err(|refusal| refusal.to_string())?;
    Ok(answer.record)
}
