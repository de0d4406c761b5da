//! How good a frame is: what an observer reads off it besides the position. Summarises what the
//! detector measured, and changes nothing.

mod field;
mod saturated;
mod stars;

pub use field::{FieldShape, Trend};
pub use stars::StarShape;

use crate::detect::Detections;
use crate::detect::typical::FWHM_PER_SIGMA;
use crate::fit::Solution;
use crate::frame::Frame;
use crate::robust::{SIGMA_PER_MAD, median, weighted_median};
use std::f64::consts::PI;

/// A star is seen from this signal-to-noise ratio on. Common practice.
const LIMITING_SNR: f64 = 5.0;
/// Standard deviations above the sky that its noise alone does not reach.
const NOISE_PEAK: f64 = 8.0;
/// Fewer shapes than this are no measure of the frame.
const LEAST_SHAPES: usize = 3;

/// What can be read off a frame.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Quality {
    /// Stars that shapes were taken from.
    pub stars_measured: usize,
    /// Shapes; `None` with fewer than three stars.
    pub shape: Option<Shape>,
    /// Median sky level, the frame's own units.
    pub sky_level: f64,
    /// Standard deviation of the sky per pixel, the frame's own units.
    pub sky_noise: f64,
    /// Flux of a star with a signal-to-noise ratio of five, the frame's own units.
    pub limiting_flux: Option<f64>,
    /// The same as a magnitude, in the passband of the star-index: for solved frames whose
    /// brightness is linear.
    pub limiting_magnitude: Option<f64>,
    /// Share of the pixels that are saturated, 0 to 1.
    pub saturated_share: f64,
}

/// Typical star image of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    /// Full width at half maximum of the Gaussian of the same size (geometric mean of the axes),
    /// pixels.
    pub fwhm_px: f64,
    /// Diameter of the circle that holds half the light, pixels. That of a Gaussian is its FWHM.
    pub hfd_px: f64,
    /// Long over short axis of what all stars have in common.
    pub elongation: f64,
    /// Direction of the long axis, from the first pixel axis towards the second, 0 to 180
    /// degrees; means little for round stars.
    pub elongation_angle_deg: f64,
    /// Position angle of the long axis, north through east, 0 to 180 degrees: for solved frames.
    pub position_angle_deg: Option<f64>,
    /// How it changes over the frame.
    pub field: FieldShape,
}

/// What is measured on the pixels, whatever the solution: it can be done while that is searched for.
#[derive(Debug, Clone)]
pub struct Measured {
    shapes: Vec<StarShape>,
    saturated_share: f64,
}

impl Measured {
    /// At the stars that were detected in `frame`.
    pub fn on(frame: &Frame, detections: &Detections) -> Measured {
        Measured {
            shapes: stars::shapes(frame, detections),
            saturated_share: saturation_level(detections)
                .map_or(0.0, |level| saturated::share(frame, level)),
        }
    }

    /// How far the middle of the light lies from where the detector puts the centre of a star, beyond
    /// what noise makes of it, pixels: what all stars of a frame have in common moves the centre of
    /// the solution, without any residual that tells. 0 where images are not lopsided.
    pub fn lopsided_px(&self) -> f64 {
        if self.shapes.len() < LEAST_SHAPES {
            return 0.0;
        }
        // Bright stars count for more: what a slope of the sky does to a star falls with its light.
        let fluxes = || self.shapes.iter().map(|s| s.light.flux);
        let alike = fluxes().sum::<f64>().powi(2) / fluxes().map(|flux| flux * flux).sum::<f64>();
        // Standard error of the median of as many normal deviates (Kenney & Keeping 1962).
        let noise_per_spread = (0.5 * PI / alike).sqrt();
        let [(x, x_noise), (y, y_noise)] = [0, 1].map(|axis| {
            let along = self.shapes.iter().map(|s| s.light.off_centre_px[axis]);
            let middle = weighted_median(along.clone().zip(fluxes()));
            let spread = weighted_median(along.map(|v| (v - middle).abs()).zip(fluxes()));
            (middle, SIGMA_PER_MAD * spread * noise_per_spread)
        });
        // Of two numbers of pure noise the expectation is 2.
        let size = (x / x_noise).powi(2) + (y / y_noise).powi(2);
        let beyond_noise = (1.0 - 2.0 / size).max(0.0);
        x.hypot(y) * beyond_noise.sqrt()
    }
}

/// Reads the quality off what was detected in `frame`, and where `solution` puts it.
pub fn quality(frame: &Frame, detections: &Detections, solution: Option<&Solution>) -> Quality {
    let measured = Measured::on(frame, detections);
    quality_of(frame, detections, &measured, solution)
}

/// As [`quality`], with what was measured on these detections.
pub fn quality_of(
    frame: &Frame,
    detections: &Detections,
    measured: &Measured,
    solution: Option<&Solution>,
) -> Quality {
    let limiting_flux = limiting_flux(detections);
    Quality {
        stars_measured: measured.shapes.len(),
        shape: shape(detections, &measured.shapes, solution),
        sky_level: detections.sky_level,
        sky_noise: detections.sky_noise,
        limiting_flux,
        limiting_magnitude: limiting_flux
            .zip(solution.filter(|_| !frame.nonlinear))
            .and_then(|(flux, solution)| {
                Some(zero_point(detections, solution)? - magnitudes(flux))
            }),
        saturated_share: measured.saturated_share,
    }
}

/// The detector is cautious about what might be clipped: the peaks of mere noise can look alike.
fn saturation_level(detections: &Detections) -> Option<f64> {
    let noise_peak = detections.sky_level + NOISE_PEAK * detections.sky_noise;
    detections
        .saturation_level
        .filter(|level| *level > noise_peak || *level <= detections.sky_level)
}

fn shape(
    detections: &Detections,
    shapes: &[StarShape],
    solution: Option<&Solution>,
) -> Option<Shape> {
    if shapes.len() < LEAST_SHAPES {
        return None;
    }
    let over = |value: &dyn Fn(&StarShape) -> f64| median(shapes.iter().map(value)).unwrap_or(0.0);
    // Medians of the moments, not of the elongations: noise makes every single star oblong, but in
    // random directions, which leaves the moments alone.
    let [xx, yy, xy] = [0, 1, 2].map(|k| over(&|s| s.moments_px2[k]));
    let (half, root) = (0.5 * (xx + yy), (0.25 * (xx - yy).powi(2) + xy * xy).sqrt());
    let (long, short) = (half + root, half - root);
    if !(short > 0.0) {
        return None;
    }
    let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
    Some(Shape {
        fwhm_px: FWHM_PER_SIGMA * (long * short).sqrt().sqrt(),
        hfd_px: over(&|s| s.hfd_px),
        elongation: (long / short).sqrt(),
        elongation_angle_deg: half_turn(angle.to_degrees()),
        position_angle_deg: solution.map(|s| {
            let (sin, cos) = angle.sin_cos();
            let [east, north] = s.wcs.cd.map(|row| row[0] * cos + row[1] * sin);
            half_turn(east.atan2(north).to_degrees())
        }),
        field: FieldShape::of(shapes, detections.width, detections.height),
    })
}

/// An axis has no sense of direction: 0 up to 180 degrees.
fn half_turn(angle_deg: f64) -> f64 {
    let turned = angle_deg.rem_euclid(180.0);
    // Rounding can make a tiny negative angle a whole half turn.
    if turned < 180.0 { turned } else { 0.0 }
}

/// Flux at the limiting signal-to-noise ratio, from stars whose noise is the sky's: the fainter
/// half.
fn limiting_flux(detections: &Detections) -> Option<f64> {
    let mut seen: Vec<(f64, f64)> = detections
        .stars
        .iter()
        .filter(|s| !s.saturated && s.snr > 0.0)
        .map(|s| (s.flux, s.flux / s.snr))
        .collect();
    seen.sort_by(|a, b| a.0.total_cmp(&b.0));
    seen.truncate(seen.len().div_ceil(2));
    Some(LIMITING_SNR * median(seen.iter().map(|s| s.1))?)
}

/// Magnitude of a star of unit flux, from the matched stars that are not saturated.
fn zero_point(detections: &Detections, solution: &Solution) -> Option<f64> {
    let points = solution
        .matched
        .iter()
        .filter_map(|m| Some((m.mag, detections.stars.get(m.detection)?)))
        .filter(|(_, star)| !star.saturated && star.flux > 0.0)
        .map(|(mag, star)| mag + magnitudes(star.flux));
    median(points.clone()).filter(|_| points.count() >= LEAST_SHAPES)
}

/// 2.5 log10 of a flux (Pogson 1856).
fn magnitudes(flux: f64) -> f64 {
    2.5 * flux.log10()
}
