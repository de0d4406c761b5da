//! Frame quality as the JSON object has it.

use super::rounding::{decimals, significant, turn};
use crate::fit::Solution;
use crate::quality::{Quality, Shape, Trend};
use serde::Serialize;

/// What an observer reads off a frame. Lengths are pixels of the file, brightness is in the
/// frame's own units; null where there are too few stars.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct QualityRecord {
    /// Single, unsaturated stars that the shapes are medians of.
    pub stars_measured: usize,
    /// Full width at half maximum.
    pub fwhm_px: Option<f64>,
    /// The same on the sky.
    pub fwhm_arcsec: Option<f64>,
    /// Half-flux diameter: of the circle that holds half of a star's light.
    pub hfd_px: Option<f64>,
    /// The same on the sky.
    pub hfd_arcsec: Option<f64>,
    /// Long over short axis of what all stars have in common.
    pub elongation: Option<f64>,
    /// Direction of the long axis, from the first pixel axis towards the second, 0 to 180.
    pub elongation_angle_deg: Option<f64>,
    /// The same as position angle, north through east, 0 to 180.
    pub elongation_position_angle_deg: Option<f64>,
    /// Median sky level.
    pub sky_level: f64,
    /// Standard deviation of the sky per pixel.
    pub sky_noise: f64,
    /// Flux of a star with a signal-to-noise ratio of five.
    pub limiting_flux: Option<f64>,
    /// Magnitude of such a star, in the passband of the star-index.
    pub limiting_magnitude: Option<f64>,
    /// Share of the pixels that are saturated, 0 to 1.
    pub saturated_share: f64,
    /// Half-flux diameter in the middle ninth of the frame.
    pub centre_hfd_px: Option<f64>,
    /// Half-flux diameter in the corner ninths: (1,1), (nx,1), (nx,ny), (1,ny).
    pub corner_hfd_px: [Option<f64>; 4],
    /// How the half-flux diameter changes over the frame.
    pub trend: Option<TrendRecord>,
}

/// A plane and a bowl fitted to the half-flux diameters.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrendRecord {
    /// Change over a whole diagonal's length in the direction of steepest change.
    pub tilt_px: f64,
    /// Its standard error.
    pub tilt_error_px: f64,
    /// Where stars grow, from the first pixel axis towards the second, 0 to 360.
    pub tilt_angle_deg: f64,
    /// Corners minus centre, the tilt left out.
    pub curvature_px: f64,
}

impl QualityRecord {
    /// Of `quality`, on the sky by the scale of `solution`.
    pub fn new(quality: &Quality, solution: Option<&Solution>) -> QualityRecord {
        let shape = quality.shape.as_ref();
        let of_shape = |value: fn(&Shape) -> f64| shape.map(value);
        let on_sky = |px: Option<f64>| {
            px.zip(solution)
                .map(|(px, s)| significant(px * s.scale_arcsec_per_px, 4))
        };
        let two = |px: f64| decimals(px, 2);
        let (fwhm_px, hfd_px) = (of_shape(|s| s.fwhm_px), of_shape(|s| s.hfd_px));
        let field = shape.map(|s| s.field).unwrap_or_default();
        QualityRecord {
            stars_measured: quality.stars_measured,
            fwhm_px: fwhm_px.map(two),
            fwhm_arcsec: on_sky(fwhm_px),
            hfd_px: hfd_px.map(two),
            hfd_arcsec: on_sky(hfd_px),
            elongation: of_shape(|s| s.elongation).map(|e| decimals(e, 3)),
            elongation_angle_deg: of_shape(|s| s.elongation_angle_deg).map(half_turn),
            elongation_position_angle_deg: shape.and_then(|s| s.position_angle_deg).map(half_turn),
            sky_level: significant(quality.sky_level, 6),
            sky_noise: significant(quality.sky_noise, 4),
            limiting_flux: quality.limiting_flux.map(|flux| significant(flux, 4)),
            limiting_magnitude: quality.limiting_magnitude.map(two),
            saturated_share: significant(quality.saturated_share, 4),
            centre_hfd_px: field.centre_hfd_px.map(two),
            corner_hfd_px: field.corner_hfd_px.map(|px| px.map(two)),
            trend: field.trend.as_ref().map(trend),
        }
    }
}

fn trend(trend: &Trend) -> TrendRecord {
    TrendRecord {
        tilt_px: decimals(trend.tilt_px, 3),
        tilt_error_px: decimals(trend.tilt_error_px, 3),
        tilt_angle_deg: turn(trend.tilt_angle_deg, 1),
        curvature_px: decimals(trend.curvature_px, 3),
    }
}

/// An axis has no sense of direction: rounding must not make 180 of what is 0.
fn half_turn(angle_deg: f64) -> f64 {
    let rounded = decimals(angle_deg, 1);
    if rounded < 180.0 { rounded } else { 0.0 }
}
