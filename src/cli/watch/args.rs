//! Options of `nightfix watch`.

use crate::aim::parse_aim;
use crate::angle::ParsedPosition;
use crate::cli::folder::FolderArgs;
use crate::cli::ground::GroundArgs;
use crate::cli::known::{KnownArgs, positive, seconds};
use crate::indi::Address;
use clap::Args;
use std::path::PathBuf;
use std::time::Duration;

/// Solve the frames of a folder as they come, and sound an alarm where the mount goes astray.
///
/// Frames that are there already are solved first, those of an earlier run are known from the
/// journal. Then every frame is solved as soon as it is written completely, on network drives
/// too, and before what is left of the older ones. A file that cannot be read is tried again for
/// a minute, ever less often, then left alone until it changes. Ctrl-C, SIGTERM or closing the
/// terminal ends the watch with a summary.
#[derive(Debug, Args)]
#[command(after_long_help = HELP)]
pub struct WatchArgs {
    #[command(flatten)]
    pub folder: FolderArgs,

    /// Where the mount should point, J2000: each line names the move that brings it there
    ///
    /// Written as for --at. Without this option errors count from the commanded position.
    #[arg(long, value_name = "RA DEC|NAME", value_parser = parse_aim, allow_hyphen_values = true)]
    pub target: Option<ParsedPosition>,

    /// Sound an alarm where a frame is farther off than this: from --target, or else from where its
    /// header says that the mount was told to point
    #[arg(long, value_name = "ARCMIN", value_parser = positive)]
    pub alarm: Option<f64>,

    /// Align the polar axis as frames come: turn the RA axis between frames, then the screws
    ///
    /// From two new frames between which only the RA axis turned (by 30 degrees or more) the error
    /// of the axis is said, as nightfix polar does. Then turn the screws, and leave the RA axis
    /// alone: each further frame says what is left. With --json that is an object of its own, on a
    /// line after that of the frame.
    #[arg(long)]
    pub polar: bool,

    #[command(flatten)]
    pub ground: GroundArgs,

    /// Tell the mount on this INDI server how far each new solved frame shows it to be off
    ///
    /// Nothing moves. Frames are passed over that were taken before the mount was last slewed or
    /// synced, as their headers say.
    #[arg(long, value_name = "indi://HOST:PORT/DEVICE")]
    pub mount: Option<Address>,

    /// With --mount: sync it to each new solved frame; it is not slewed
    #[arg(long, requires = "mount")]
    pub sync_only: bool,

    /// With --mount: append every command that is sent to this file, with its time
    #[arg(long, value_name = "FILE", default_value = "nightfix-commands.log")]
    pub log: PathBuf,

    /// Look at the folder this often, at least
    #[arg(long, value_name = "S", value_parser = seconds, default_value = "2")]
    pub every: Duration,

    /// Print one JSON object per frame, one per line; the summary goes to standard error
    #[arg(long)]
    pub json: bool,

    #[command(flatten)]
    pub known: KnownArgs,
}

/// What is special about the exit status of a watch.
const HELP: &str = "\
Alarms:
  A frame farther off than --alarm, one with hardly any of the usual stars, or one without a
  position after others had one: its line begins with ALARM, the terminal's bell rings, and the
  key night.alarm of --json says why. Frames that were there before the watch began ring no bell.

Exit status:
   0  ended by Ctrl-C, SIGTERM or a closed terminal, and the last frame raised no alarm
   1  ended so, and the last frame raised an alarm
  64  the command line makes no sense
  66  the folder cannot be read
  69  a star-index cannot be used
  70  a fault of nightfix itself
  73  the journal, or another file, could not be written
 130  ended at once, by a second Ctrl-C, or since nobody reads the lines any more and neither
      --write-wcs, --table nor --report was given";
