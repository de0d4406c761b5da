//! Options of `nightfix polar`.

use crate::cli::ground::GroundArgs;
use crate::cli::known::{KnownArgs, picture};
use crate::cli::status;
use clap::Args;
use clap::builder::{PathBufValueParser, TypedValueParser};
use std::path::PathBuf;

/// Say how far the polar axis of a mount is off, and which screw to turn.
///
/// Take two frames or more, and between them turn the RA axis alone, by 30 degrees or more in all;
/// tracking may be on or off. A third frame checks that nothing else moved. Times come from the
/// headers. Then turn the screws, take another frame without moving the RA axis, and give it with
/// --adjusted.
#[derive(Debug, Args)]
#[command(after_long_help = status::HELP)]
pub struct PolarArgs {
    /// The frames, two or more
    #[arg(value_name = "FRAME", required = true)]
    pub frames: Vec<PathBuf>,

    /// A frame taken after the screws were turned: what is left is said
    #[arg(long, value_name = "FRAME")]
    pub adjusted: Option<PathBuf>,

    #[command(flatten)]
    pub ground: GroundArgs,

    /// Draw axis, pole, the turns of the screws and the fields of the frames: .png or .jpg
    #[arg(long, value_name = "FILE", value_parser = PathBufValueParser::new().try_map(picture))]
    pub picture: Option<PathBuf>,

    /// Print one JSON object instead of text
    #[arg(long)]
    pub json: bool,

    #[command(flatten)]
    pub known: KnownArgs,
}
