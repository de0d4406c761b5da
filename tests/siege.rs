//! The program itself under siege: files of every format damaged in every way, and small files that
//! claim to be large, each read under a limit on memory. Whatever they hold, the program ends with
//! one of its documented statuses, by itself.
//!
//! On Linux only: elsewhere systems do not keep to a limit on address space.
#![cfg(target_os = "linux")]

#[path = "support/bombs.rs"]
mod bombs;
#[path = "support/cfitsio.rs"]
mod cfitsio;
#[path = "support/dng.rs"]
mod dng;
#[path = "support/formats.rs"]
mod formats;
#[path = "support/mutate.rs"]
mod mutate;
mod run;
mod support;

use bombs::bombs;
use formats::{Way, formats};
use mutate::{Mutator, sign_png};
use run::stderr;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::{Duration, Instant};
use support::{gzip, put};

/// Address space of the program at rest: itself with the star-index inside, libraries, one stack.
const AT_REST: usize = 200 << 20;

/// What a file of at most 10 MB may take beyond that and its honest size.
const BEYOND: usize = 400_000_000;

/// Longest time that a file may take, a busy machine included.
const LIMIT: Duration = Duration::from_secs(60);

/// The statuses that the help lists, but for a fault of the program itself (70), a wrong command
/// line (64) and what has nothing to do with frames (69, 73, 130).
const STATUSES: [i32; 5] = [0, 1, 65, 66, 75];

/// Runs the program under a limit of `bytes` of address space.
fn limited<S: AsRef<OsStr>>(bytes: usize, arguments: impl IntoIterator<Item = S>) -> Output {
    let program = run::nightfix();
    let mut shell = Command::new("sh");
    shell
        .args(["-c", "ulimit -v \"$0\" && exec \"$@\""])
        .arg((bytes >> 10).to_string())
        .arg(program.get_program())
        .args(arguments);
    for (name, value) in program.get_envs() {
        match value {
            Some(value) => shell.env(name, value),
            None => shell.env_remove(name),
        };
    }
    shell.output().expect("a shell starts")
}

/// What is wrong with how the program ended, if anything.
fn complaint(output: &Output, time: Duration) -> Option<String> {
    let known = output.status.code().is_some_and(|s| STATUSES.contains(&s));
    if known && time < LIMIT {
        return None;
    }
    let said = stderr(output);
    let last = said.lines().last().unwrap_or_default();
    Some(format!("{} after {time:.1?}: {last}", output.status))
}

/// Solves the files together; what is wrong with how that ended.
fn besiege(paths: &[PathBuf], honest: usize) -> Option<String> {
    let mut arguments = vec!["solve".into(), "--threads".into(), "1".into()];
    arguments.extend(paths.iter().map(|p| p.clone().into_os_string()));
    let begin = Instant::now();
    let output = limited(AT_REST + BEYOND + honest, arguments);
    complaint(&output, begin.elapsed())
}

#[test]
fn no_small_file_takes_more_than_its_share_of_memory() {
    let folder = support::folder();
    let mut wrong = Vec::new();
    for bomb in bombs() {
        assert!(bomb.bytes.len() < 10_000_000, "{}", bomb.name);
        let path = put(folder.path(), bomb.name, &bomb.bytes);
        if let Some(what) = besiege(&[path.clone()], bomb.honest) {
            eprintln!("{}: {what}", bomb.name);
            wrong.push(format!("{}: {what}", bomb.name));
        }
        std::fs::remove_file(path).expect("just written");
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
