//! The result as text.
use super::record::Record;

/// A block of lines for one frame.
pub fn block(record: &Record) -> String {
    format!("{:?}\n", record.status)
}
