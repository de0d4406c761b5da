//! A second process that stops the mount where this one is killed before it can.

use super::{Fault, IndiMount, Journal, Mount, Stop};
use crate::indi::Address;
use crate::itself;
use std::io::{self, Read, Write};
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

/// The hidden subcommand that the second process runs: [`stand_by`].
pub const SUBCOMMAND: &str = "stand-by";
/// Says that the mount needs no stopping. Without it, an end of standard input means that the first
/// process died.
const DISMISSED: &[u8] = b"dismissed";
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

    /// The mount stands, or is as it should be: nothing is left to do.
    pub fn dismiss(mut self) {
        if let Some(mut way) = self.0.stdin.take() {
            // A guardian that is gone cannot be told.
            let _ = way.write_all(DISMISSED);
        }
        let _ = self.0.wait();
    }
}

/// What the second process does: says that it stands by, waits for the end of `input`, and stops the
/// mount if that came without a word. Gives whether the mount is safe.
pub fn stand_by(
    mut input: impl Read,
    mut output: impl Write,
    mount: &Address,
    journal: &Journal,
) -> bool {
    // A first process that is gone already shows in its input.
    let _ = output.write_all(READY).and_then(|()| output.flush());
    let mut said = Vec::new();
    // A broken pipe is an end as well.
    let _ = input.by_ref().take(64).read_to_end(&mut said);
    if said == DISMISSED {
        return true;
    }
    let begin = Instant::now();
    loop {
        let stopped = IndiMount::open(mount, journal.clone(), Stop::default())
            .and_then(|mut mount| stop_motion(&mut mount));
        if stopped.is_ok() || begin.elapsed() > PATIENCE {
            return stopped.is_ok();
        }
        std::thread::sleep(BETWEEN_ATTEMPTS);
    }
}

/// A mount that stands already is left alone: somebody else may be using it by now.
fn stop_motion(mount: &mut IndiMount) -> Result<(), Fault> {
    if mount.view()?.is_moving {
        mount.stop()?;
    }
    Ok(())
}
