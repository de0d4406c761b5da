//! Decoding of camera raw files in a process of its own: the library for them panics, hangs or takes
//! wild amounts of memory on some damaged files, which must not take the solver with it.
//!
//! The program starts itself once more with a hidden argument. The child gets the bytes to decode
//! on standard input, never a file name, limits its own memory and time and gives back plain
//! numbers on standard output. A child that dies, says too much or too little, or takes too long
//! means a damaged frame, nothing more. Its standard input stays open behind the bytes: where that
//! ends, the parent is gone, however it ended, and the child ends too.

mod limits;

use super::budget::Budget;
use super::fault::Fault;
use crate::itself;
use limits::Limits;
use std::ffi::OsString;
use std::io::{self, Read, Write};
use std::process::{Child, ChildStdout, ExitCode, Stdio};
use std::sync::mpsc;
use std::time::Duration;

/// First argument of a child. Then follow the memory it may take in bytes, the time it may take in
/// seconds, and the length of its input.
const CHILD_ARGUMENT: &str = "--decode-in-isolation";

/// Every child gets this time, and a second more for each [`BYTES_PER_SECOND`] of input: a tenth
/// of what a small computer of today decodes.
const LEAST_TIME: Duration = Duration::from_secs(8);

/// See [`LEAST_TIME`].
const BYTES_PER_SECOND: u64 = 2 << 20;

/// Memory that the program at rest writes to: its heap, the stacks of threads.
const LEAST_MEMORY: u64 = 48 << 20;

/// Address space besides: the star-index, libraries, and what the heaps of threads reserve, of
/// which only a part is ever touched.
const RESERVED: u64 = 2 << 30;

/// Threads that a child may have at work at a time.
const MAX_THREADS: u64 = 4;

/// Exit status of a child whose parent is gone: nobody reads it.
const ORPHANED: u8 = 1;

/// Why a child gave no answer.
#[derive(Debug)]
pub(crate) enum Failure {
    /// No program is known that could serve as child.
    NoHelper,
    /// The child did not start.
    NotStarted(io::Error),
    /// It died, took too long or answered something that cannot be.
    NoAnswer,
    /// The frame's deadline passed.
    TimeLimit,
}

impl Failure {
    /// The fault of a frame that is `what`; `way_out` is the advice where it cannot be read here.
    pub(crate) fn fault(self, what: &str, way_out: &str) -> Fault {
        match self {
            Failure::NoHelper => Fault::NotReadable(format!(
                "is {what}, which only the nightfix program itself can read: {way_out}"
            )),
            Failure::NotStarted(error) => Fault::NotReadable(format!(
                "is {what}, which needs a second process to be read, and that did not start \
                 ({error}): {way_out}"
            )),
            Failure::TimeLimit => Fault::TimeLimit,
            Failure::NoAnswer => Fault::damaged(format!(
                "is {what}, and cannot be decoded: copy it again from where it was taken; where \
                 other programs open it, {way_out}"
            )),
        }
    }
}

/// Most memory that a child takes for an undamaged file. Cameras store 1 to 2 bytes a pixel without
/// loss, and down to a third with; decoders hold a few copies of 2 or 4 bytes, which is within what
/// the budget has for work.
fn memory(budget: &Budget) -> u64 {
    LEAST_MEMORY + budget.work_bytes()
}

/// To be called first by `main`: decodes and gives the exit status where this process is a child.
pub fn maybe_run_child() -> Option<ExitCode> {
    let decoded = run_as_child(std::env::args_os().skip(1));
    decoded.map(|decoded| match decoded {
        true => ExitCode::SUCCESS,
        false => ExitCode::FAILURE,
    })
}

/// Decodes where `arguments` (without the program's name) are those of a child, and says whether it
/// could; `None` where they are not.
pub fn run_as_child(arguments: impl IntoIterator<Item = OsString>) -> Option<bool> {
    let mut arguments = arguments.into_iter();
    let is_child = arguments
        .next()
        .is_some_and(|first| first == CHILD_ARGUMENT);
    is_child.then(|| run_child(arguments).is_some())
}

fn run_child(mut arguments: impl Iterator<Item = OsString>) -> Option<()> {
    let mut number = || arguments.next()?.to_str()?.parse::<u64>().ok();
    let (memory, cpu_s, length) = (number()?, number()?, number()?);
    limits::impose(Limits {
        memory,
        address_space: memory + RESERVED,
        cpu_s,
    });
    let mut input = vec![0; usize::try_from(length).ok()?];
    io::stdin().read_exact(&mut input).ok()?;
    std::thread::spawn(|| {
        let _ = io::copy(&mut io::stdin(), &mut io::sink());
        std::process::exit(i32::from(ORPHANED))
    });
    let mut out = io::stdout().lock();
    super::raw::run_child(input, &mut out)?;
    out.flush().ok()
}

/// Has a child decode `input`, within the `budget` of the file it is from, and gives what `read`
/// makes of its output, with the input. `read` judges by itself how much it takes; output beyond that is a failure.
pub(crate) fn ask<T: Send + 'static>(
    input: Vec<u8>,
    budget: &Budget,
    read: impl FnOnce(&mut ChildStdout) -> Option<T> + Send + 'static,
) -> Result<(T, Vec<u8>), Failure> {
    let mut command = itself::command().ok_or(Failure::NoHelper)?;
    let usual = LEAST_TIME + Duration::from_secs(input.len() as u64 / BYTES_PER_SECOND);
    let time = budget
        .deadline()
        .left()
        .map_or(usual, |left| left.min(usual));
    let child = command
        .arg(CHILD_ARGUMENT)
        .arg(memory(budget).to_string())
        .arg((MAX_THREADS * (usual.as_secs() + 1)).to_string())
        .arg(input.len().to_string())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .map_err(Failure::NotStarted)?;
    converse(child, input, time, read).ok_or(if budget.deadline().passed() {
        Failure::TimeLimit
    } else {
        Failure::NoAnswer
    })
}

fn converse<T: Send + 'static>(
    mut child: Child,
    input: Vec<u8>,
    time_limit: Duration,
    read: impl FnOnce(&mut ChildStdout) -> Option<T> + Send + 'static,
) -> Option<(T, Vec<u8>)> {
    let (mut stdin, mut stdout) = (child.stdin.take()?, child.stdout.take()?);
    // Both ends at once: neither pipe holds a frame.
    let writer = std::thread::spawn(move || {
        // A child that stopped listening shows in its output.
        let _ = stdin.write_all(&input).and_then(|()| stdin.flush());
        (input, stdin)
    });
    let (sender, receiver) = mpsc::channel();
    std::thread::spawn(move || {
        let answer = read(&mut stdout).filter(|_| matches!(stdout.read(&mut [0]), Ok(0)));
        let _ = sender.send(answer);
    });
    let answer = receiver.recv_timeout(time_limit).ok().flatten();
    if answer.is_none() {
        let _ = child.kill();
    }
    let status = child.wait().ok()?;
    // The child's end of the pipe is closed: this thread ends too. Only now is the input closed.
    let (input, _) = writer.join().ok()?;
    answer
        .filter(|_| status.success())
        .map(|answer| (answer, input))
}
