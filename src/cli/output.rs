//! Standard output: results and nothing else.

use super::ember;
use crate::report::{Record, text};
use std::io;

/// What became of a line that was to be printed.
#[derive(Debug, PartialEq, Eq)]
pub enum Printed {
    /// It is out, flushed.
    Done,
    /// Nobody reads any more: a closed pipe, which is a reader's right.
    NobodyReads,
}

/// Prints results one after another, each flushed, so that a reader can act on it at once.
pub struct Printer {
    json: bool,
    first: bool,
}

impl Printer {
    /// A printer of JSON lines, or of text blocks with an empty line between them.
    pub fn new(json: bool) -> Printer {
        Printer { json, first: true }
    }

    /// Prints one record.
    ///
    /// # Errors
    ///
    /// The output cannot be written, for example because a disk is full. A closed pipe is not an
    /// error.
    pub fn print(&mut self, record: &Record) -> io::Result<Printed> {
        let gap = if self.json || self.first { "" } else { "\n" };
        self.first = false;
        let block = if self.json {
            record.to_json_line().map_err(io::Error::other)? + "\n"
        } else {
            gap.to_owned() + &text::block(record)
        };
        print_text(&block)
    }
}

/// Prints `text` as it is, flushed.
///
/// # Errors
///
/// The output cannot be written; a closed pipe is not an error.
pub fn print_text(text: &str) -> io::Result<Printed> {
    match ember::stdout(text) {
        Ok(()) => Ok(Printed::Done),
        Err(closed) if closed.kind() == io::ErrorKind::BrokenPipe => Ok(Printed::NobodyReads),
        Err(failure) => Err(failure),
    }
}
