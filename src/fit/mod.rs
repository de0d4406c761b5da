//! Robust least squares over all matched stars: TAN, then SIP of the order the data support.

mod choice;
pub(crate) mod covariance;
mod date;
mod doubt;
mod epoch;
mod farther;
mod geometry;
mod matching;
mod model;
mod polynomial;
mod refine;
mod settled;
mod sip;

pub use date::{Stated, fit_dated};
pub use refine::{Display, FIT_STARS, fit, fit_beyond, reach_rad};

use crate::wcs::Wcs;

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
    /// True angle between the midpoints of opposite edges: width, height; of a fisheye through the
    /// centre.
    pub field_deg: [f64; 2],
    /// RA, Dec of the centres of pixels (1,1), (nx,1), (nx,ny), (1,ny); of one that sees nothing of the
    /// sky ([`Wcs::sees`]) the direction behind the camera.
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
    /// When the frame was taken by the stars' own motion alone, where they say anything.
    pub told_by_stars: Option<Told>,
    /// What became of the frame's date.
    pub date: DateVerdict,
}

/// A time of exposure as the motion of the stars tells it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Told {
    /// Julian year.
    pub jyear: f64,
    /// Its standard deviation.
    pub sigma_years: f64,
}

/// What became of the date that a frame states.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DateVerdict {
    /// It states none.
    None,
    /// Nothing speaks against it.
    Believed,
    /// The stars' own motion contradicts it: the solution is that of a frame without a date.
    Contradicted,
    /// It is not plausible, and the stars cannot tell: the radius of the centre allows for both.
    Open,
}

impl Epoch {
    /// The Julian year at which the stars of a fit stand to begin with.
    fn begin_jyear(self) -> f64 {
        match self {
            Epoch::Known { jyear } => jyear,
            Epoch::Unknown { catalogue_jyear } => catalogue_jyear,
        }
    }
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
