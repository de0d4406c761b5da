//! A resident service: one JSON request per line in, one JSON answer per line out, several at work
//! at once, each answered once, in the order in which they are done.
//!
//! A frame is named by its path or comes along: in base64, or as bytes after the line. A
//! request can be called off. Nothing here knows where lines come from; `listen` offers the same on
//! sockets of this computer, and nowhere else.

mod conversation;
mod desk;
mod lines;
pub mod listen;
mod request;
mod voice;

pub use conversation::{End, converse};
pub use desk::Desk;

use serde::Serialize;
use serde_json::Value;

/// Name and number of the schema of answers that are no solutions.
pub const SCHEMA: &str = "nightfix.serve/1";

/// The answer to a request that has no solution to report. `serve.schema.json` beside this file
/// describes it.
#[derive(Debug, Serialize)]
struct Note<'a> {
    id: &'a Value,
    schema: &'static str,
    status: NoteStatus,
    reason: Option<&'a str>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
enum NoteStatus {
    /// Carried out.
    Done,
    /// Called off before it was done.
    Cancelled,
    /// Makes no sense, or cannot be done; nothing was done.
    Refused,
}

impl<'a> Note<'a> {
    fn new(id: &'a Value, status: NoteStatus, reason: Option<&'a str>) -> Note<'a> {
        Note {
            id,
            schema: SCHEMA,
            status,
            reason,
        }
    }

    fn line(&self) -> String {
        // A note has nothing that JSON cannot say.
        serde_json::to_string(self).unwrap_or_default()
    }
}
