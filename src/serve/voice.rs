//! Where answers go, and the promise that each request has one.

use super::{Note, NoteStatus};
use serde::Serialize;
use serde_json::Value;
use std::collections::HashMap;
use std::fmt;
use std::io::{self, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

/// Where the answers of one caller go, and which are due.
pub(super) struct Voice {
    out: Mutex<Out>,
    is_closed: AtomicBool,
    /// By id, as JSON.
    due: Mutex<HashMap<String, Arc<Ticket>>>,
    answered: Condvar,
}

struct Out {
    stream: Box<dyn Write + Send>,
    lost: Option<io::Error>,
}

impl fmt::Debug for Voice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Voice").finish_non_exhaustive()
    }
}

impl Voice {
    /// To whoever reads this stream.
    pub fn new(stream: Box<dyn Write + Send>) -> Voice {
        Voice {
            out: Mutex::new(Out { stream, lost: None }),
            is_closed: AtomicBool::new(false),
            due: Mutex::default(),
            answered: Condvar::new(),
        }
    }

    fn out(&self) -> MutexGuard<'_, Out> {
        self.out.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Why nobody hears it any more, where something failed.
    pub fn lost(&self) -> Option<io::Error> {
        self.out().lost.take()
    }

    fn due(&self) -> MutexGuard<'_, HashMap<String, Arc<Ticket>>> {
        self.due.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Nobody hears it any more.
    pub fn is_closed(&self) -> bool {
        self.is_closed.load(Ordering::Relaxed)
    }

    /// Writes a line, flushed.
    fn say(&self, line: &str) {
        let mut out = self.out();
        if out.lost.is_some() {
            return;
        }
        let whole = format!("{line}\n");
        let written = out.stream.write_all(whole.as_bytes());
        if let Err(failure) = written.and_then(|()| out.stream.flush()) {
            out.lost = Some(failure);
            self.is_closed.store(true, Ordering::Relaxed);
        }
    }

    /// Says what has no solution to report.
    pub fn note(&self, id: &Value, status: NoteStatus, reason: Option<&str>) {
        self.say(&Note::new(id, status, reason).line());
    }

    /// A ticket for a new request; `None` where one of this id is due already.
    pub fn ticket(self: &Arc<Self>, id: &Value) -> Option<Arc<Ticket>> {
        let key = id.to_string();
        let mut due = self.due();
        if due.contains_key(&key) {
            return None;
        }
        let ticket = Arc::new(Ticket {
            id: id.clone(),
            voice: Arc::clone(self),
            state: Mutex::new(State::Waiting),
        });
        due.insert(key, Arc::clone(&ticket));
        Some(ticket)
    }

    /// Calls off a request that is due; false where none of this id is.
    pub fn call_off(&self, id: &Value) -> bool {
        let ticket = self.due().get(&id.to_string()).cloned();
        ticket.is_some_and(|ticket| ticket.call_off())
    }

    /// Calls off whatever is due.
    pub fn call_off_all(&self) {
        let due: Vec<Arc<Ticket>> = self.due().values().cloned().collect();
        for ticket in due {
            ticket.call_off();
        }
    }

    /// Waits until nothing is due.
    pub fn wait_for_the_last(&self) {
        let waited = self.answered.wait_while(self.due(), |due| !due.is_empty());
        drop(waited.unwrap_or_else(PoisonError::into_inner));
    }
}

/// A request that is due: it is answered once, whatever happens meanwhile.
#[derive(Debug)]
pub(super) struct Ticket {
    id: Value,
    voice: Arc<Voice>,
    state: Mutex<State>,
}

#[derive(Debug, Clone, Copy)]
enum State {
    Waiting,
    /// At work; the flag stops it.
    AtWork(&'static AtomicBool),
    Over,
}

/// A record under the id of its request.
#[derive(Serialize)]
struct Answered<'a, R> {
    id: &'a Value,
    #[serde(flatten)]
    record: &'a R,
}

impl Ticket {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The answer as a line.
    pub fn line<R: Serialize>(&self, record: &R) -> Option<String> {
        let answered = Answered {
            id: &self.id,
            record,
        };
        serde_json::to_string(&answered).ok()
    }

    /// Work begins, which `stop` ends; false where the request was called off before.
    pub fn begin(&self, stop: &'static AtomicBool) -> bool {
        let mut state = self.state();
        let waiting = matches!(*state, State::Waiting);
        if waiting {
            *state = State::AtWork(stop);
        }
        waiting
    }

    /// Work is over. A request that was called off meanwhile is answered as such, whatever came of
    /// it.
    pub fn end(&self, line: Option<&str>) {
        let mut state = self.state();
        let called_off = match *state {
            State::AtWork(stop) => stop.load(Ordering::Relaxed),
            State::Waiting | State::Over => false,
        };
        *state = State::Over;
        drop(state);
        match (line, called_off) {
            (_, true) => self.close(&self.cancelled()),
            (Some(line), false) => self.close(line),
            (None, false) => {
                let reason = Some("the answer cannot be written as JSON");
                self.close(&Note::new(&self.id, NoteStatus::Refused, reason).line());
            }
        }
    }

    /// Calls the request off: at once where it waits, as soon as its work heeds it otherwise. False
    /// where it is over.
    fn call_off(&self) -> bool {
        let mut state = self.state();
        match *state {
            State::Over => false,
            State::AtWork(stop) => {
                stop.store(true, Ordering::Relaxed);
                true
            }
            State::Waiting => {
                *state = State::Over;
                drop(state);
                self.close(&self.cancelled());
                true
            }
        }
    }

    fn cancelled(&self) -> String {
        Note::new(&self.id, NoteStatus::Cancelled, None).line()
    }

    fn close(&self, line: &str) {
        self.voice.say(line);
        self.voice.due().remove(&self.id.to_string());
        self.voice.answered.notify_all();
    }
}
