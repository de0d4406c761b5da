//! Lines and pieces of an input that nobody vouches for.

use std::io::{self, BufRead, Read};

/// What the input holds next.
#[derive(Debug, PartialEq, Eq)]
pub enum Line {
    /// A line without its end.
    Text(Vec<u8>),
    /// A line of more bytes than are taken; it was skipped.
    TooLong,
    /// The input has ended.
    End,
}

/// Reads the next line, of `most` bytes or fewer.
///
/// # Errors
///
/// The input cannot be read.
pub fn next_line(input: &mut impl BufRead, most: usize) -> io::Result<Line> {
    let mut line = Vec::new();
    // One more for the line's end.
    let read = input.take(most as u64 + 1).read_until(b'\n', &mut line)?;
    if read == 0 {
        return Ok(Line::End);
    }
    if line.last() == Some(&b'\n') {
        line.pop();
        if line.last() == Some(&b'\r') {
            line.pop();
        }
        return Ok(Line::Text(line));
    }
    if line.len() <= most {
        return Ok(Line::Text(line));
    }
    drop(line);
    skip_line(input)?;
    Ok(Line::TooLong)
}

fn skip_line(input: &mut impl BufRead) -> io::Result<()> {
    loop {
        let piece = input.fill_buf()?;
        if piece.is_empty() {
            return Ok(());
        }
        match piece.iter().position(|byte| *byte == b'\n') {
            Some(at) => {
                input.consume(at + 1);
                return Ok(());
            }
            None => {
                let length = piece.len();
                input.consume(length);
            }
        }
    }
}

/// Reads this many bytes; `None` where the input ends before. Takes memory as they come.
///
/// # Errors
///
/// The input cannot be read.
pub fn next_bytes(input: &mut impl BufRead, count: u64) -> io::Result<Option<Vec<u8>>> {
    let mut bytes = Vec::new();
    input.take(count).read_to_end(&mut bytes)?;
    Ok((bytes.len() as u64 == count).then_some(bytes))
}

/// Passes over this many bytes.
///
/// # Errors
///
/// The input cannot be read.
pub fn skip_bytes(input: &mut impl BufRead, count: u64) -> io::Result<()> {
    io::copy(&mut input.take(count), &mut io::sink()).map(|_| ())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_lines_are_skipped_and_the_next_one_is_whole() {
        let mut input = &b"one\r\n12345678901\nten4567890\n\nlast"[..];
        let mut next = || next_line(&mut input, 10).unwrap();
        assert_eq!(next(), Line::Text(b"one".to_vec()));
        assert_eq!(next(), Line::TooLong);
        assert_eq!(next(), Line::Text(b"ten4567890".to_vec()));
        assert_eq!(next(), Line::Text(Vec::new()));
        assert_eq!(next(), Line::Text(b"last".to_vec()));
        assert_eq!(next(), Line::End);
    }

    #[test]
    fn bytes_that_do_not_come_are_missed() {
        let mut input = &b"abcdef"[..];
        assert_eq!(next_bytes(&mut input, 2).unwrap(), Some(b"ab".to_vec()));
        skip_bytes(&mut input, 2).unwrap();
        assert_eq!(next_bytes(&mut input, 9).unwrap(), None);
    }
}
