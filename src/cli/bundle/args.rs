//! Options of `nightfix bundle`.

use crate::cli::known::KnownArgs;
use crate::cli::status;
use clap::Args;
use std::path::PathBuf;

/// Gather what a report about a frame needs, without pixels, names and places.
///
/// Solves the frame once more and writes one zip file: the version of the program, the header
/// without site, people and equipment, the stars that were found and what was not taken for one, the
/// result, and how the search went. Look through it before you hand it on.
#[derive(Debug, Args)]
#[command(after_long_help = status::HELP)]
pub struct BundleArgs {
    /// The frame
    #[arg(value_name = "FRAME")]
    pub frame: PathBuf,

    /// Where to write it [default: the frame's name with .bundle.zip, in this folder]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,

    /// Put the pixels in too, as FITS without a header
    #[arg(long)]
    pub with_pixels: bool,

    #[command(flatten)]
    pub known: KnownArgs,
}
