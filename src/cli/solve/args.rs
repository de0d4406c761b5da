//! Options of `nightfix solve`: names, help, and checks that need no file.

use crate::angle::{ParsedPosition, parse_position};
use crate::cli::status;
use crate::report::Equinox;
use clap::{Args, ValueEnum};
use std::path::PathBuf;
use std::time::Duration;

/// What `--equinox` takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum EquinoxOption {
    /// ICRS, J2000: as in catalogues and atlases
    J2000,
    /// True equator and equinox of the frame's time: as many mounts count
    Date,
}

impl From<EquinoxOption> for Equinox {
    fn from(option: EquinoxOption) -> Equinox {
        match option {
            EquinoxOption::J2000 => Equinox::J2000,
            EquinoxOption::Date => Equinox::Date,
        }
    }
}

/// Say where frames point: centre, scale, rotation, and how sure that is.
///
/// Nothing needs to be known beforehand: without a position the whole sky is searched. What is
/// known makes it faster. A claim of the command line or of the frame's header is where the
/// search begins, never where it ends.
#[derive(Debug, Args)]
#[command(after_long_help = status::HELP)]
pub struct SolveArgs {
    /// The frames: FITS (.fz and .gz too), TIFF, PNG, JPEG, camera raw
    ///
    /// A name is taken literally, whatever characters it holds. Put -- before a name that begins
    /// with a dash. Several frames are solved one after another, in the order given.
    #[arg(value_name = "FRAME", required = true)]
    pub frames: Vec<PathBuf>,

    /// Where the mount was told to point: the search begins there
    ///
    /// Sexagesimal means hours and degrees: "05h34m31.9s +22d00m52s", "5:34:31.9 +22:00:52",
    /// "05 34 31.9 +22 00 52". Two plain numbers mean degrees: "83.633 22.0145". Without this
    /// option a position in the frame's header is used.
    #[arg(long, value_name = "RA DEC", value_parser = parse_position, allow_hyphen_values = true)]
    pub at: Option<ParsedPosition>,

    /// What the commanded position counts from [default: j2000]
    ///
    /// J2000 and of date differ by up to 22 arcmin (2026). Also says how to read a header position
    /// that does not name its equinox. 'date' is the frame's own mid-exposure.
    #[arg(long, value_name = "EQUINOX")]
    pub equinox: Option<EquinoxOption>,

    /// Search no farther than this from the commanded position
    #[arg(long, value_name = "DEG", value_parser = within)]
    pub within: Option<f64>,

    /// Focal length; with the pixel size it gives the scale
    #[arg(long, value_name = "MM", value_parser = positive)]
    pub focal_length: Option<f64>,

    /// Size of a pixel of the file, binning included
    #[arg(long, value_name = "UM", value_parser = positive)]
    pub pixel_size: Option<f64>,

    /// Pixel scale, if it is known directly
    #[arg(long, value_name = "ARCSEC_PER_PX", value_parser = positive)]
    pub scale: Option<f64>,

    /// Take nothing from the frame's metadata: no position, scale, date or site
    #[arg(long)]
    pub ignore_header: bool,

    /// A star-index besides the one in the program; may be repeated
    ///
    /// Without this option the files named by NIGHTFIX_INDEX are used (separated as in PATH),
    /// and without that every .nfsky file in the data folder.
    #[arg(long, value_name = "FILE")]
    pub index: Vec<PathBuf>,

    /// Give up on a frame after this long
    #[arg(long, value_name = "S", value_parser = seconds)]
    pub time_limit: Option<Duration>,

    /// Use this many threads [default: all cores]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,

    /// Print one JSON object per frame, one per line, instead of text
    #[arg(long)]
    pub json: bool,

    /// Draw stars, grid and commanded position over the frame: .png or .jpg
    #[arg(long, value_name = "FILE", value_parser = picture)]
    pub overlay: Option<PathBuf>,

    /// Write the position as WCS keywords into the FITS header
    ///
    /// Formats without such a header get a file FRAME.pointing.fits beside them.
    #[arg(long)]
    pub write_wcs: bool,
}

fn number(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err("a number is needed here, with a point for the decimals".into()),
    }
}

fn positive(text: &str) -> Result<f64, String> {
    match number(text)? {
        value if value > 0.0 => Ok(value),
        _ => Err("a number above 0 is needed here".into()),
    }
}

fn within(text: &str) -> Result<f64, String> {
    match positive(text)? {
        value if value <= 180.0 => Ok(value),
        _ => Err("180 degrees is the whole sky; leave the option out to search it all".into()),
    }
}

fn seconds(text: &str) -> Result<Duration, String> {
    Duration::try_from_secs_f64(positive(text)?).map_err(|_| "that is longer than time".into())
}

fn picture(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    match extension.as_deref() {
        Some("png" | "jpg" | "jpeg") => Ok(path),
        _ => Err("the picture is PNG or JPEG: end its name in .png or .jpg".into()),
    }
}
