//! Options of `nightfix serve`.

use crate::cli::known::KnownArgs;
use clap::Args;
use std::path::PathBuf;

/// Answer requests of other programs, one JSON object per line, for as long as they like.
///
/// Requests come on standard input, and answers go to standard output in the order in which they
/// are done; the end of input ends it, when the last answer is out. With --port or --socket callers
/// of this computer connect instead, any number, and Ctrl-C or SIGTERM ends it.
#[derive(Debug, Args)]
#[command(after_long_help = HELP)]
pub struct ServeArgs {
    /// Listen on this TCP port of the loopback interface (127.0.0.1); 0 takes any that is free
    ///
    /// Every user of this computer can connect: use --token-file, or --socket.
    #[arg(long, value_name = "PORT", conflicts_with = "socket")]
    pub port: Option<u16>,

    /// Listen on a Unix socket at this path, for its owner alone
    #[arg(long, value_name = "FILE")]
    pub socket: Option<PathBuf>,

    /// Take callers only whose first line is {"token": "..."} with the text of this file
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,

    /// Work on this many requests at once [default: as many as threads]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub workers: Option<u16>,

    /// The largest frame that is taken in a request itself, bytes
    #[arg(long, value_name = "BYTES", default_value_t = 256 << 20,
          value_parser = clap::value_parser!(u64).range(1..=4 << 30))]
    pub most_bytes: u64,

    #[command(flatten)]
    pub known: KnownArgs,
}

const HELP: &str = r#"Requests, one per line:
  {"id": 1, "file": "/night/0001.fits", "at": "M 81"}
  {"id": "b", "base64": "U0lNUExF..."}          the frame itself
  {"id": 3, "bytes": 5760}                      the frame itself: 5760 bytes after the line
  {"id": 4, "do": "polar", "files": ["a.fits", "b.fits", "c.fits"]}   the polar axis, as the command
                                                polar has it; besides adjusted (a file), site_deg
                                                ([latitude, longitude]), pressure_hpa,
                                                temperature_c, pole ("true", "refracted"); a frame
                                                that comes along is an object in place of its path:
                                                {"base64": "..."} or {"bytes": 5760}, the bytes of
                                                one after the other behind the line
  {"id": 5, "do": "cancel", "which": "b"}       call off a request
  Besides, as the options of solve: equinox ("j2000", "date"), within_deg, focal_length_mm,
  pixel_size_um, scale_arcsec_per_px, ignore_header, time_limit_s, target, focus_star ("3..6"),
  name (of a frame that comes along). Options of this command hold where a request says nothing.

Answers, one per line and request:
  the object of solve --json (or polar --json) with the id of the request added, or, for what has
  no solution to report, {"id": ..., "schema": "nightfix.serve/1", "status": "done", "cancelled" or "refused",
  "reason": ...}. A request that cannot be understood is refused, and the next one is heard.

Exit status:
   0  the input ended, and everything is answered
  64  the command line makes no sense
  66  the token cannot be read
  69  a star-index cannot be used
  70  a fault of nightfix itself
  73  the answers could not be written, or the socket not be made
 130  ended by Ctrl-C or SIGTERM, or since nobody reads the answers any more"#;
