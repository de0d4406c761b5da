//! Options of `nightfix centre`.

use crate::aim::parse_aim;
use crate::angle::ParsedPosition;
use crate::cli::known::{EquinoxOption, positive, seconds};
use crate::frame::Site;
use crate::indi::Address;
use clap::Args;
use std::path::PathBuf;
use std::time::Duration;

/// Bring a target into the middle: expose, solve, sync, slew, and look again.
///
/// THIS MOVES A REAL TELESCOPE. Make sure that people, cables and the sky (above all the Sun) are
/// clear of it, as your local rules and the mount's own documentation require; be able to switch it
/// off. Nothing moves without --move, and nothing is synced without --sync: without them the
/// command looks once and says what it would do. Ctrl-C, SIGTERM, a lost connection and a frame
/// without a solution abort all motion, and the mount is watched until it stands. A second process
/// does the same where this one is killed. Neither can help against a computer without power or a
/// network that is down: stay within reach.
///
/// The first frame is taken where the mount stands, and solved whatever the mount believes.
#[derive(Debug, Args)]
#[command(after_long_help = HELP)]
pub struct CentreArgs {
    /// Position or name of a deep-sky object, written as for `nightfix solve --at`
    #[arg(value_name = "TARGET", value_parser = parse_aim, allow_hyphen_values = true)]
    pub target: ParsedPosition,

    /// What the numbers of TARGET count from; names are J2000
    #[arg(long, value_name = "EQUINOX", default_value = "j2000")]
    pub equinox: EquinoxOption,

    /// The mount
    #[arg(long, value_name = "indi://HOST:PORT/DEVICE")]
    pub mount: Address,

    /// The camera
    #[arg(
        long,
        value_name = "indi://HOST:PORT/DEVICE",
        required_unless_present = "frames",
        conflicts_with = "frames"
    )]
    pub camera: Option<Address>,

    /// Instead of a camera: the folder that another program writes the exposures to
    #[arg(long, value_name = "FOLDER")]
    pub frames: Option<PathBuf>,

    /// Exposure
    #[arg(long, value_name = "S", value_parser = positive, default_value = "3")]
    pub exposure: f64,

    /// Wait no longer than this for a frame in --frames
    #[arg(long, value_name = "S", value_parser = seconds, default_value = "300")]
    pub patience: Duration,

    /// Move the mount
    #[arg(long = "move")]
    pub may_move: bool,

    /// Sync the mount to what the frames show
    #[arg(long)]
    pub sync: bool,

    /// Slew before the first frame, by what the mount believes
    #[arg(long, requires = "may_move")]
    pub slew_first: bool,

    /// Centred within this [default: 2 % of the field's narrower side]
    #[arg(long, value_name = "ARCMIN", value_parser = positive)]
    pub within_arcmin: Option<f64>,

    /// Slews at most
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u32).range(1..=50))]
    pub tries: u32,

    /// Never slew lower than this
    #[arg(long, value_name = "DEG", default_value_t = 15.0, value_parser = altitude)]
    pub min_altitude: f64,

    /// From one side of the meridian to the other no farther than this beyond it (hour angle)
    #[arg(long, value_name = "DEG", value_parser = positive)]
    pub meridian_limit: Option<f64>,

    /// All slews of this run together
    #[arg(long, value_name = "DEG", default_value_t = 240.0, value_parser = positive)]
    pub most_motion: f64,

    /// Latitude and longitude (to the east), degrees, where the mount has no site or a wrong one
    #[arg(long, value_name = "LAT LONG", value_parser = site, allow_hyphen_values = true)]
    pub site: Option<Site>,

    /// Wait after each slew for the mount to come to rest
    #[arg(long, value_name = "S", value_parser = seconds, default_value = "2")]
    pub settle: Duration,

    /// Pixel scale, if it is known
    #[arg(long, value_name = "ARCSEC_PER_PX", value_parser = positive)]
    pub scale: Option<f64>,

    /// A star-index besides the one in the program; may be repeated
    #[arg(long, value_name = "FILE")]
    pub index: Vec<PathBuf>,

    /// Give up on a frame after this long
    #[arg(long, value_name = "S", value_parser = seconds, default_value = "60")]
    pub time_limit: Duration,

    /// Print what came of it as one line of JSON; the steps go to standard error
    #[arg(long)]
    pub json: bool,

    /// Append every command that is sent to this file, with its time
    #[arg(long, value_name = "FILE", default_value = "nightfix-commands.log")]
    pub log: PathBuf,
}

fn altitude(text: &str) -> Result<f64, String> {
    let value: f64 = text.trim().parse().map_err(|_| "a number is needed here")?;
    let good = (0.0..90.0).contains(&value);
    good.then_some(value)
        .ok_or_else(|| "an altitude from 0 to 90 degrees is needed here".into())
}

fn site(text: &str) -> Result<Site, String> {
    let numbers: Vec<f64> = text
        .split_whitespace()
        .filter_map(|word| word.parse().ok())
        .collect();
    match numbers[..] {
        [latitude_deg, longitude_deg]
            if latitude_deg.abs() <= 90.0 && longitude_deg.abs() <= 360.0 =>
        {
            Ok(Site {
                longitude_deg: (longitude_deg + 180.0).rem_euclid(360.0) - 180.0,
                latitude_deg,
            })
        }
        _ => Err("write latitude and longitude in degrees, as \"48.1 11.6\"".into()),
    }
}

/// Options of the second process that stops the mount where the first is killed.
#[derive(Debug, Args)]
pub struct StandByArgs {
    /// The mount
    pub mount: Address,

    /// Append every command that is sent to this file
    #[arg(long, value_name = "FILE")]
    pub log: PathBuf,
}

const HELP: &str = "\
Exit status:
   0  centred
   1  not centred: a frame has no solution, the tries are used up, the error does not shrink, or
      nothing may move; the mount was stopped
  64  the command line makes no sense
  69  a star-index cannot be used
  70  a fault of nightfix itself
  73  the log of commands cannot be written
  76  a fault of mount, camera or server; the mount was stopped as far as it can be reached
  77  a rule forbids the motion: horizon, Sun, meridian, sum of slews
 130  asked to end (Ctrl-C, SIGTERM); the mount was stopped";
