//! One caller: lines in, answers out, each request answered once.

use super::desk::{Desk, Job};
use super::lines::{Line, next_bytes, next_line, skip_bytes};
use super::request::{From, Request, Task, read};
use super::{Note, NoteStatus};
use crate::report::Record;
use serde::Serialize;
use serde_json::Value;
use std::collections::HashMap;
use std::fmt;
use std::io::{self, BufRead, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

/// What a request takes besides its frame.
const KEYS_BYTES: u64 = 64 << 10;

/// How a conversation ended.
#[derive(Debug)]
pub enum End {
    /// The input ended, and everything is answered.
    Answered,
    /// Nobody reads the answers any more.
    NobodyReads,
    /// Input or output failed.
    Broken(io::Error),
}

/// Reads requests from `input` and has them answered on `output`, until the input ends and the
/// last answer is out. Workers at the desk do the work: see [`Desk::work`].
pub fn converse(mut input: impl BufRead, output: Box<dyn Write + Send>, desk: &Desk) -> End {
    let voice = Arc::new(Voice::new(output));
    let read = listen(&mut input, &voice, desk);
    if read.is_err() || voice.is_closed() {
        voice.call_off_all();
    }
    voice.wait_for_the_last();
    let lost = voice.out().lost.take();
    match (read, lost) {
        (_, Some(failure)) if failure.kind() != io::ErrorKind::BrokenPipe => End::Broken(failure),
        (_, Some(_)) => End::NobodyReads,
        (Err(failure), None) => End::Broken(failure),
        (Ok(()), None) => End::Answered,
    }
}

fn listen(input: &mut impl BufRead, voice: &Arc<Voice>, desk: &Desk) -> io::Result<()> {
    // Base64 takes four letters for three bytes.
    let most_line = desk.most_bytes().saturating_mul(4) / 3 + KEYS_BYTES;
    let most_line = usize::try_from(most_line).unwrap_or(usize::MAX - 1);
    while !voice.is_closed() {
        match next_line(input, most_line)? {
            Line::End => break,
            Line::TooLong => {
                let reason = format!("a line of more than {most_line} bytes is not taken");
                voice.note(&Value::Null, NoteStatus::Refused, Some(&reason));
            }
            Line::Text(line) if line.iter().all(u8::is_ascii_whitespace) => {}
            Line::Text(line) => heed(&line, input, voice, desk)?,
        }
    }
    Ok(())
}

/// Does what a line says.
fn heed(line: &[u8], input: &mut impl BufRead, voice: &Arc<Voice>, desk: &Desk) -> io::Result<()> {
    let (label, request) = read(line, desk.known());
    let id = label.id;
    let refuse = |reason: &str| voice.note(&id, NoteStatus::Refused, Some(reason));
    let mut task = match request {
        Ok(Request::Solve(task)) => *task,
        Ok(Request::Cancel(which)) => {
            match voice.call_off(&which) {
                true => voice.note(&id, NoteStatus::Done, None),
                false => refuse(&format!("no request {which} is waiting or at work")),
            }
            return skip_bytes(input, label.bytes_behind);
        }
        Err(reason) => {
            refuse(&reason);
            return skip_bytes(input, label.bytes_behind);
        }
    };
    let most = desk.most_bytes();
    let too_large = match &task.from {
        From::Behind(count) => *count > most,
        From::Bytes(bytes) => bytes.len() as u64 > most,
        From::File(_) => false,
    };
    if too_large {
        refuse(&format!(
            "a frame of more than {most} bytes is not taken: name its file"
        ));
        return skip_bytes(input, label.bytes_behind);
    }
    if let From::Behind(count) = task.from {
        match next_bytes(input, count)? {
            Some(bytes) => task.from = From::Bytes(bytes),
            None => {
                refuse("the input ended before the frame did");
                return Ok(());
            }
        }
    }
    accept(&id, task, voice, desk);
    Ok(())
}

fn accept(id: &Value, task: Task, voice: &Arc<Voice>, desk: &Desk) {
    match voice.ticket(id) {
        Some(ticket) => desk.push(Job { ticket, task }),
        None => {
            let reason = format!("a request {id} is waiting or at work already");
            voice.note(id, NoteStatus::Refused, Some(&reason));
        }
    }
}

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
    fn new(stream: Box<dyn Write + Send>) -> Voice {
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

    fn due(&self) -> MutexGuard<'_, HashMap<String, Arc<Ticket>>> {
        self.due.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Nobody hears it any more.
    fn is_closed(&self) -> bool {
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

    fn note(&self, id: &Value, status: NoteStatus, reason: Option<&str>) {
        self.say(&Note::new(id, status, reason).line());
    }

    /// A ticket for a new request; `None` where one of this id is due already.
    fn ticket(self: &Arc<Self>, id: &Value) -> Option<Arc<Ticket>> {
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
    fn call_off(&self, id: &Value) -> bool {
        let ticket = self.due().get(&id.to_string()).cloned();
        ticket.is_some_and(|ticket| ticket.call_off())
    }

    fn call_off_all(&self) {
        let due: Vec<Arc<Ticket>> = self.due().values().cloned().collect();
        for ticket in due {
            ticket.call_off();
        }
    }

    fn wait_for_the_last(&self) {
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

/// A solution under the id of its request.
#[derive(Serialize)]
struct Answered<'a> {
    id: &'a Value,
    #[serde(flatten)]
    record: &'a Record,
}

impl Ticket {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The answer as a line.
    pub fn line(&self, record: &Record) -> Option<String> {
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
