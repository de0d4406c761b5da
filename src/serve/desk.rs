//! Where requests wait, and who works on them.

use super::request::{From, Source, Task, Turned, Work};
use super::voice::Ticket;
use crate::answer::axis::{AxisAsked, NamedFrame, axis};
use crate::answer::{Asked, Known, answer, out_of_time, refused};
use crate::frame::{FrameError, FrameFile};
use crate::report::Record;
use crate::report::polar::{PolarRecord, PolarStatus};
use crate::sky::Sky;
use crate::{deadline, guard};
use std::collections::VecDeque;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Instant;
use tempfile::NamedTempFile;

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
        self.task.bytes()
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
    let known = &job.task.known;
    let source = match &job.task.work {
        Work::One(source) => source,
        Work::Axis(turned) => return job.ticket.line(&of_axis(turned, known, sky)),
    };
    let asked = Asked {
        file: &source.name,
        known,
        begin: Instant::now(),
    };
    let record = guard::run(|| attempt(source, &asked, sky));
    let record = record.unwrap_or_else(Err);
    let record = record.unwrap_or_else(|reason| refused(&asked, &reason));
    job.ticket.line(&record)
}

fn of_axis(turned: &Turned, known: &Known, sky: &Sky) -> PolarRecord {
    let all = turned.frames.iter().chain(&turned.adjusted);
    let on_disk: Result<Vec<OnDisk>, String> = all.clone().map(OnDisk::of).collect();
    // Without its file a frame has its name yet, and is that of the reason.
    let files = on_disk.as_deref().unwrap_or_default();
    let frames: Vec<NamedFrame> = all
        .enumerate()
        .map(|(i, source)| NamedFrame {
            path: files
                .get(i)
                .map(|file| file.path.clone())
                .unwrap_or_default(),
            name: source.name.clone(),
        })
        .collect();
    let (frames, adjusted) = frames.split_at(turned.frames.len());
    let asked = AxisAsked {
        frames,
        adjusted: adjusted.first(),
        conditions: turned.conditions,
        known,
    };
    let refused = |reason: String| asked.refused(&reason, PolarStatus::Error);
    match &on_disk {
        Ok(_) => guard::run(|| axis(&asked, sky).record).unwrap_or_else(refused),
        Err(reason) => refused(reason.clone()),
    }
}

/// A frame in a file. Every decoder reads files: one that came along is written to one that nobody
/// else knows, for as long as this lives.
#[derive(Debug)]
struct OnDisk {
    path: PathBuf,
    own: Option<NamedTempFile>,
}

impl OnDisk {
    fn of(source: &Source) -> Result<OnDisk, String> {
        let bytes = match &source.from {
            From::File(path) => {
                return Ok(OnDisk {
                    path: path.clone(),
                    own: None,
                });
            }
            From::Bytes(bytes) => bytes,
            From::Behind(_) => return Err(format!("{}: its bytes did not come", source.name)),
        };
        let failed = |fault: std::io::Error| format!("{}: {fault}", source.name);
        let mut own = NamedTempFile::new().map_err(failed)?;
        own.write_all(bytes).map_err(failed)?;
        Ok(OnDisk {
            path: own.path().to_owned(),
            own: Some(own),
        })
    }
}

fn attempt(source: &Source, asked: &Asked, sky: &Sky) -> Result<Record, String> {
    let file = OnDisk::of(source)?;
    let own_name = file.path.display().to_string();
    of_file(&file.path, asked, sky).map_err(|reason| match file.own {
        Some(_) => reason.replace(&own_name, &source.name),
        None => reason,
    })
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
