//! The `nightfix` command: parses, runs, turns the outcome into an exit status.

use std::process::ExitCode;

fn main() -> ExitCode {
    #[cfg(feature = "camera-raw")]
    if let Some(code) = nightfix::frame::isolated::maybe_run_child() {
        return code;
    }
    nightfix::cli::run()
}
