//! From a candidate to a detection: centroid, flux, width, faults.

use super::Detection;
use super::filter::Candidate;
use super::moments::{LEAST_WINDOW_PX, Window};
use super::plane::{Image, Pixel};
use super::psf::{NARROWEST, Psf};
use super::refine::{Profiles, refine};
use super::saturated::{Blob, blob_at};
use super::spikes::is_spike;
use super::stamp::{Sky, Stamp};

/// Standard deviation to full width at half maximum of a Gaussian.
pub(super) const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// What measuring needs to know about the frame.
pub(super) struct Context<'a, P> {
    pub image: &'a Image<'a, P>,
    pub sky: Sky<'a>,
    pub psf: Psf,
    pub mosaic: bool,
    pub saturation: f32,
    pub nonlinear: bool,
    /// A picture stretched or sharpened so much that the noise of its sky makes the outlines of
    /// saturated stars ragged and their edges steep.
    pub harsh: bool,
    /// The sky is rough: small hills of it pass for faint, wide stars.
    pub rough: bool,
    /// Stars are narrower than a pixel: nothing is too sharp for one.
    pub single_pixels: bool,
    /// Standard deviation of the detection kernel, frame pixels.
    pub kernel_px: f64,
}

impl<P> Context<'_, P> {
    /// A picture in which discs are discs.
    fn is_smooth(&self) -> bool {
        self.nonlinear && !self.harsh
    }
}

/// A detection and what speaks against it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Measured {
    pub star: Detection,
    /// Too sharp for a star of this frame.
    pub fault: bool,
    /// The elongation means something: bright enough, wholly inside the frame, no blooming.
    pub shape_known: bool,
    /// Brightness for the order: the flux, made comparable for saturated stars.
    pub brightness: f64,
    /// Half width and half height of the saturated core.
    pub core_px: Option<(f64, f64)>,
}

impl Measured {
    /// Every number is finite and the centre inside the frame: floating-point frames can hold
    /// values whose sums overflow.
    pub fn is_sound(&self, width: usize, height: usize) -> bool {
        let s = &self.star;
        [s.flux, s.snr, s.sigma_px, s.fwhm_px, s.elongation]
            .iter()
            .all(|v| v.is_finite() && *v > 0.0)
            && (-0.5..=width as f64 - 0.5).contains(&s.x_px)
            && (-0.5..=height as f64 - 0.5).contains(&s.y_px)
    }
}

/// Buffers of one thread.
#[derive(Default)]
pub(super) struct Scratch {
    stamp: Stamp,
    window: Window,
    profiles: Profiles,
    sample: Vec<f32>,
    blob: super::saturated::Scratch,
}

/// Measures one candidate; `None` where there is no star image at all.
pub(super) fn measure<P: Pixel>(
    context: &Context<'_, P>,
    candidate: &Candidate,
    scratch: &mut Scratch,
) -> Option<Measured> {
    let at = (candidate.x_px, candidate.y_px);
    let reach = (2.0 * context.psf.sigma_px).max(1.5);
    if context.saturation.is_finite() {
        match blob_at(
            context.image,
            context.saturation,
            at,
            reach,
            context.mosaic,
            &mut scratch.blob,
        ) {
            Some(blob) if is_sharp(context, &blob, context.saturation) => return None,
            Some(blob) if is_star(context, &blob) => {
                return measure_saturated(context, candidate, &blob, scratch);
            }
            // Overexposed areas, bars and letters; a lone saturated pixel may yet be a star's.
            Some(blob) if blob.overflowed || blob.area > 4 => return None,
            _ => {}
        }
    }
    match plateau(context, candidate, scratch) {
        Some((blob, level)) if is_sharp(context, &blob, level) => None,
        Some((blob, _)) if is_star(context, &blob) => {
            measure_saturated(context, candidate, &blob, scratch)
        }
        _ => measure_plain(context, candidate, scratch),
    }
}

/// See [`Blob::is_star`]; a star that is drawn out in whatever direction has no outline to speak of.
fn is_star<P: Pixel>(context: &Context<'_, P>, blob: &Blob) -> bool {
    if context.psf.is_drawn_out() {
        !blob.overflowed && blob.area >= 2
    } else {
        blob.is_star(&context.psf, context.is_smooth())
    }
}

/// See [`Blob::is_sharp`]; in a mosaic the neighbours have other colours, which tells nothing, and
/// letters are told from stars of a picture that are drawn out by being rounder.
fn is_sharp<P: Pixel>(context: &Context<'_, P>, blob: &Blob, level: f32) -> bool {
    let told_otherwise = context.mosaic
        || context.single_pixels
        || context.harsh && blob.is_round()
        || context.nonlinear && context.psf.is_drawn_out();
    let sky = context.sky.level(blob.x, blob.y);
    !told_otherwise && blob.is_sharp(&context.psf, level, sky, context.nonlinear)
}

fn measure_plain<P: Pixel>(
    context: &Context<'_, P>,
    candidate: &Candidate,
    scratch: &mut Scratch,
) -> Option<Measured> {
    let at = (candidate.x_px, candidate.y_px);
    let sigma = context.psf.window_px();
    let Scratch {
        stamp,
        window,
        profiles,
        sample,
        ..
    } = scratch;
    let outer = (4.0 * sigma + 2.0).max(6.0);
    stamp.cut(context.image, &context.sky, context.mosaic, at, outer + 1.0);
    // Wide stars are searched in blocks, where the filter knows single pixels; a defocused star
    // has a dark middle.
    // Faint ones are disturbed by noise too much to tell.
    let bright = candidate.flux > 25.0 * candidate.flux_noise;
    let narrow = match context.psf.is_drawn_out() {
        true => None,
        false if bright => Some(context.psf.short_axis_px()),
        false => Some(NARROWEST),
    };
    let may_be_spike = context.psf.sigma_px < 2.5 && !context.single_pixels;
    let spike = may_be_spike && is_spike(stamp, context.mosaic, narrow);
    let edge = stamp.is_at_an_edge();
    let (local, scatter) = local_sky(stamp, at, sigma, outer, sample);
    if local != 0.0 {
        stamp.lower(local);
    }
    let width = sigma.max(LEAST_WINDOW_PX);
    let mut centre = window.centroid(stamp, at, width, (2.0 * sigma).max(1.5))?;
    let shape = window.shape(stamp, centre, width)?;

    // What the window passes of a Gaussian star: half, where it is as wide as the star.
    let flux = shape.sum * (1.0 + (sigma / width).powi(2));
    let white =
        f64::from(candidate.flux_noise) / ((4.0 * std::f64::consts::PI).sqrt() * context.kernel_px);
    let pixel_noise = white.max(0.7 * f64::from(scatter) * mosaic_factor(context.mosaic));
    let noise = pixel_noise * (4.0 * std::f64::consts::PI).sqrt() * sigma;
    let snr = flux / noise;
    // At the frame's edge half the star is missing: its shape says nothing, and nothing tells it
    // from the glow that sensors have there.
    let whole = stamp.blank == 0;
    let clear = if whole && !context.rough { 3.5 } else { 6.0 };
    if !(snr > clear) {
        return None;
    }
    let wide = width * photon_factor(snr);
    // A wider window that runs off has met a neighbour.
    let reach = 0.4 * sigma.max(1.0);
    let better = if context.psf.elongation > STAR_LIKE || sigma > WIDE_PX {
        None
    } else if context.mosaic || sigma >= NARROW_PX {
        window.centroid(stamp, centre, wide, reach)
    } else if sigma < VERY_NARROW_PX && snr > CLEAR_SNR {
        stamp.smooth();
        window.centroid(stamp, centre, (wide * wide + 0.5).sqrt(), reach)
    } else {
        Some(refine(stamp, centre, sigma, profiles))
    };
    centre = better.unwrap_or(centre);
    let trusted = whole && candidate.flux > 12.0 * candidate.flux_noise;
    let sharp = !context.single_pixels && shape.sigma() < 0.55 * context.psf.sigma_px && snr > 12.0;
    Some(Measured {
        star: Detection {
            x_px: centre.0,
            y_px: centre.1,
            sigma_px: position_error(context, flux, pixel_noise),
            flux,
            snr,
            fwhm_px: FWHM_PER_SIGMA * shape.sigma(),
            elongation: shape.elongation(),
            saturated: false,
        },
        fault: spike || sharp || edge,
        shape_known: trusted,
        brightness: flux,
        core_px: None,
    })
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

/// A peak that is a plateau below the common saturation level, and that level.
fn plateau<P: Pixel>(
    context: &Context<'_, P>,
    candidate: &Candidate,
    scratch: &mut Scratch,
) -> Option<(Blob, f32)> {
    if candidate.flux < 15.0 * candidate.flux_noise {
        return None;
    }
    let at = (candidate.x_px, candidate.y_px);
    let sigma = context.psf.sigma_px;
    let stamp = &mut scratch.stamp;
    stamp.cut(
        context.image,
        &context.sky,
        context.mosaic,
        at,
        2.0 * sigma + 3.0,
    );
    let level = flat_top(stamp, context)?;
    let reach = (2.0 * sigma).max(1.5);
    let blob = blob_at(
        context.image,
        level,
        at,
        reach,
        context.mosaic,
        &mut scratch.blob,
    )?;
    Some((blob, level))
}

/// The level of a plateau, where the peak is much broader than that of a star of this frame:
/// photographic plates, stretched pictures and full wells saturate at no common value.
fn flat_top<P: Pixel>(stamp: &Stamp, context: &Context<'_, P>) -> Option<f32> {
    let sigma = context.psf.sigma_px;
    let middle = stamp.side / 2;
    let reach = (sigma.ceil() as usize).clamp(1, middle);
    let near = middle - reach..=middle + reach;
    let peak = near
        .clone()
        .flat_map(|j| near.clone().map(move |i| stamp.at(i, j)))
        .fold(0.0, f32::max);
    // Neighbours as bright lie further out and do not count.
    let reach = ((2.0 * sigma + 2.0).ceil() as usize).min(middle);
    let near = middle - reach..=middle + reach;
    let high = near
        .clone()
        .flat_map(|j| near.clone().map(move |i| stamp.at(i, j)))
        .filter(|v| *v >= 0.9 * peak)
        .count() as f64;
    // Of a Gaussian, 2 pi ln(1 / 0.9) sigma^2 = 0.66 sigma^2 pixels exceed 0.9 of the peak.
    let expected = 0.66 * sigma * sigma;
    (high > 4.0 * expected + 6.0).then_some(stamp.level + 0.85 * peak)
}

/// The values of a mosaic stamp are means of four pixels.
fn mosaic_factor(mosaic: bool) -> f64 {
    if mosaic { 2.0 } else { 1.0 }
}

/// Error of the position of a star that fills a single pixel: evenly over it, that of 1 / sqrt 12
/// pixel at most.
const SINGLE_PX: f64 = 0.2;
/// Letters in a picture of stars that are drawn out have less than this share of their elongation.
const ROUNDER: f64 = 0.35;

/// What the ring around a star differs from the mesh, zero where that is within its error (the
/// mesh is the less noisy of the two), and the scatter in the ring.
fn local_sky(
    stamp: &Stamp,
    at: (f64, f64),
    sigma: f64,
    outer: f64,
    sample: &mut Vec<f32>,
) -> (f32, f32) {
    match stamp.ring(at, (2.8 * sigma + 1.0, outer), sample) {
        Some((mean, scatter, n)) if n >= 20 => {
            let error = scatter / (n as f32).sqrt();
            let differs = mean.abs() > 4.0 * error;
            (if differs { mean } else { 0.0 }, scatter)
        }
        _ => (0.0, 0.0),
    }
}

/// Cramér-Rao bound of the position of a Gaussian star: sqrt(8 pi) sigma^2 times the noise per
/// pixel over the flux against the sky (white noise), sigma / sqrt(photons) against the star's
/// own light, and a floor for what no model holds (pixel response, guiding, optics).
fn position_error<P: Pixel>(context: &Context<'_, P>, flux: f64, pixel_noise: f64) -> f64 {
    let sigma = context.psf.sigma_px;
    let sky = (8.0 * std::f64::consts::PI).sqrt() * sigma * sigma * pixel_noise / flux;
    let floor = 0.003 * FWHM_PER_SIGMA * sigma * if context.nonlinear { 5.0 } else { 1.0 };
    // Where in its pixel such a star lies is hard to say.
    let pixel = if context.single_pixels {
        SINGLE_PX
    } else {
        0.0
    };
    (sky * sky + floor * floor + pixel * pixel + 2.5e-5).sqrt()
}

fn measure_saturated<P: Pixel>(
    context: &Context<'_, P>,
    candidate: &Candidate,
    blob: &Blob,
    scratch: &mut Scratch,
) -> Option<Measured> {
    let sigma = context.psf.sigma_px;
    let Scratch {
        stamp,
        window,
        sample,
        ..
    } = scratch;
    let core = blob.core_radius();
    let drawn_out = context.psf.is_drawn_out();
    let blooms = blob.blooms() && !drawn_out;
    // A window as wide as the core and its wings: the clipped profile is still symmetric.
    let width = (sigma * sigma + 0.5 * core * core).sqrt();
    let outer = 4.0 * sigma + 1.5 * core + 2.0;
    stamp.cut(
        context.image,
        &context.sky,
        context.mosaic,
        (blob.x, blob.y),
        outer,
    );
    let (local, _) = local_sky(stamp, (blob.x, blob.y), sigma + core / 2.8, outer, sample);
    stamp.lower(local);
    let mut centre = (blob.x, blob.y);
    if !blooms && width * 3.0 < outer {
        centre = window
            .centroid(stamp, centre, width, sigma + 0.5 * core)
            .unwrap_or(centre);
    }
    let shape = window.shape(stamp, centre, width)?;
    let flux = stamp
        .sum_within(centre, 1.3 * core + 3.0 * sigma)
        .max(f64::from(candidate.flux));
    let snr = flux / f64::from(candidate.flux_noise);
    let elongation = if blooms { 1.0 } else { shape.elongation() };
    let letter = context.nonlinear && drawn_out && elongation < ROUNDER * context.psf.elongation;
    Some(Measured {
        star: Detection {
            x_px: centre.0,
            y_px: centre.1,
            sigma_px: (0.03 * FWHM_PER_SIGMA * sigma).hypot(0.06 * core).max(0.03),
            flux,
            snr,
            fwhm_px: FWHM_PER_SIGMA * shape.sigma(),
            elongation,
            saturated: true,
        },
        fault: letter,
        shape_known: !blooms,
        brightness: flux,
        core_px: Some(blob.half_sides()),
    })
}
