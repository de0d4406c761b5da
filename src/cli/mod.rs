//! The command line: one file per subcommand.

/// Runs the command line of this process.
pub fn run() -> std::process::ExitCode {
    std::process::ExitCode::from(70)
}
