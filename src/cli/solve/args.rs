//! Options of `nightfix solve`: names, help, and checks that need no file.

use crate::cli::known::KnownArgs;
use crate::cli::status;
use clap::Args;
use clap::builder::{PathBufValueParser, TypedValueParser};
use std::path::PathBuf;

/// Say where frames point: centre, scale, rotation, and how sure that is.
///
/// Nothing needs to be known beforehand: without a position the whole sky is searched. What is
/// known makes it faster. A claim of the command line or of the frame's header is where the
/// search begins, never where it ends.
#[derive(Debug, Args)]
#[command(after_long_help = status::HELP)]
pub struct SolveArgs {
    /// The frames: FITS (.fz, .gz and .bz2 too), TIFF, PNG, JPEG, WebP, camera raw
    ///
    /// A name is taken literally, whatever characters it holds. Put -- before a name that begins
    /// with a dash. Several frames are solved one after another, in the order given.
    #[arg(value_name = "FRAME", required = true)]
    pub frames: Vec<PathBuf>,

    #[command(flatten)]
    pub known: KnownArgs,

    /// Print one JSON object per frame, one per line, instead of text
    #[arg(long)]
    pub json: bool,

    /// Say on standard error which star-indexes are asked, and which one answers
    #[arg(long)]
    pub verbose: bool,

    /// Draw stars, grid and commanded position over the frame: .png or .jpg
    #[arg(long, value_name = "FILE", value_parser = PathBufValueParser::new().try_map(picture))]
    pub overlay: Option<PathBuf>,

    /// Draw what was not taken for a star, and why, over the frame: .png or .jpg
    #[arg(long, value_name = "FILE", value_parser = PathBufValueParser::new().try_map(picture))]
    pub refusals: Option<PathBuf>,

    /// Write the position as WCS keywords into the FITS header
    ///
    /// Formats without such a header get a file FRAME.pointing.fits beside them.
    #[arg(long)]
    pub write_wcs: bool,
}

fn picture(path: PathBuf) -> Result<PathBuf, String> {
    let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    match extension.as_deref() {
        Some("png" | "jpg" | "jpeg") => Ok(path),
        _ => Err("the picture is PNG or JPEG: end its name in .png or .jpg".into()),
    }
}
