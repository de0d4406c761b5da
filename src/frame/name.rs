//! File names as text, for JSON, tables and the journal.

use std::path::{Path, PathBuf};

/// What stands before a name that had to be encoded, as in a `file` URI (RFC 8089).
const SCHEME: &str = "file:";

/// `path` as text: as it is where it is Unicode. Any other, and one that begins with `file:`, is
/// `file:` followed by the path with every byte but letters, digits and `-._~/` as `%` and two
/// digits (RFC 3986, section 2.1). The same path always gives the same text, two paths never do,
/// and [`path_of_text`] goes back.
///
/// ```
/// use nightfix::frame::{path_of_text, text_of_path};
/// assert_eq!(text_of_path("M 81 ü%41.fits".as_ref()), "M 81 ü%41.fits");
/// assert_eq!(text_of_path("file:a b".as_ref()), "file:file%3Aa%20b");
/// assert_eq!(path_of_text("file:file%3Aa%20b"), Some("file:a b".into()));
/// ```
pub fn text_of_path(path: &Path) -> String {
    match path.to_str() {
        Some(text) if !text.starts_with(SCHEME) => text.to_owned(),
        _ => encoded(path.as_os_str().as_encoded_bytes()),
    }
}

fn encoded(bytes: &[u8]) -> String {
    let mut text = SCHEME.to_owned();
    for byte in bytes {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(byte) {
            text.push(char::from(*byte));
        } else {
            text.push_str(&format!("%{byte:02X}"));
        }
    }
    text
}

/// The path that [`text_of_path`] gave `text` for; `None` where it can have given none, or where
/// this system makes no path of such bytes.
pub fn path_of_text(text: &str) -> Option<PathBuf> {
    let Some(rest) = text.strip_prefix(SCHEME) else {
        return Some(PathBuf::from(text));
    };
    let mut pieces = rest.split('%');
    let mut bytes = pieces.next()?.as_bytes().to_vec();
    for piece in pieces {
        let (digits, plain) = piece.split_at_checked(2)?;
        bytes.push(u8::from_str_radix(digits, 16).ok()?);
        bytes.extend_from_slice(plain.as_bytes());
    }
    path_of_bytes(bytes)
}

#[cfg(unix)]
fn path_of_bytes(bytes: Vec<u8>) -> Option<PathBuf> {
    use std::os::unix::ffi::OsStringExt;
    Some(std::ffi::OsString::from_vec(bytes).into())
}

#[cfg(not(unix))]
fn path_of_bytes(bytes: Vec<u8>) -> Option<PathBuf> {
    String::from_utf8(bytes).ok().map(PathBuf::from)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn every_name_comes_back() {
        use std::os::unix::ffi::OsStringExt;
        for byte in 1..=255_u8 {
            let path = PathBuf::from(std::ffi::OsString::from_vec(vec![b'%', byte, b'a', 0xff]));
            let text = text_of_path(&path);
            assert!(text.starts_with(SCHEME) && text.is_ascii(), "{text}");
            assert_eq!(path_of_text(&text), Some(path));
        }
        assert_eq!(path_of_text("file:%4"), None);
    }
}
