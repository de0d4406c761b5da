//! What a search is asked, and what it says of its course.

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
    /// Julian year of the exposure; `None`: unknown, to be judged from the stars' own motion.
    pub epoch_jyear: Option<f64>,
    /// That year needs the stars' word to be believed: it is long past, or in the future.
    pub epoch_doubtful: bool,
    /// Give up after this long.
    pub time_limit: Option<std::time::Duration>,
    /// Which lenses are tried.
    pub lenses: Lenses,
}

/// Lenses that a search tries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Lenses {
    /// Lenses that keep lines straight, to 68 deg along the longer side.
    #[default]
    Usual,
    /// Those of wider fields, and fisheyes.
    Widest,
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
    /// Bytes of the star-indexes that no earlier search with them had touched.
    pub index_bytes: u64,
    /// Largest distance from the start that was searched, degrees.
    pub radius_deg: f64,
    /// Candidates verified.
    pub candidates: u64,
    /// True where the time limit ended it.
    pub timed_out: bool,
}
