//! Options of `nightfix night`.

use crate::cli::folder::FolderArgs;
use crate::cli::known::KnownArgs;
use crate::cli::status;
use clap::Args;

/// Say where every frame of a folder points, and what the night was like.
///
/// Frames are solved in parallel, each with its neighbours' positions as the first guess. Results
/// are kept in a journal in the folder: run the same command again after a crash, or when more
/// frames have come, and only what is new or changed is solved. Darks, flats and bias frames are
/// recognised, counted and left alone.
#[derive(Debug, Args)]
#[command(after_long_help = status::HELP)]
pub struct NightArgs {
    #[command(flatten)]
    pub folder: FolderArgs,

    /// Print one line per frame
    #[arg(long, conflicts_with = "json")]
    pub lines: bool,

    /// Print one JSON object per frame, one per line; the summary goes to standard error
    #[arg(long)]
    pub json: bool,

    #[command(flatten)]
    pub known: KnownArgs,
}
