//! The service on sockets: TCP on the loopback interface, and Unix sockets. There is no way to
//! listen anywhere else.

use super::conversation::converse;
use super::desk::Desk;
use super::lines::{Line, next_line};
use super::{Note, NoteStatus};
use serde_json::Value;
use std::io::{self, BufReader, Read, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
#[cfg(unix)]
use std::os::unix::net::{UnixListener, UnixStream};
#[cfg(unix)]
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::Scope;
use std::time::Duration;

/// Callers at once, at most.
const MOST_CALLERS: usize = 64;
/// A caller that takes no answers for so long has gone.
const PATIENCE: Duration = Duration::from_secs(30);
/// The first line of a caller that has to show a token.
const FIRST_LINE_BYTES: usize = 4 << 10;

/// A socket that waits for callers.
#[derive(Debug)]
pub enum Listener {
    /// TCP on 127.0.0.1.
    Tcp(TcpListener),
    /// A Unix socket and its path.
    #[cfg(unix)]
    Unix(UnixListener, PathBuf),
}

impl Listener {
    /// On a TCP port of the loopback interface; 0 takes any that is free.
    ///
    /// # Errors
    ///
    /// The port is taken, or not to be had.
    pub fn tcp(port: u16) -> io::Result<Listener> {
        TcpListener::bind((Ipv4Addr::LOCALHOST, port)).map(Listener::Tcp)
    }

    /// On a Unix socket that only its owner may use. One that nobody listens on any more is
    /// replaced.
    ///
    /// # Errors
    ///
    /// Somebody listens there, something else lies there, or no file can be made there.
    #[cfg(unix)]
    pub fn unix(path: &Path) -> io::Result<Listener> {
        use std::os::unix::fs::FileTypeExt;
        let lies_there = std::fs::symlink_metadata(path);
        if lies_there.is_ok_and(|there| there.file_type().is_socket())
            && UnixStream::connect(path).is_err()
        {
            std::fs::remove_file(path)?;
        }
        // Nobody else may connect, not even for a moment.
        let others = rustix::process::umask(rustix::fs::Mode::from_raw_mode(0o177));
        let bound = UnixListener::bind(path);
        rustix::process::umask(others);
        bound.map(|listener| Listener::Unix(listener, path.to_owned()))
    }

    /// Where callers find it.
    pub fn place(&self) -> String {
        match self {
            Listener::Tcp(listener) => match listener.local_addr() {
                Ok(address) => address.to_string(),
                Err(_) => "127.0.0.1".into(),
            },
            #[cfg(unix)]
            Listener::Unix(_, path) => path.display().to_string(),
        }
    }

    fn accept(&self) -> io::Result<Caller> {
        match self {
            Listener::Tcp(listener) => {
                let (stream, _) = listener.accept()?;
                stream.set_write_timeout(Some(PATIENCE))?;
                // An answer is one small packet.
                stream.set_nodelay(true)?;
                Ok(Caller::Tcp(stream))
            }
            #[cfg(unix)]
            Listener::Unix(listener, _) => {
                let (stream, _) = listener.accept()?;
                stream.set_write_timeout(Some(PATIENCE))?;
                Ok(Caller::Unix(stream))
            }
        }
    }
}

/// A connection.
#[derive(Debug)]
enum Caller {
    Tcp(TcpStream),
    #[cfg(unix)]
    Unix(UnixStream),
}

type Ends = (Box<dyn Read + Send>, Box<dyn Write + Send>);

impl Caller {
    fn ends(self) -> io::Result<Ends> {
        Ok(match self {
            Caller::Tcp(stream) => (Box::new(stream.try_clone()?), Box::new(stream)),
            #[cfg(unix)]
            Caller::Unix(stream) => (Box::new(stream.try_clone()?), Box::new(stream)),
        })
    }
}

/// Answers callers for as long as the process lives. With a `token` a caller's first line has to be
/// `{"token": "..."}`; without one it has to be a JSON object all the same, so that no web page
/// talks to it by accident or design.
///
/// # Errors
///
/// No more callers can be had.
pub fn answer_callers<'scope, 'env>(
    listener: &Listener,
    desk: &'env Desk,
    token: Option<&'env str>,
    callers: &'env AtomicUsize,
    scope: &'scope Scope<'scope, 'env>,
) -> io::Result<()> {
    loop {
        let caller = match listener.accept() {
            Ok(caller) => caller,
            // One that hung up at once is no reason to end.
            Err(failure) if failure.kind() == io::ErrorKind::ConnectionAborted => continue,
            Err(failure) => return Err(failure),
        };
        let Ok((input, mut output)) = caller.ends() else {
            continue;
        };
        if callers.fetch_add(1, Ordering::Relaxed) >= MOST_CALLERS {
            callers.fetch_sub(1, Ordering::Relaxed);
            let reason = Some("too many callers at once: try again");
            let note = Note::new(&Value::Null, NoteStatus::Refused, reason).line();
            let _ = writeln!(output, "{note}");
            continue;
        }
        scope.spawn(move || {
            hear(input, output, desk, token);
            callers.fetch_sub(1, Ordering::Relaxed);
        });
    }
}

/// One caller, to the end.
fn hear(
    input: Box<dyn Read + Send>,
    mut output: Box<dyn Write + Send>,
    desk: &Desk,
    token: Option<&str>,
) {
    let mut input = BufReader::new(input);
    let reason = match token {
        Some(token) => match next_line(&mut input, FIRST_LINE_BYTES) {
            Ok(Line::Text(line)) if shows(&line, token) => None,
            _ => Some("the first line has to show the token"),
        },
        None => match io::BufRead::fill_buf(&mut input) {
            Ok(begin) if begin.first().is_none_or(|byte| *byte == b'{') => None,
            _ => Some("the first line has to be a JSON object"),
        },
    };
    if reason.is_some() {
        let note = Note::new(&Value::Null, NoteStatus::Refused, reason).line();
        let _ = writeln!(output, "{note}");
        return;
    }
    converse(input, output, desk);
}

/// Whether a line holds the token; takes as long for a near miss as for any other.
fn shows(line: &[u8], token: &str) -> bool {
    let value: Value = serde_json::from_slice(line).unwrap_or_default();
    let shown = value.get("token").and_then(Value::as_str).unwrap_or("");
    let (shown, token) = (shown.as_bytes(), token.as_bytes());
    let differs = shown.iter().zip(token).fold(0, |all, (a, b)| all | (a ^ b));
    shown.len() == token.len() && differs == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_token_is_the_token() {
        assert!(shows(br#"{"token":"abc"}"#, "abc"));
        for line in [
            &br#"{"token":"abd"}"#[..],
            br#"{"token":"ab"}"#,
            br#"{"token":1}"#,
            b"abc",
        ] {
            assert!(!shows(line, "abc"));
        }
    }
}
