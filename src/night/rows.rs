//! The rows of a night in one piece of memory.

use crate::track::Row;
use std::collections::HashMap;
use std::io;
use std::ops::Range;
use xxhash_rust::xxh3::xxh3_64;

/// Rows as text, one after another.
///
/// A row of its own would hold a dozen small pieces of memory. Taken between the large pieces
/// that the pixels of a frame need, they keep those from being given back: a night of 2000 frames
/// then holds three times the memory of one of 20.
#[derive(Debug, Clone, Default)]
pub struct Rows {
    text: Vec<u8>,
    count: usize,
    /// Where the row of a frame lies, by the checksum of its name: only for rows that were put.
    places: HashMap<u64, Range<usize>>,
    /// Bytes of rows that others have replaced.
    stale: usize,
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

    /// Adds a row, or puts it in the place of the one with the same file.
    ///
    /// # Errors
    ///
    /// As [`Rows::push`].
    pub fn put(&mut self, row: &Row) -> io::Result<()> {
        let start = self.text.len();
        self.push(row)?;
        let place = start..self.text.len();
        let Some(old) = self.places.insert(xxh3_64(row.file.as_bytes()), place) else {
            return Ok(());
        };
        self.count -= 1;
        self.stale += old.len();
        // An empty line is no row.
        self.text[old].fill(b'\n');
        if self.stale > self.text.len() / 2 {
            self.tidy();
        }
        Ok(())
    }

    /// Closes the gaps.
    fn tidy(&mut self) {
        let mut places: Vec<&mut Range<usize>> = self.places.values_mut().collect();
        places.sort_unstable_by_key(|place| place.start);
        let mut end = 0;
        for place in places {
            self.text.copy_within(place.clone(), end);
            *place = end..end + place.len();
            end = place.end;
        }
        self.text.truncate(end);
        self.stale = 0;
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

    #[test]
    fn a_frame_has_one_row_however_often_it_changes() {
        let row = |number: usize, round: usize| Row {
            file: format!("light-{number}.fits"),
            ra_deg: Some(round as f64),
            cautions: vec!["x".repeat(round * number)],
            ..Row::default()
        };
        let mut rows = Rows::default();
        for round in 0..50 {
            for number in 0..7 {
                rows.put(&row(number, round)).unwrap();
            }
        }
        assert_eq!(rows.len(), 7);
        let wanted: Vec<Row> = (0..7).map(|number| row(number, 49)).collect();
        assert_eq!(rows.read().unwrap(), wanted);
        let longest = serde_json::to_string(&wanted).unwrap().len();
        assert!(rows.text.len() < 4 * longest, "{} bytes", rows.text.len());
    }
}
