//! The rows of a night in one piece of memory.

use crate::track::Row;
use std::io;

/// Rows as text, one after another.
///
/// A row of its own would hold a dozen small pieces of memory. Taken between the large pieces
/// that the pixels of a frame need, they keep those from being given back: a night of 2000 frames
/// then holds three times the memory of one of 20.
#[derive(Debug, Clone, Default)]
pub struct Rows {
    text: Vec<u8>,
    count: usize,
}

impl Rows {
    /// Adds a row.
    ///
    /// # Errors
    ///
    /// None that a row can cause: the type is what writing JSON returns.
    pub fn push(&mut self, row: &Row) -> io::Result<()> {
        serde_json::to_writer(&mut self.text, row)?;
        self.text.push(b'\n');
        self.count += 1;
        Ok(())
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.count
    }

    /// True before the first row.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// The rows, in the order in which they came.
    ///
    /// # Errors
    ///
    /// None that a row can cause: the type is what reading JSON returns.
    pub fn read(&self) -> io::Result<Vec<Row>> {
        self.text
            .split(|byte| *byte == b'\n')
            .filter(|line| !line.is_empty())
            .map(|line| Ok(serde_json::from_slice(line)?))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_come_back_to_the_last_digit() {
        let row = |ra_deg: f64| Row {
            file: "a\nb \"ü\"".into(),
            ra_deg: Some(ra_deg),
            cautions: vec!["one".into()],
            ..Row::default()
        };
        let given = [row(0.1 + 0.2), row(359.999_999_9)];
        let mut rows = Rows::default();
        for row in &given {
            rows.push(row).unwrap();
        }
        assert_eq!(rows.read().unwrap(), given);
        assert_eq!(rows.len(), 2);
    }
}
