//! Options of `nightfix sky`.

use clap::Args;
use std::path::PathBuf;

/// List the star-indexes that frames are compared with: coverage, depth, size, soundness.
///
/// The one in the program, and those of --index; without any, those of NIGHTFIX_INDEX; without
/// that, every .nfsky file in the data folder.
#[derive(Debug, Args)]
#[command(after_long_help = HELP)]
pub struct SkyArgs {
    /// A star-index besides the one in the program; may be repeated
    #[arg(long, value_name = "FILE")]
    pub index: Vec<PathBuf>,

    /// Verify every byte of every star-index
    #[arg(long)]
    pub check: bool,

    /// Print one JSON object per star-index, one per line, instead of text
    #[arg(long)]
    pub json: bool,
}

const HELP: &str = "\
Exit status:
   0  every star-index can be used
  64  the command line makes no sense
  69  a star-index cannot be used
  70  a fault of nightfix itself";
