//! The `nightfix` command: parses, runs, turns the outcome into an exit status.

use std::process::ExitCode;

fn main() -> ExitCode {
    nightfix::itself::set_to_running_program();
    #[cfg(feature = "camera-raw")]
    if let Some(code) = nightfix::frame::isolated::maybe_run_child() {
        return code;
    }
    nightfix::cli::run()
}
