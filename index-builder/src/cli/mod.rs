//! The `index-builder` command: catalogues in, one star-index out.

mod build;
mod deep;
mod depth;
mod fetch;
mod merge;
mod position;
mod progress;
mod region;
mod report;
mod service;
mod synthesize;

use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Exit statuses, numbered as in BSD sysexits.
const USAGE: u8 = 64;
const DAMAGED: u8 = 65;
const NOT_READABLE: u8 = 66;
const UNAVAILABLE: u8 = 69;
const CANNOT_WRITE: u8 = 74;

/// Turns star catalogues into star-indexes for nightfix.
#[derive(Debug, Parser)]
#[command(
    version,
    after_help = "Exit status: 0 done, 64 usage, 65 damaged or unsuitable \
    catalogue, 66 catalogue not readable, 69 catalogue service refuses or fails, 74 star-index cannot be written."
)]
struct Options {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Build a star-index from catalogue files
    Build(Box<build::BuildOptions>),
    /// Fetch the stars of a region from a catalogue service
    Fetch(Box<fetch::FetchOptions>),
    /// Make one star-index of several
    Merge(merge::MergeOptions),
    /// Say how deep a catalogue must go for fields of some widths
    Depth(depth::DepthOptions),
    /// Write a made-up deep sky, for tests and measurements
    Synthesize(synthesize::SynthesizeOptions),
}

/// An error together with the exit status that it ends in.
struct Failure {
    status: u8,
    error: anyhow::Error,
}

impl Failure {
    fn new(status: u8, error: impl Into<anyhow::Error>) -> Failure {
        Failure {
            status,
            error: error.into(),
        }
    }
}

/// Says why a command line, without the name of the program, makes no sense.
///
/// # Errors
///
/// What the program would say.
pub fn understand<S: Into<std::ffi::OsString> + Clone>(
    arguments: impl IntoIterator<Item = S>,
) -> Result<(), String> {
    let name = std::iter::once(std::ffi::OsString::from("index-builder"));
    let all = name.chain(arguments.into_iter().map(Into::into));
    let parsed = Options::try_parse_from(all);
    parsed.map(drop).map_err(|error| error.to_string())
}

/// Runs the command line of this process.
pub fn run() -> ExitCode {
    let options = match Options::try_parse() {
        Ok(options) => options,
        Err(error) => {
            // A closed pipe is no reason to fail.
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { USAGE } else { 0 });
        }
    };
    let done = match options.command {
        Command::Build(options) => build::run(&options),
        Command::Fetch(options) => fetch::run(&options),
        Command::Merge(options) => merge::run(&options),
        Command::Depth(options) => depth::run(&options),
        Command::Synthesize(options) => synthesize::run(&options),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("index-builder: {:#}", failure.error);
            ExitCode::from(failure.status)
        }
    }
}

/// Prints a result.
fn print(text: &str) -> Result<(), Failure> {
    use std::io::Write as _;
    match std::io::stdout().lock().write_all(text.as_bytes()) {
        // Whoever reads the report may stop early; the work is done.
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure::new(
            CANNOT_WRITE,
            anyhow::anyhow!(error).context("standard output: cannot be written"),
        )),
        _ => Ok(()),
    }
}
