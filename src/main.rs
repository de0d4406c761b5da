//! The `nightfix` command: parses, runs, turns the outcome into an exit status.

use std::process::ExitCode;

fn main() -> ExitCode {
    nightfix::cli::run()
}
