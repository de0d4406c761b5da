//! Stars whose profile is whole.

use super::moments::LEAST_WINDOW_PX;
use super::refine::{Profiles, refine};
use super::{Measured, Scratch, Setting, Shape, Stamp, Window, local_sky};
use crate::detect::Detection;
use crate::detect::candidates::Candidate;
use crate::detect::pixels::Pixel;
use crate::detect::refuse::{Refusal, is_spike};
use crate::detect::typical::{FWHM_PER_SIGMA, NARROWEST, Psf};
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
    let (centre, shape) =
        seen(window, stamp, at, [width, (2.0 * sigma).max(1.5)]).ok_or(Refusal::Shapeless)?;

    // What the window passes of a Gaussian star: half, where it is as wide as the star.
    let flux = shape.sum * (1.0 + (sigma / width).powi(2));
    let white = f64::from(candidate.flux_noise) / ((4.0 * PI).sqrt() * setting.kernel_px);
    let pixel_noise = white.max(0.7 * f64::from(scatter) * mosaic_factor(view.mosaic));
    let noise = pixel_noise * (4.0 * PI).sqrt() * sigma;
    let snr = flux / noise;
    let whole = stamp.blank == 0;
    let least = if whole && !setting.rough {
        LEAST_SNR
    } else {
        LEAST_SNR_IN_DOUBT
    };
    Refusal::Faint.when(!(snr > least))?;
    let how = Centring::of(&setting.psf, view.mosaic, snr);
    let centre = how.centre((window, profiles), stamp, centre, (sigma, width));
    Ok(Measured {
        star: Detection {
            x_px: centre.0,
            y_px: centre.1,
            sigma_px: position_error(setting, flux, pixel_noise),
            flux,
            snr,
            fwhm_px: FWHM_PER_SIGMA * shape.sigma(),
            elongation: shape.elongation(),
            saturated: false,
        },
        shape_known: whole && candidate.flux > SNR_FOR_SHAPE * candidate.flux_noise,
        core_px: None,
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

/// Centre and shape through a window of this width, the centre within this reach.
fn seen(
    window: &mut Window,
    stamp: &Stamp,
    at: (f64, f64),
    [width, reach]: [f64; 2],
) -> Option<((f64, f64), Shape)> {
    let centre = window.centroid(stamp, at, width, reach)?;
    Some((centre, window.shape(stamp, centre, width)?))
}

/// How the centre of a star is found best.
enum Centring {
    /// Through a window as wide as the star.
    AsSeen,
    /// Through a window wider by this factor.
    Wider(f64),
    /// The same on smoothed pixels.
    Smoothed(f64),
    /// By a model fitted to the pixels.
    Model,
}

impl Centring {
    fn of(psf: &Psf, mosaic: bool, snr: f64) -> Centring {
        let sigma = psf.window_px();
        let wider = photon_factor(snr);
        if psf.elongation > STAR_LIKE || sigma > WIDE_PX {
            Centring::AsSeen
        } else if mosaic || sigma >= NARROW_PX {
            Centring::Wider(wider)
        } else if sigma < VERY_NARROW_PX && snr > CLEAR_SNR {
            Centring::Smoothed(wider)
        } else {
            Centring::Model
        }
    }

    /// The centre of a star of standard deviation `sigma` that a window of `width` saw at `at`.
    fn centre(
        self,
        (window, profiles): (&mut Window, &mut Profiles),
        stamp: &mut Stamp,
        at: (f64, f64),
        (sigma, width): (f64, f64),
    ) -> (f64, f64) {
        // A wider window that runs off has met a neighbour.
        let reach = 0.4 * sigma.max(1.0);
        let better = match self {
            Centring::AsSeen => None,
            Centring::Wider(factor) => window.centroid(stamp, at, factor * width, reach),
            Centring::Smoothed(factor) => {
                stamp.smooth();
                let wide = ((factor * width).powi(2) + 0.5).sqrt();
                window.centroid(stamp, at, wide, reach)
            }
            Centring::Model => Some(refine(stamp, at, sigma, profiles)),
        };
        better.unwrap_or(at)
    }
}

/// Stars narrower than this (standard deviation, pixels) are sampled too coarsely for a window on
/// the pixels as they are: it pulls towards pixel centres.
const NARROW_PX: f64 = 1.4;
/// Wider ones are rings out of focus, and longer ones (long over short axis) are drawn out: the
/// window that is as wide as the star suits them best.
const WIDE_PX: f64 = 3.0;
const STAR_LIKE: f64 = 1.25;
/// Narrower than this, a model fitted to the pixels errs by more than the noise of a bright star,
/// whose profile is never quite the model's; smoothing first, the window errs less than both.
const VERY_NARROW_PX: f64 = 1.1;
/// From this ratio to the noise on, that matters more than the noise that smoothing adds.
const CLEAR_SNR: f64 = 60.0;

/// How much wider than the star the window should be. Against the sky's noise the star's own
/// profile is the best weight; a bright star's own light is the noise where it is brightest, and
/// the best weight is flatter.
fn photon_factor(snr: f64) -> f64 {
    1.0 + 0.15 * ((snr - 50.0) / 150.0).clamp(0.0, 1.0)
}

/// The values of a mosaic stamp are means of four pixels.
fn mosaic_factor(mosaic: bool) -> f64 {
    if mosaic { 2.0 } else { 1.0 }
}

/// Error of the position of a star that fills a single pixel: evenly over it, that of 1 / sqrt 12
/// pixel at most.
const SINGLE_PX: f64 = 0.2;
/// Cramér-Rao bound of the position of a Gaussian star: sqrt(8 pi) sigma^2 times the noise per
/// pixel over the flux against the sky (white noise), sigma / sqrt(photons) against the star's
/// own light, and a floor for what no model holds (pixel response, guiding, optics).
fn position_error<P: Pixel>(setting: &Setting<'_, P>, flux: f64, pixel_noise: f64) -> f64 {
    let sigma = setting.psf.sigma_px;
    let sky = (8.0 * std::f64::consts::PI).sqrt() * sigma * sigma * pixel_noise / flux;
    let floor = 0.003 * FWHM_PER_SIGMA * sigma * if setting.scene.view.picture { 5.0 } else { 1.0 };
    // Where in its pixel such a star lies is hard to say.
    let pixel = if setting.scene.view.single_pixels {
        SINGLE_PX
    } else {
        0.0
    };
    // And 0.005 pixels, to which a centroid is iterated.
    (sky * sky + floor * floor + pixel * pixel + 2.5e-5).sqrt()
}
