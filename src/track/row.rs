//! One frame of a night, as far as the analysis and the night report need it.

use crate::mount::{PointingError, pointing_error};
use serde::{Deserialize, Serialize};

/// What became of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RowStatus {
    /// A position was found.
    Solved,
    /// The frame was read and no position was found.
    #[default]
    Unsolved,
    /// The frame could not be read or solved for want of something else.
    Error,
    /// A dark, a flat or a bias frame: counted, and left alone.
    NotALight,
}

/// What an exposure was made for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FrameKind {
    /// The sky.
    #[default]
    Light,
    /// Shutter closed, exposed.
    Dark,
    /// An even light.
    Flat,
    /// Shutter closed, as short as can be.
    Bias,
}

/// On which side of its pier a telescope is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PierSide {
    /// East of it, looking west as a rule.
    East,
    /// West of it, looking east as a rule.
    West,
}

/// One frame of a night. What is not known is `None`; angles are degrees, sky positions ICRS.
///
/// Rows need no order: whatever takes them sorts by time, then by name.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Row {
    /// Name of the file relative to the night's folder, parts joined by `/`.
    pub file: String,
    /// Frames with the same key come from the same camera and optics. Shown to people: a camera
    /// name, a size, a sub-folder; any text will do.
    pub camera: String,
    /// Filter, as the header names it.
    pub filter: Option<String>,
    /// What was aimed at, as the header (`OBJECT`) or the caller names it.
    pub target: Option<String>,
    /// The deep-sky objects that it shows, in words.
    pub shows: Option<String>,
    /// What the exposure was made for.
    pub kind: FrameKind,
    /// What became of it.
    pub status: RowStatus,
    /// Why there is no position, one sentence.
    pub reason: Option<String>,
    /// Short name of the diagnosis, for example `cloud`.
    pub diagnosis_code: Option<String>,
    /// The diagnosis, one sentence.
    pub diagnosis: Option<String>,
    /// What to do about it, likeliest to help first.
    pub next: Vec<String>,
    /// What a person should know, one sentence each.
    pub cautions: Vec<String>,

    /// Mid-exposure, Julian date UTC.
    pub mid_jd_utc: Option<f64>,
    /// Exposure, seconds.
    pub exposure_s: Option<f64>,
    /// Geodetic latitude of the site.
    pub latitude_deg: Option<f64>,
    /// Longitude of the site, east positive.
    pub longitude_deg: Option<f64>,
    /// Temperature of the air, degrees Celsius.
    pub air_c: Option<f64>,
    /// Temperature of the sensor, degrees Celsius.
    pub sensor_c: Option<f64>,
    /// Pressure of the air at the site, hPa.
    pub pressure_hpa: Option<f64>,

    /// Pixels along the first axis of the file.
    pub width_px: Option<u32>,
    /// Pixels along the second axis of the file.
    pub height_px: Option<u32>,
    /// Right ascension of the frame's centre, 0 to 360.
    pub ra_deg: Option<f64>,
    /// Declination of the frame's centre.
    pub dec_deg: Option<f64>,
    /// Radius that holds the true centre in 95 % of cases.
    pub uncertainty_arcsec: Option<f64>,
    /// Pixel scale at the centre.
    pub scale_arcsec_per_px: Option<f64>,
    /// Position angle of 'up' on the displayed frame, north through east.
    pub rotation_deg: Option<f64>,
    /// With north up, east would lie to the right.
    pub mirrored: Option<bool>,
    /// Where the mount was told to point: right ascension, ICRS.
    pub commanded_ra_deg: Option<f64>,
    /// Where the mount was told to point: declination, ICRS.
    pub commanded_dec_deg: Option<f64>,
    /// Nobody said in which equinox that was: it was taken for J2000.
    pub equinox_assumed: bool,
    /// Side of the pier, by the header.
    pub pier_side: Option<PierSide>,

    /// Stars found.
    pub stars_detected: Option<u32>,
    /// Of these, matched with catalogue stars.
    pub stars_matched: Option<u32>,
    /// Root mean square of the residuals of the matched stars.
    pub rms_arcsec: Option<f64>,
    /// log10 of the chance that the match arose by chance.
    pub log10_chance: Option<f64>,
    /// Typical full width at half maximum of the stars.
    pub fwhm_px: Option<f64>,
    /// Half-flux diameter.
    pub hfd_px: Option<f64>,
    /// Long over short axis of what all stars have in common.
    pub elongation: Option<f64>,
    /// Direction of the long axis, from the first pixel axis towards the second, 0 to 180.
    pub elongation_angle_deg: Option<f64>,
    /// The same as position angle, north through east, 0 to 180.
    pub elongation_position_angle_deg: Option<f64>,
    /// Median sky level, the frame's own units.
    pub sky_level: Option<f64>,
    /// Standard deviation of the sky per pixel, the frame's own units.
    pub sky_noise: Option<f64>,
    /// Flux of a star with a signal-to-noise ratio of five, the frame's own units.
    pub limiting_flux: Option<f64>,
    /// Magnitude of such a star.
    pub limiting_magnitude: Option<f64>,
    /// Share of the pixels that are saturated, 0 to 1.
    pub saturated_share: Option<f64>,
}

impl Row {
    /// The centre of a solved frame: RA, Dec, ICRS degrees.
    pub fn centre_deg(&self) -> Option<[f64; 2]> {
        let solved = self.status == RowStatus::Solved;
        self.ra_deg
            .zip(self.dec_deg)
            .filter(|_| solved)
            .map(<[f64; 2]>::from)
    }

    /// The commanded position: RA, Dec, ICRS degrees.
    pub fn commanded_deg(&self) -> Option<[f64; 2]> {
        self.commanded_ra_deg
            .zip(self.commanded_dec_deg)
            .map(<[f64; 2]>::from)
    }

    /// Found minus commanded.
    pub fn pointing_error(&self) -> Option<PointingError> {
        Some(pointing_error(self.commanded_deg()?, self.centre_deg()?))
    }
}
