//! Stars whose core is saturated, and those whose peak is a plateau.

use super::core::Blob;
use super::{Measured, Scratch, Setting, Stamp, local_sky};
use crate::detect::Detection;
use crate::detect::candidates::Candidate;
use crate::detect::pixels::Pixel;
use crate::detect::refuse::Refusal;
use crate::detect::typical::FWHM_PER_SIGMA;

/// The level of a plateau below the common saturation level that the candidate's peak is.
pub(super) fn plateau<P: Pixel>(
    setting: &Setting<'_, P>,
    candidate: &Candidate,
    scratch: &mut Scratch,
) -> Option<f32> {
    // The top of a fainter one is shaped by the noise.
    if candidate.flux < 15.0 * candidate.flux_noise {
        return None;
    }
    let at = (candidate.x_px, candidate.y_px);
    let sigma = setting.psf.sigma_px;
    let stamp = &mut scratch.stamp;
    stamp.cut(&setting.scene, at, 2.0 * sigma + 3.0);
    flat_top(stamp, sigma)
}

/// The level of a plateau, where the peak is much broader than that of a star of this frame:
/// photographic plates, stretched pictures and full wells saturate at no common value.
fn flat_top(stamp: &Stamp, sigma: f64) -> Option<f32> {
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
    // Four times as many, and a few that noise lifts; the plateau's own ripple is left in it.
    (high > 4.0 * expected + 6.0).then_some(stamp.level + 0.85 * peak)
}

/// Measures a star by its saturated core.
pub(super) fn measure<P: Pixel>(
    setting: &Setting<'_, P>,
    candidate: &Candidate,
    blob: &Blob,
    scratch: &mut Scratch,
) -> Result<Measured, Refusal> {
    let sigma = setting.psf.sigma_px;
    let Scratch {
        stamp,
        window,
        sample,
        ..
    } = scratch;
    let core = blob.core_radius();
    let blooms = blob.blooms() && !setting.psf.is_drawn_out();
    // A window as wide as the core and its wings: the clipped profile is still symmetric.
    let width = (sigma * sigma + 0.5 * core * core).sqrt();
    let outer = 4.0 * sigma + 1.5 * core + 2.0;
    stamp.cut(&setting.scene, (blob.x, blob.y), outer);
    let (local, _) = local_sky(stamp, (blob.x, blob.y), sigma + core / 2.8, outer, sample);
    stamp.lower(local);
    let mut centre = (blob.x, blob.y);
    if !blooms && width * 3.0 < outer {
        centre = window
            .centroid(stamp, centre, width, sigma + 0.5 * core)
            .unwrap_or(centre);
    }
    let shape = window.shape(stamp, centre, width);
    let shape = shape.ok_or(Refusal::Shapeless)?;
    let flux = stamp
        .sum_within(centre, 1.3 * core + 3.0 * sigma)
        .max(f64::from(candidate.flux));
    let snr = flux / f64::from(candidate.flux_noise);
    let elongation = if blooms { 1.0 } else { shape.elongation() };
    Ok(Measured {
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
        shape_known: !blooms,
        core_px: Some(blob.half_sides()),
        flattened: false,
    })
}
