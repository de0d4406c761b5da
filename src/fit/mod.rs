//! Robust least squares over all matched stars: TAN, then SIP of the order the data support.

mod covariance;
mod doubt;
mod epoch;
mod matching;
mod polynomial;
mod refine;
mod sip;
pub mod wcs;

pub use refine::{Display, FIT_STARS, fit, reach_rad};
pub use wcs::{Sip, Wcs};

/// A detection and its catalogue star.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MatchedStar {
    /// Index into `Detections::stars`.
    pub detection: usize,
    /// ICRS position at the epoch of the frame.
    pub ra_deg: f64,
    /// See `ra_deg`.
    pub dec_deg: f64,
    /// Catalogue magnitude.
    pub mag: f64,
    /// Predicted minus detected position, pixels.
    pub residual_px: [f64; 2],
}

/// Where the frame points.
#[derive(Debug, Clone)]
pub struct Solution {
    /// Pixel to sky.
    pub wcs: Wcs,
    /// ICRS position of the frame's centre, FITS pixel ((nx+1)/2, (ny+1)/2).
    pub centre_ra_deg: f64,
    /// See `centre_ra_deg`.
    pub centre_dec_deg: f64,
    /// Radius that holds the true centre in 95 % of cases, arcsec.
    pub uncertainty_arcsec: f64,
    /// sqrt |det CD| at the centre.
    pub scale_arcsec_per_px: f64,
    /// Position angle, north through east, of 'up' on the displayed frame, 0 to 360.
    pub rotation_deg: f64,
    /// With north up, east would lie to the right on the displayed frame.
    pub mirrored: bool,
    /// True angle between the midpoints of opposite edges: width, height.
    pub field_deg: [f64; 2],
    /// RA, Dec of the centres of pixels (1,1), (nx,1), (nx,ny), (1,ny).
    pub corners_deg: [[f64; 2]; 4],
    /// The stars the fit rests on.
    pub matched: Vec<MatchedStar>,
    /// Root mean square of the residuals (both axes together), pixels.
    pub rms_px: f64,
    /// log10 of the probability that this match arose by chance, all trials counted.
    pub log10_chance: f64,
    /// Julian year to which the catalogue was moved by proper motion.
    pub epoch_jyear: f64,
    /// Standard deviation of that year where it was judged from the stars' own motion; 0 where
    /// the frame has a date.
    pub epoch_sigma_years: f64,
}

/// When a frame was taken, as Julian year.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Epoch {
    /// The frame has a date.
    Known {
        /// Mid-exposure.
        jyear: f64,
    },
    /// It has none.
    Unknown {
        /// Epoch of the catalogue positions.
        catalogue_jyear: f64,
    },
}
