//! A night's folder: every frame in it solved, the results kept, tables and a summary made.
//!
//! ```text
//! folder ──▶ run (one frame per thread) ──▶ journal ──▶ rows ──▶ table, summary, report
//!              │   ▲
//!              └───┘ neighbours: where earlier frames were found, as the first guess
//! ```
//!
//! What is found for a frame depends on the frames before it in the order of names, and on
//! nothing else: not on the number of threads, nor on whether the work was interrupted.

mod facts;
mod folder;
pub mod journal;
mod json;
mod kind;
mod line;
mod neighbours;
mod order;
mod row;
mod rows;
mod run;
mod summary;
mod table;
mod work;

pub use facts::Facts;
pub use folder::{Found, Listing, Selection, SelectionError, list};
pub use journal::{Entry, Identity, Journal, JournalError, Verdict};
pub use json::{Mend, NightKeys, json_line};
pub use kind::stated_kind;
pub use line::{line, line_with, offset};
pub use neighbours::Neighbours;
pub use row::{row_of_frame, row_of_record};
pub use rows::Rows;
pub use run::{Finished, RunError, run};
pub use summary::{Summary, Tally};
pub use table::write_table;
pub use work::{Done, Work};
