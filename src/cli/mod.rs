//! The command line: parse, check, run, turn the outcome into an exit status.
//!
//! One folder per subcommand. Nothing here computes; everything is called from the library.

mod about;
mod bundle;
mod centre;
mod ember;
mod folder;
mod ground;
pub mod index;
mod known;
mod manual;
mod night;
mod night_report;
mod output;
mod polar;
mod serve;
mod sky;
mod solve;
mod status;
mod stop;
mod watch;

use crate::guard;
use clap::{Parser, Subcommand};
use std::ffi::OsString;
use std::process::ExitCode;

pub use status::Status;

/// Finds where a camera points from one exposure of the night sky.
#[derive(Debug, Parser)]
#[command(name = "nightfix", disable_version_flag = true, styles = ember::STYLES)]
#[command(after_long_help = status::HELP)]
struct Cli {
    /// Print the version
    #[arg(short = 'V', long)]
    version: bool,

    /// With --version: the system, the star-indexes and the data folder too
    #[arg(long, requires = "version")]
    verbose: bool,

    /// Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)
    #[arg(long, global = true)]
    ember: bool,

    #[command(subcommand)]
    command: Option<Command>,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Say where frames point: centre, scale, rotation, and how sure that is
    Solve(Box<solve::SolveArgs>),
    /// Say where every frame of a folder points, and what the night was like
    Night(Box<night::NightArgs>),
    /// Solve the frames of a folder as they come, and sound an alarm where the mount goes astray
    Watch(Box<watch::WatchArgs>),
    /// Say how far the polar axis of a mount is off, and which screw to turn
    Polar(Box<polar::PolarArgs>),
    /// Answer requests of other programs, one JSON object per line, for as long as they like
    Serve(Box<serve::ServeArgs>),
    /// Bring a target into the middle of the field, with a mount on an INDI server
    Centre(Box<centre::CentreArgs>),
    /// Stop a mount where the process that moves it is killed
    #[command(name = crate::centre::guardian::SUBCOMMAND, hide = true)]
    StandBy(centre::StandByArgs),
    /// List the star-indexes: coverage, depth, size, and whether they are sound
    Sky(sky::SkyArgs),
    /// Write man pages and shell completions into a folder
    #[command(hide = true)]
    Manual(manual::ManualArgs),
    /// Gather what a report about a frame needs, without pixels, names and places
    Bundle(Box<bundle::BundleArgs>),
}

impl Command {
    fn run(&self) -> Status {
        match self {
            Command::Solve(args) => solve::run(args),
            Command::Night(args) => night::run(args),
            Command::Watch(args) => watch::run(args),
            Command::Polar(args) => polar::run(args),
            Command::Serve(args) => serve::run(args),
            Command::Centre(args) => centre::run(args),
            Command::StandBy(args) => centre::stand_by(args),
            Command::Sky(args) => sky::run(args),
            Command::Manual(args) => manual::run(args),
            Command::Bundle(args) => bundle::run(args),
        }
    }
}

/// Runs the command line of this process.
pub fn run() -> ExitCode {
    run_as(std::env::args_os()).into()
}

/// Runs a command line, the program's name first.
pub fn run_as(arguments: impl IntoIterator<Item = OsString>) -> Status {
    guard::install();
    let status = guard::run(|| match Cli::try_parse_from(arguments) {
        Ok(cli) => {
            ember::choose(cli.ember);
            match &cli.command {
                _ if cli.version => about::print(cli.verbose),
                Some(command) => command.run(),
                None => about::first_run(),
            }
        }
        Err(refusal) => refuse(&refusal),
    });
    status.unwrap_or_else(|fault| {
        complain(&fault);
        Status::Internal
    })
}

/// Prints help or a usage error. Help that was asked for is no error, even into a closed pipe.
fn refuse(refusal: &clap::Error) -> Status {
    let _ = refusal.print();
    if refusal.use_stderr() {
        Status::Usage
    } else {
        Status::Solved
    }
}

/// One line on standard error. If even that is closed there is nobody left to tell.
fn complain(message: &str) {
    let _ = ember::stderr(&format!("nightfix: {message}\n"));
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;
    use std::collections::HashSet;

    /// Arguments that several commands share are written once, and must not meet others of their name.
    #[test]
    fn no_command_has_two_arguments_of_one_name() {
        for command in Cli::command().get_subcommands() {
            let (mut ids, mut longs) = (HashSet::new(), HashSet::new());
            for argument in command.get_arguments() {
                let name = argument.get_id();
                assert!(ids.insert(name.clone()), "{}: {name}", command.get_name());
                if let Some(long) = argument.get_long() {
                    assert!(longs.insert(long), "{}: --{long}", command.get_name());
                }
            }
        }
    }
}
