//! This program, to be started once more: for work that must not take it down, and for what must
//! outlive it.

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::Command;
use std::sync::OnceLock;

/// The program, and what comes before the arguments that are meant for nightfix.
static PROGRAM: OnceLock<(PathBuf, Vec<OsString>)> = OnceLock::new();

/// Names the program; `leading` comes before its own arguments, where it is started by another, such
/// as an interpreter. The first call counts.
pub fn set_program(program: PathBuf, leading: Vec<OsString>) {
    let _ = PROGRAM.set((program, leading));
}

/// Names the program that runs, where the system can tell which that is.
pub fn set_to_running_program() {
    if let Ok(program) = std::env::current_exe() {
        set_program(program, Vec::new());
    }
}

/// A command that starts the program; `None` where none was named.
pub fn command() -> Option<Command> {
    let (program, leading) = PROGRAM.get()?;
    let mut command = Command::new(program);
    command.args(leading);
    Some(command)
}
