//! A second process that stops the mount where this one is killed before it can.

use super::{Fault, Mount, View};
use crate::indi::Address;
use crate::itself;
use std::io::{self, Read, Write};
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

/// The hidden subcommand that the second process runs: [`stand_by`].
pub const SUBCOMMAND: &str = "stand-by";
/// What the first process says, a byte each; the last one before the end of standard input counts. A slew
/// was asked for: the mount is stopped even where it says that it stands, which some do for a moment
/// after they were sent somewhere.
const SLEWING: u8 = b'S';
/// No slew is under way: the mount is stopped only where it moves.
const RESTING: u8 = b'R';
/// Nothing is left to do: the first process ended as it should.
const DISMISSED: u8 = b'D';
/// What the second process says once it stands by.
const READY: &[u8] = b"ready";
/// To reach a mount whose server is gone, and to see it stand.
const PATIENCE: Duration = Duration::from_secs(60);
const BETWEEN_ATTEMPTS: Duration = Duration::from_millis(500);

/// The second process. Dropped without [`Guardian::dismiss`], it stops the mount.
pub struct Guardian(Child);

impl Guardian {
    /// Starts it for a mount; it appends the commands that it sends to `log`.
    ///
    /// # Errors
    /// The program cannot be started a second time.
    pub fn start(mount: &Address, log: &Path) -> io::Result<Guardian> {
        let mut command = itself::command().ok_or(io::ErrorKind::NotFound)?;
        command
            .arg(SUBCOMMAND)
            .arg(mount.url())
            .arg("--log")
            .arg(log)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null());
        // Ctrl-C in a terminal reaches a whole group of processes, and this one must outlive it.
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        #[cfg(windows)]
        {
            /// `CREATE_NEW_PROCESS_GROUP` of the Windows API.
            const NEW_GROUP: u32 = 0x200;
            std::os::windows::process::CommandExt::creation_flags(&mut command, NEW_GROUP);
        }
        let mut child = command.spawn()?;
        // One that cannot start ends without a word.
        if let Some(mut says) = child.stdout.take() {
            says.read_exact(&mut [0; READY.len()])?;
        }
        Ok(Guardian(child))
    }

    /// One that is gone cannot be told; the first process goes on without it.
    fn tell(&mut self, word: u8) {
        if let Some(way) = &mut self.0.stdin {
            let _ = way.write_all(&[word]);
        }
    }

    /// The mount stands, or is as it should be: nothing is left to do.
    pub fn dismiss(mut self) {
        self.tell(DISMISSED);
        drop(self.0.stdin.take());
        let _ = self.0.wait();
    }
}

/// A mount whose slews are told to a guardian.
pub struct Guarded<M> {
    /// The mount.
    pub mount: M,
    /// The second process, where one could be started.
    pub guardian: Option<Guardian>,
}

impl<M> Guarded<M> {
    fn tell(&mut self, word: u8) {
        if let Some(guardian) = &mut self.guardian {
            guardian.tell(word);
        }
    }
}

impl<M: Mount> Mount for Guarded<M> {
    fn view(&mut self) -> Result<View, Fault> {
        self.mount.view()
    }

    fn track(&mut self) -> Result<(), Fault> {
        self.mount.track()
    }

    fn sync(&mut self, icrs_deg: [f64; 2]) -> Result<bool, Fault> {
        self.mount.sync(icrs_deg)
    }

    fn slew(
        &mut self,
        icrs_deg: [f64; 2],
        watch: &mut dyn FnMut(&View) -> Result<(), Fault>,
    ) -> Result<(), Fault> {
        self.tell(SLEWING);
        self.mount.slew(icrs_deg, watch)?;
        self.tell(RESTING);
        Ok(())
    }

    fn stop(&mut self) -> Result<(), Fault> {
        self.mount.stop()?;
        self.tell(RESTING);
        Ok(())
    }
}

/// What the second process does: says that it stands by, waits for the end of `input`, and stops the
/// mount if the first process did not dismiss it. Gives whether the mount is safe.
pub fn stand_by<M: Mount>(
    mut input: impl Read,
    mut output: impl Write,
    mut open: impl FnMut() -> Result<M, Fault>,
) -> bool {
    // A first process that is gone already shows in its input.
    let _ = output.write_all(READY).and_then(|()| output.flush());
    let last = last_byte(&mut input).unwrap_or(RESTING);
    if last == DISMISSED {
        return true;
    }
    let begin = Instant::now();
    loop {
        let stopped = open().and_then(|mut mount| {
            // One that stands without a slew of this run is left alone: somebody else may be using it.
            if last == SLEWING || mount.view()?.is_moving {
                mount.stop()?;
            }
            Ok(())
        });
        if stopped.is_ok() || begin.elapsed() > PATIENCE {
            return stopped.is_ok();
        }
        std::thread::sleep(BETWEEN_ATTEMPTS);
    }
}

/// The last byte before the end; a broken pipe is an end as well.
fn last_byte(input: &mut impl Read) -> Option<u8> {
    let (mut bytes, mut last) = ([0; 64], None);
    loop {
        match input.read(&mut bytes) {
            Ok(0) => return last,
            Ok(count) => last = bytes.get(count - 1).copied(),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(_) => return last,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::still::Still;
    use super::*;
    use std::cell::Cell;
    use std::rc::Rc;

    /// A mount that says whether it moves.
    fn told(is_moving: bool, stops: &Rc<Cell<u32>>) -> Still {
        Still {
            view: View {
                is_moving,
                ..View::default()
            },
            stops: Rc::clone(stops),
            ..Still::default()
        }
    }

    fn stops(said: &[u8], says_it_moves: bool) -> u32 {
        let stops = Rc::default();
        let open = || Ok(told(says_it_moves, &stops));
        assert!(stand_by(said, io::sink(), open));
        stops.get()
    }

    #[test]
    fn a_mount_is_stopped_where_its_slew_was_not_seen_to_end() {
        // A driver that reports late says for a moment that the mount stands.
        assert_eq!(stops(b"S", false), 1);
        assert_eq!(stops(b"SRS", false), 1);
        assert_eq!(stops(b"SR", true), 1);
        assert_eq!(stops(b"", true), 1);
        assert_eq!(stops(b"SR", false), 0);
        assert_eq!(stops(b"", false), 0);
        assert_eq!(stops(b"SRD", true), 0);
        let long = [SLEWING, RESTING].repeat(1000);
        assert_eq!(stops(&long, false), 0);
    }

    #[test]
    fn an_attempt_that_fails_is_made_again() {
        let (stops, attempts) = (Rc::default(), Cell::new(0));
        let open = || {
            attempts.set(attempts.get() + 1);
            match attempts.get() {
                1 => Err(Fault::Device("nobody answers".into())),
                _ => Ok(told(true, &stops)),
            }
        };
        assert!(stand_by(&b"S"[..], io::sink(), open));
        assert_eq!((attempts.get(), stops.get()), (2, 1));
    }
}
