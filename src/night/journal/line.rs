//! One line of a journal: length, checksum, text, line end. Whatever a crash leaves of the last
//! one is told from a whole line without reading its text.

use xxhash_rust::xxh3::xxh3_64;

/// Bytes before the text: eight digits of length, sixteen of checksum, a blank behind each.
pub(super) const HEAD_BYTES: usize = 8 + 1 + 16 + 1;

/// A line for `text`, which holds no line end.
pub(super) fn encode(text: &str) -> Vec<u8> {
    debug_assert!(!text.contains('\n'));
    let bytes = text.as_bytes();
    format!("{:08x} {:016x} {text}\n", bytes.len(), xxh3_64(bytes)).into_bytes()
}

/// The text of a line without its line end; `None` where a byte of it is not as it was written.
pub(super) fn decode(line: &[u8]) -> Option<&str> {
    let (head, text) = line.split_at_checked(HEAD_BYTES)?;
    let head = std::str::from_utf8(head).ok()?;
    let (length, rest) = head.split_once(' ')?;
    let checksum = rest.strip_suffix(' ')?;
    let sound = u64::from_str_radix(length, 16).ok()? == text.len() as u64
        && u64::from_str_radix(checksum, 16).ok()? == xxh3_64(text);
    std::str::from_utf8(text).ok().filter(|_| sound)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_changed_byte_is_noticed() {
        let line = encode(r#"{"file":"light-001.fits"}"#);
        let line = &line[..line.len() - 1];
        assert_eq!(decode(line), Some(r#"{"file":"light-001.fits"}"#));
        for at in 0..line.len() {
            let mut changed = line.to_vec();
            changed[at] ^= 1;
            // The blank between length and checksum, and upper case for lower, carry nothing.
            assert_ne!(decode(&changed), decode(line), "byte {at}");
            assert_eq!(decode(&line[..at]), None);
        }
    }
}
