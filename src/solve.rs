//! The whole job: a frame in, an outcome out. What the command line and other programs call.

use crate::detect::Detections;
use crate::fit::Solution;
use crate::frame::Frame;
use crate::sky::Sky;

/// A sky position that the mount was told to point at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Commanded {
    /// ICRS right ascension, degrees.
    pub ra_deg: f64,
    /// ICRS declination, degrees.
    pub dec_deg: f64,
}

/// What the caller knows or wants. Everything is optional.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// Where to begin the spiral, likeliest first; empty: the whole sky at once.
    pub starts: Vec<Commanded>,
    /// Search no farther than this from the first start, degrees.
    pub within_deg: Option<f64>,
    /// Claimed pixel scales, arcsec per pixel, likeliest first.
    pub scales_arcsec_per_px: Vec<f64>,
    /// Julian year of the exposure; `None`: the epoch of the star-index.
    pub epoch_jyear: Option<f64>,
    /// Give up after this long.
    pub time_limit: Option<std::time::Duration>,
}

/// In which order the sky was searched when it ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SearchOrder {
    /// Outward from a commanded position.
    Spiral,
    /// No commanded position.
    #[default]
    WholeSky,
}

/// Counters of one search.
#[derive(Debug, Clone, Default)]
pub struct SearchReport {
    /// How the search went.
    pub order: SearchOrder,
    /// Sky cells read.
    pub cells: u64,
    /// Bytes of the star-index read.
    pub index_bytes: u64,
    /// Largest distance from the start that was searched, degrees.
    pub radius_deg: f64,
    /// Candidates verified.
    pub candidates: u64,
    /// True where the time limit ended it.
    pub timed_out: bool,
}

/// Elapsed times of the stages after reading, milliseconds.
#[derive(Debug, Clone, Copy, Default)]
pub struct Elapsed {
    /// Detection.
    pub detect_ms: f64,
    /// Quads, search and verification.
    pub match_ms: f64,
    /// Final fit.
    pub fit_ms: f64,
}

/// What came of one frame.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// The stars found.
    pub detections: Detections,
    /// The position, or `None`: unsolved.
    pub solution: Option<Solution>,
    /// How the search went.
    pub search: SearchReport,
    /// Best chance of a false match that any candidate reached, log10; 0 where there was none.
    pub best_log10_chance: f64,
    /// How long it took.
    pub elapsed: Elapsed,
}

/// Finds where `frame` points, with the star-indexes of `sky`.
pub fn solve(frame: &Frame, _sky: &Sky, _request: &Request) -> Outcome {
    let detections = crate::detect::detect(frame);
    Outcome {
        detections,
        solution: None,
        search: SearchReport::default(),
        best_log10_chance: 0.0,
        elapsed: Elapsed::default(),
    }
}
