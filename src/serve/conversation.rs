//! One caller: lines in, answers out, each request answered once.

use super::NoteStatus;
use super::desk::{Desk, Job};
use super::lines::{Line, next_bytes, next_line, skip_bytes};
use super::request::{From, Request, Task, read};
use super::voice::Voice;
use serde_json::Value;
use std::io::{self, BufRead, Write};
use std::sync::Arc;

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
    let lost = voice.lost();
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
    if task.bytes() > most {
        refuse(&format!(
            "frames of more than {most} bytes are not taken: name their files"
        ));
        return skip_bytes(input, label.bytes_behind);
    }
    for source in task.sources() {
        if let From::Behind(count) = source.from {
            let Some(bytes) = next_bytes(input, count)? else {
                refuse("the input ended before the frame did");
                return Ok(());
            };
            source.from = From::Bytes(bytes);
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
