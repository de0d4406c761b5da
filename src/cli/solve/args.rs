//! Options of `nightfix solve`: names, help, and checks that need no file.

use crate::aim::parse_aim;
use crate::angle::ParsedPosition;
use crate::cli::known::{KnownArgs, picture};
use crate::cli::status;
use crate::guide::MagnitudeRange;
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

    /// Say where this place lies: in the frame or not, how far, which way, J2000
    ///
    /// Written as for --at. Given beside it: what to sync the mount to, in both equinoxes.
    #[arg(long, value_name = "RA DEC|NAME", value_parser = parse_aim, allow_hyphen_values = true)]
    pub target: Option<ParsedPosition>,

    /// Name the nearest star to focus on, of these magnitudes [default: 3..6]
    ///
    /// No double stars; where time and site are known, none lower than 30 degrees and none near the
    /// Sun. Names are known to magnitude 6.5.
    #[arg(long, value_name = "BRIGHTEST..FAINTEST", num_args = 0..=1, require_equals = true,
          default_missing_value = "3..6", allow_hyphen_values = true)]
    pub focus_star: Option<MagnitudeRange>,

    /// Say how to move and turn the camera to repeat the framing of this earlier frame
    ///
    /// It is solved first, by what its own header says.
    #[arg(long, value_name = "EARLIER")]
    pub repeat: Option<PathBuf>,

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
