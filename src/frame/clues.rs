//! What a frame's own metadata claims. Claims, never facts.

pub(super) mod exif;
mod exif_lists;
mod header;
mod position;
mod scale;
mod site;
pub(crate) mod time;
mod wcs;

pub(crate) use header::from_header;

/// Equinox of a claimed position.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EquinoxClue {
    /// Stated or implied to be J2000 / ICRS.
    J2000,
    /// Stated to be of date.
    Date,
    /// Not stated.
    Unstated,
}

/// A claimed sky position.
#[derive(Debug, Clone, PartialEq)]
pub struct PositionClue {
    /// Right ascension, degrees, 0 to 360.
    pub ra_deg: f64,
    /// Declination, degrees.
    pub dec_deg: f64,
    /// Which equinox it is claimed in.
    pub equinox: EquinoxClue,
    /// Where it stood, for example `RA/DEC` or `CRVAL`.
    pub source: String,
}

/// A claimed pixel scale.
#[derive(Debug, Clone, PartialEq)]
pub struct ScaleClue {
    /// Arcseconds per pixel of the file.
    pub arcsec_per_px: f64,
    /// Where it stood or how it was derived, for example `FOCALLEN and XPIXSZ`.
    pub source: String,
}

/// Place of observation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Site {
    /// Longitude, degrees, east positive.
    pub longitude_deg: f64,
    /// Geodetic latitude, degrees.
    pub latitude_deg: f64,
}

/// All claims of one frame.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Clues {
    /// Positions, likeliest first: different keywords or different readings of one.
    pub positions: Vec<PositionClue>,
    /// Pixel scales, likeliest first.
    pub scales: Vec<ScaleClue>,
    /// Focal length, mm.
    pub focal_length_mm: Option<f64>,
    /// Sensor pixel size in the file (binning included), micrometres.
    pub pixel_size_um: Option<f64>,
    /// Mid-exposure, Julian date UTC.
    pub mid_jd_utc: Option<f64>,
    /// Exposure, seconds.
    pub exposure_s: Option<f64>,
    /// Place of observation.
    pub site: Option<Site>,
    /// Contradictions and doubtful readings, one sentence each, for the user.
    pub remarks: Vec<String>,
}
