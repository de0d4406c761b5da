//! Stars whose profile is whole.

use super::moments::LEAST_WINDOW_PX;
use super::refine::{Profiles, refine};
use super::{Measured, Scratch, Setting, Stamp, Window, local_sky};
use crate::detect::Detection;
use crate::detect::candidates::Candidate;
use crate::detect::pixels::Pixel;
use crate::detect::refuse::{Refusal, is_spike};
use crate::detect::typical::{FWHM_PER_SIGMA, NARROWEST};
use std::f64::consts::PI;

/// A candidate with less than this many times the noise is not a star: noise has helped it over the
/// threshold of 4.5. More is asked at the frame's edge, where half of it is missing, and nothing tells
/// it from the glow that sensors have there, and on a rough sky, whose small hills pass for faint stars.
const LEAST_SNR: f64 = 3.5;
const LEAST_SNR_IN_DOUBT: f64 = 6.0;
/// From this ratio to the noise on, the steepness of a peak tells a spike from a star: the highest pixel
/// of a well-sampled star (1.2 pixels) stands twelve times its noise above the sky.
const SNR_FOR_SPIKE: f32 = 25.0;
/// From this ratio on, the shape of a candidate means something: widths are known to 6 %.
const SNR_FOR_SHAPE: f32 = 12.0;
/// Stars wider than this (standard deviation, pixels) are searched in blocks, where the filter
/// knows single pixels, and out of focus they have a dark middle.
const WIDEST_WITH_SPIKES_PX: f64 = 2.5;

/// Measures a star by its light.
pub(super) fn measure<P: Pixel>(
    setting: &Setting<'_, P>,
    candidate: &Candidate,
    scratch: &mut Scratch,
) -> Result<Measured, Refusal> {
    let at = (candidate.x_px, candidate.y_px);
    let view = setting.scene.view;
    let sigma = setting.psf.window_px();
    let Scratch {
        stamp,
        window,
        profiles,
        sample,
        ..
    } = scratch;
    let outer = (4.0 * sigma + 2.0).max(6.0);
    stamp.cut(&setting.scene, at, outer + 1.0);
    judge_peak(setting, candidate, stamp)?;
    let (local, scatter) = local_sky(stamp, at, sigma, outer, sample);
    if local != 0.0 {
        stamp.lower(local);
    }
    let width = sigma.max(LEAST_WINDOW_PX);
    let seen = window.centroid(stamp, at, width, (2.0 * sigma).max(1.5));
    let seen = seen.ok_or(Refusal::Shapeless)?;
    let shape = window.shape(stamp, seen, width);
    let shape = shape.ok_or(Refusal::Shapeless)?;
    // What the window passes of a Gaussian star: half, where it is as wide as the star.
    let flux = shape.sum * (1.0 + (sigma / width).powi(2));
    let white = f64::from(candidate.flux_noise) / ((4.0 * PI).sqrt() * setting.kernel_px);
    // The values of a mosaic stamp are means of four pixels.
    let per_value = if view.mosaic { 2.0 } else { 1.0 };
    let pixel_noise = white.max(0.7 * f64::from(scatter) * per_value);
    let noise = pixel_noise * (4.0 * PI).sqrt() * sigma;
    let snr = flux / noise;
    let whole = stamp.blank == 0;
    let least = if whole && !setting.rough {
        LEAST_SNR
    } else {
        LEAST_SNR_IN_DOUBT
    };
    Refusal::Faint.when(!(snr > least))?;
    let (x_px, y_px) = centre(setting, snr, stamp, (seen, width), (window, profiles));
    Ok(Measured {
        star: Detection {
            x_px,
            y_px,
            sigma_px: position_error(setting, flux, pixel_noise),
            flux,
            snr,
            fwhm_px: FWHM_PER_SIGMA * shape.sigma(),
            elongation: shape.elongation(),
            saturated: false,
        },
        shape_known: whole && candidate.flux > SNR_FOR_SHAPE * candidate.flux_noise,
        core_px: None,
        flattened: false,
    })
}

/// Refuses spikes.
fn judge_peak<P: Pixel>(
    setting: &Setting<'_, P>,
    candidate: &Candidate,
    stamp: &Stamp,
) -> Result<(), Refusal> {
    let (psf, view) = (&setting.psf, setting.scene.view);
    // Faint ones are disturbed by noise too much to tell.
    let bright = candidate.flux > SNR_FOR_SPIKE * candidate.flux_noise;
    let narrow = match psf.is_drawn_out() {
        true => None,
        false if bright => Some(psf.short_axis_px()),
        false => Some(NARROWEST),
    };
    let may_be_spike = psf.sigma_px < WIDEST_WITH_SPIKES_PX && !view.single_pixels;
    Refusal::Spike.when(may_be_spike && is_spike(stamp, view.mosaic, narrow))
}

/// The centre of a star that a window of `width` saw at `at`, found in the way that suits it best: through
/// that window, through one on smoothed pixels, or by a model fitted to them.
fn centre<P: Pixel>(
    setting: &Setting<'_, P>,
    snr: f64,
    stamp: &mut Stamp,
    (at, width): ((f64, f64), f64),
    (window, profiles): (&mut Window, &mut Profiles),
) -> (f64, f64) {
    let (psf, sigma) = (&setting.psf, setting.psf.window_px());
    if psf.elongation > STAR_LIKE || sigma > NARROW_PX || setting.scene.view.mosaic {
        return at;
    }
    if sigma >= VERY_NARROW_PX || snr <= CLEAR_SNR {
        return refine(stamp, at, sigma, profiles);
    }
    stamp.smooth();
    let wide = (width * width + SMOOTHING_PX2).sqrt();
    // A wider window that runs off has met a neighbour.
    let better = window.centroid(stamp, at, wide, 0.4 * sigma.max(1.0));
    better.unwrap_or(at)
}

/// Stars narrower than this (standard deviation, pixels) are sampled too coarsely for a window on
/// the pixels as they are: it pulls towards pixel centres.
const NARROW_PX: f64 = 1.4;
/// Longer ones (long over short axis) are drawn out, and no model fits them.
const STAR_LIKE: f64 = 1.25;
/// Narrower than this, a model fitted to the pixels errs by more than the noise of a bright star,
/// whose profile is never quite the model's; smoothing first, the window errs less than both.
const VERY_NARROW_PX: f64 = 1.1;
/// From this ratio to the noise on, that matters more than the noise that smoothing adds.
const CLEAR_SNR: f64 = 60.0;
/// Variance that smoothing adds to that of a star, square pixels: see [`Stamp::smooth`].
const SMOOTHING_PX2: f64 = 0.5;

/// Error of the position of a star that fills a single pixel: evenly over it, that of 1 / sqrt 12
/// pixel at most.
const SINGLE_PX: f64 = 0.2;

/// Cramér-Rao bound of the position of a Gaussian star: sqrt(8 pi) sigma^2 times the noise per
/// pixel over the flux against the sky (white noise), sigma / sqrt(photons) against the star's
/// own light, and a floor for what no model holds (pixel response, guiding, optics).
fn position_error<P: Pixel>(setting: &Setting<'_, P>, flux: f64, pixel_noise: f64) -> f64 {
    let sigma = setting.psf.sigma_px;
    let sky = (8.0 * PI).sqrt() * sigma * sigma * pixel_noise / flux;
    let floor = 0.003 * FWHM_PER_SIGMA * sigma * if setting.scene.view.picture { 5.0 } else { 1.0 };
    let single = setting.scene.view.single_pixels;
    let pixel = if single { SINGLE_PX } else { 0.0 };
    // And 0.005 pixels, to which a centroid is iterated.
    (sky * sky + floor * floor + pixel * pixel + 2.5e-5).sqrt()
}
