//! All frames of a folder, one frame per thread.
//!
//! For frames of a megapixel or less that beats sharing out the work within a frame (see
//! `benches/NIGHT.md`); memory holds as many frames as there are threads. The one thing that is
//! shared out is a search of the whole sky.

use super::folder::Found;
use super::journal::{Journal, JournalError};
use super::neighbours::Neighbours;
use super::work::{Done, Work};
use crate::sky::SkyError;
use crate::solve::Guess;
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// A frame's guess comes from frames at least this far before it, so that this many can be worked
/// on at once and it does not matter which of them is done first. Near the start of a night it
/// comes from the first half of the frames before it: one solved frame helps all others.
const DISTANCE: usize = 16;

/// How often a journal that waits for a slow frame is flushed.
const PATIENCE: Duration = Duration::from_millis(500);

/// Number of frames, counted from the first, that a guess for frame `number` may come from.
fn horizon(number: usize) -> usize {
    number - number.div_ceil(2).min(DISTANCE)
}

/// A frame that is done.
#[derive(Debug)]
pub struct Finished {
    /// Its place in the order of frames.
    pub number: usize,
    /// What came of it.
    pub done: Done,
}

/// Why a run ended early.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RunError {
    /// A star-index is damaged.
    #[error(transparent)]
    Sky(#[from] SkyError),
    /// The journal took no more.
    #[error(transparent)]
    Journal(#[from] JournalError),
}

/// What the threads share.
struct Shared {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Default)]
struct State {
    /// The next frame that nobody works on.
    next: usize,
    /// All frames before this one are done.
    frontier: usize,
    /// Those done beyond it.
    beyond: BTreeSet<usize>,
    neighbours: Neighbours,
    /// Somebody gave up.
    over: bool,
}

/// Works on all `frames` with `threads` threads. `take` is given every frame that is done, in the
/// order of `frames`, on the calling thread, after it is in the journal. Ends early when `stop` is
/// set, with what is being worked on finished, or when `take` returns false.
///
/// # Errors
///
/// [`RunError`]; what was done until then is in the journal.
pub fn run(
    work: &Work,
    frames: &[Found],
    journal: &Mutex<Journal>,
    threads: usize,
    stop: &AtomicBool,
    mut take: impl FnMut(Finished) -> bool,
) -> Result<(), RunError> {
    let shared = Shared {
        state: Mutex::new(State::default()),
        changed: Condvar::new(),
    };
    // No more results wait than threads could have frames.
    let (sender, receiver) = mpsc::sync_channel(threads);
    std::thread::scope(|scope| {
        for _ in 0..threads.clamp(1, frames.len().max(1)) {
            let (sender, shared) = (sender.clone(), &shared);
            scope.spawn(move || {
                alone(|| shared.worker(work, frames, journal, stop, &sender));
            });
        }
        drop(sender);
        let result = collect(&receiver, journal, &mut take);
        if result.is_err() {
            shared.give_up();
        }
        // Lets threads go that wait to hand over what nobody takes any more.
        drop(receiver);
        result
    })
}

/// Runs `job` with a thread pool of this thread only, so that what is parallel within a frame
/// stays on its thread. Where the system refuses even that, with the pool of the process.
fn alone(job: impl FnOnce() + Send) {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .use_current_thread()
        .build();
    match pool {
        Ok(pool) => pool.install(job),
        Err(_) => job(),
    }
}

type Message = Result<Finished, SkyError>;

/// Receives results, keeps them and hands them on in order.
fn collect(
    receiver: &mpsc::Receiver<Message>,
    journal: &Mutex<Journal>,
    take: &mut impl FnMut(Finished) -> bool,
) -> Result<(), RunError> {
    let lock = || journal.lock().unwrap_or_else(PoisonError::into_inner);
    let mut waiting = std::collections::BTreeMap::new();
    let mut next = 0;
    let result = 'receive: loop {
        match receiver.recv_timeout(PATIENCE) {
            Ok(Ok(finished)) => {
                let entry = &finished.done.entry;
                let keep = !finished.done.kept && entry.verdict.is_final();
                if keep && let Err(full) = lock().append(entry) {
                    break Err(full.into());
                }
                waiting.insert(finished.number, finished.done);
            }
            Ok(Err(damaged)) => break Err(damaged.into()),
            Err(RecvTimeoutError::Timeout) => {
                let mut journal = lock();
                if let Err(source) = journal.sync_at_times() {
                    break Err(journal.full(source).into());
                }
            }
            Err(RecvTimeoutError::Disconnected) => break Ok(()),
        }
        while let Some(done) = waiting.remove(&next) {
            let number = next;
            next += 1;
            if !take(Finished { number, done }) {
                waiting.clear();
                break 'receive Ok(());
            }
        }
    };
    // Interrupted: what lies behind a frame that was not done any more.
    for (number, done) in waiting {
        if !take(Finished { number, done }) {
            break;
        }
    }
    let mut journal = lock();
    let synced = journal.sync().map_err(|source| journal.full(source).into());
    result.and(synced)
}

/// Lets go the threads that wait for the frames of a thread that ends by a panic.
struct Waiting<'a>(&'a Shared);

impl Drop for Waiting<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            self.0.give_up();
        }
    }
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn give_up(&self) {
        self.lock().over = true;
        self.changed.notify_all();
    }

    fn worker(
        &self,
        work: &Work,
        frames: &[Found],
        journal: &Mutex<Journal>,
        stop: &AtomicBool,
        sender: &mpsc::SyncSender<Message>,
    ) {
        let _waiting = Waiting(self);
        while !stop.load(Ordering::Relaxed)
            && let Some(number) = self.take_frame(frames.len())
        {
            let guess = |camera: &str, commanded_deg, failed| {
                self.guess(number, camera, commanded_deg, failed)
            };
            let result = work.frame(&frames[number], Some(journal), guess);
            let over = result.is_err();
            if let Ok(done) = &result {
                self.finished(number, done);
            }
            let message = result.map(|done| Finished { number, done });
            if sender.send(message).is_err() || over {
                self.give_up();
            }
        }
    }

    /// The next frame, once all those are done that its guess may come from.
    fn take_frame(&self, count: usize) -> Option<usize> {
        let mut state = self.lock();
        if state.over || state.next >= count {
            return None;
        }
        let number = state.next;
        state.next += 1;
        let state = self.wait_for(state, horizon(number));
        (!state.over).then_some(number)
    }

    /// The guess for frame `number` after this many have failed: from frames far enough before it;
    /// then, since the mount may have been sent elsewhere meanwhile, from the very latest. Waits
    /// for these, which is worth it: they spare a search of the whole sky to all but the first
    /// frame of a new target, and what waits lends its core to the search of the others.
    fn guess(
        &self,
        number: usize,
        camera: &str,
        commanded_deg: Option<[f64; 2]>,
        failed: usize,
    ) -> Option<Guess> {
        let mut state = self.lock();
        let first = state
            .neighbours
            .guess(horizon(number), camera, commanded_deg);
        match failed {
            0 => first,
            1 => {
                // Where nothing of this camera was solved before there is nothing to wait for.
                first?;
                state = self.wait_for(state, number);
                let latest = state.neighbours.guess(number, camera, commanded_deg);
                latest.filter(|_| !state.over && latest != first)
            }
            _ => None,
        }
    }

    /// Waits until all frames before `number` are done.
    fn wait_for<'a>(
        &self,
        mut state: MutexGuard<'a, State>,
        number: usize,
    ) -> MutexGuard<'a, State> {
        while !state.over && state.frontier < number {
            state = self
                .changed
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
        }
        state
    }

    fn finished(&self, number: usize, done: &Done) {
        let mut state = self.lock();
        state.neighbours.remember(number, &done.entry.row);
        state.beyond.insert(number);
        let mut frontier = state.frontier;
        while state.beyond.remove(&frontier) {
            frontier += 1;
        }
        state.frontier = frontier;
        drop(state);
        self.changed.notify_all();
    }
}

#[cfg(test)]
mod tests {
    use super::horizon;

    #[test]
    fn a_guess_comes_from_before_and_soon_from_far_enough() {
        assert_eq!(
            [0, 1, 2, 3, 4, 31, 32, 33].map(horizon),
            [0, 0, 1, 1, 2, 15, 16, 17]
        );
        assert!((1..1000).all(|number| horizon(number) < number));
    }
}
