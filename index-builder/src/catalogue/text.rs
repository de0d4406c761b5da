//! Tables of text with named columns: CSV, and ECSV (astropy's APE 6), in gzip or not.
//!
//! Lines that begin with `#` are comments; ECSV states its delimiter in one of them. Empty
//! fields, `null` and `NaN` are missing values.

use super::columns::{Columns, Layout};
use super::{Batches, ReadCounts};
use csv::{ByteRecord, ReaderBuilder};
use std::io::{BufRead, Read};

/// What went wrong: a complaint about the content, or reading itself.
pub(crate) enum TextError {
    Content(String),
    /// What a service said instead of giving the table.
    Refused(String),
    Io(std::io::Error),
}

impl From<std::io::Error> for TextError {
    fn from(error: std::io::Error) -> TextError {
        TextError::Io(error)
    }
}

/// Reads a table.
pub(super) fn read(
    mut text: impl BufRead,
    columns: Option<&Columns>,
    epoch_jyear: Option<f64>,
    batches: &mut Batches<'_>,
) -> Result<ReadCounts, TextError> {
    let mut delimiter = b',';
    let mut line = String::new();
    let mut number = 0_u64;
    loop {
        line.clear();
        // A line this long is no line of a table.
        let length = (&mut text).take(1 << 20).read_line(&mut line)?;
        number += 1;
        if length == 0 {
            return Err(TextError::Content("it has no line of column names".into()));
        }
        if let Some(comment) = line.strip_prefix('#') {
            if number == 1 && comment.trim_start().starts_with("%ECSV") {
                // The one that need not be stated.
                delimiter = b' ';
            } else if let Some((_, stated)) = comment.split_once("delimiter:") {
                delimiter = match stated.trim().trim_matches(['\'', '"']) {
                    "," => b',',
                    _ => b' ',
                };
            }
        } else if !line.trim().is_empty() {
            break;
        }
    }
    if delimiter == b',' && !line.contains(',') {
        delimiter = *[b'\t', b';', b'|']
            .iter()
            .find(|&&d| line.contains(char::from(d)))
            .unwrap_or(&delimiter);
    }
    let names: Vec<String> = line
        .trim_start_matches('\u{feff}')
        .trim_end()
        .split(char::from(delimiter))
        .map(|name| name.trim().trim_matches('"').to_string())
        .collect();
    let layout = Layout::new(&names, columns, epoch_jyear).map_err(TextError::Content)?;
    let mut reader = ReaderBuilder::new()
        .has_headers(false)
        .delimiter(delimiter)
        .comment(Some(b'#'))
        .flexible(true)
        .from_reader(text);
    let mut record = ByteRecord::new();
    let mut counts = ReadCounts::default();
    loop {
        match reader.read_byte_record(&mut record) {
            Ok(true) => {}
            Ok(false) => return Ok(counts),
            Err(error) => {
                let at = error.position().map_or(0, |p| p.line());
                return Err(match error.into_kind() {
                    csv::ErrorKind::Io(error) => TextError::Io(error),
                    _ => TextError::Content(format!("line {} is no row", number + at)),
                });
            }
        }
        counts.rows += 1;
        let at = || number + record.position().map_or(0, |p| p.line());
        if record.len() != names.len() {
            return Err(TextError::Content(format!(
                "line {} has {} fields where there are {} columns",
                at(),
                record.len(),
                names.len()
            )));
        }
        let star = layout
            .star(|place| record.get(place).and_then(value))
            .map_err(|what| TextError::Content(format!("line {}: {what}", at())))?;
        match star {
            Some(star) => {
                if !batches.push(star) {
                    return Ok(counts);
                }
            }
            None => counts.unusable += 1,
        }
    }
}

/// A number, or `None` for a missing or unreadable one.
pub(super) fn value(field: &[u8]) -> Option<f64> {
    std::str::from_utf8(field).ok()?.trim().parse().ok()
}
