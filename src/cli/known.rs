//! The options that say what is known beforehand and what is searched: the same for every command
//! that solves frames.

use super::{Status, complain, index};
use crate::aim::parse_aim;
use crate::angle::ParsedPosition;
use crate::answer::{At, Known};
use crate::mount::Equinox;
use crate::sky::{Sky, SkyError};
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

/// What is known beforehand.
#[derive(Debug, Args)]
pub struct KnownArgs {
    /// Where the mount was told to point: the search begins there
    ///
    /// Sexagesimal means hours and degrees: "05h34m31.9s +22d00m52s", "5:34:31.9 +22:00:52",
    /// "05 34 31.9 +22 00 52". Two plain numbers mean degrees: "83.633 22.0145". Deep-sky objects
    /// and stars go by their names: "M 81", "ngc 7000", "Crab Nebula", "Vega", "61 Cyg"; those are
    /// J2000 whatever --equinox says. Without this option a position in the frame's header is used.
    #[arg(long, value_name = "RA DEC|NAME", value_parser = parse_aim, allow_hyphen_values = true)]
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
}

impl KnownArgs {
    /// The same for the library.
    pub fn known(&self) -> Known {
        Known {
            at: self.at.as_ref().map(At::from),
            equinox: self.equinox.map(Equinox::from),
            within_deg: self.within,
            focal_length_mm: self.focal_length,
            pixel_size_um: self.pixel_size,
            scale_arcsec_per_px: self.scale,
            ignore_header: self.ignore_header,
            time_limit: self.time_limit,
            target: None,
            focus: None,
        }
    }

    /// The star-indexes to search.
    ///
    /// # Errors
    ///
    /// One of them cannot be used.
    pub fn sky(&self) -> Result<Sky, SkyError> {
        index::open(&self.index)
    }

    /// Works on no more threads than were asked for; the text is for the user.
    pub fn limit_threads(&self) -> Result<(), String> {
        let Some(threads) = self.threads else {
            return Ok(());
        };
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads.into())
            .build_global()
            .map_err(|refusal| format!("--threads {threads}: {refusal}"))
    }

    /// Why these options make no sense together, where they do not.
    pub fn contradiction(&self) -> Option<&'static str> {
        (self.within.is_some() && self.at.is_none() && self.ignore_header)
            .then_some("--within needs a commanded position: add --at, or drop --ignore-header")
    }

    /// Limits the threads, where these options make sense together; what keeps the command from
    /// running is said on standard error.
    pub fn prepare(&self) -> Result<(), Status> {
        if let Some(contradiction) = self.contradiction() {
            complain(contradiction);
            return Err(Status::Usage);
        }
        self.limit_threads().map_err(|refusal| {
            complain(&refusal);
            Status::Internal
        })
    }

    /// Threads for long searches, as many as frames that are worked on at once; `None` where the
    /// system refuses them.
    pub fn helpers(&self) -> Option<rayon::ThreadPool> {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(self.thread_count());
        pool.build().ok()
    }

    /// How many frames to work on at once.
    pub fn thread_count(&self) -> usize {
        let cores = || std::thread::available_parallelism().map_or(1, usize::from);
        self.threads.map_or_else(cores, usize::from)
    }

    /// Says on standard error what `--at` was taken for.
    pub fn say_position(&self) {
        if let Some(at) = &self.at {
            complain(&format!("--at is understood as {}", at.understood));
        }
    }
}
fn number(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err("a number is needed here, with a point for the decimals".into()),
    }
}

pub(super) fn positive(text: &str) -> Result<f64, String> {
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

pub(super) fn seconds(text: &str) -> Result<Duration, String> {
    Duration::try_from_secs_f64(positive(text)?).map_err(|_| "that is longer than time".into())
}

/// The name of a picture to be written.
pub(super) fn picture(path: PathBuf) -> Result<PathBuf, String> {
    let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    match extension.as_deref() {
        Some("png" | "jpg" | "jpeg") => Ok(path),
        _ => Err("the picture is PNG or JPEG: end its name in .png or .jpg".into()),
    }
}
