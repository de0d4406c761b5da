//! How wide the stars of this frame are.

use super::filter::Candidate;
use super::moments::Window;
use super::plane::{Image, Pixel};
use super::spikes::is_spike;
use super::stamp::{Sky, Stamp};
use rayon::prelude::*;

/// The typical star image of a frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct Psf {
    /// Geometric mean of the standard deviations along both axes, pixels, the pixel included.
    pub sigma_px: f64,
    /// Long over short axis.
    pub elongation: f64,
}

impl Psf {
    /// A well-sampled star, before anything is known.
    pub const GUESS: Psf = Psf {
        sigma_px: 1.2,
        elongation: 1.0,
    };

    /// Standard deviation along the short axis, pixels.
    pub fn short_axis_px(&self) -> f64 {
        (self.sigma_px / self.elongation.max(1.0).sqrt()).max(NARROWEST)
    }

    /// Standard deviation of a round window or kernel that holds the star, pixels: the star's
    /// own, or nearly its long axis where it is drawn out.
    pub fn window_px(&self) -> f64 {
        self.sigma_px * (self.elongation / 1.3).clamp(1.0, 4.8).sqrt()
    }
}

/// Narrowest star, standard deviation in pixels, the pixel included: no optics do better.
pub(super) const NARROWEST: f64 = 0.42;
/// Bright candidates that are looked at.
const LOOK_AT: usize = 160;
/// Widest star, standard deviation in pixels.
const WIDEST: f64 = 12.0;

/// Measures the typical star from the brightest candidates that are neither saturated nor
/// single hot pixels. Without any, a well-sampled star is assumed.
pub(super) fn estimate<P: Pixel>(
    image: &Image<'_, P>,
    sky: &Sky<'_>,
    mosaic: bool,
    saturation: f32,
    candidates: &[Candidate],
) -> Psf {
    let items: Vec<(f64, f64, f64)> = candidates
        .iter()
        .map(|c| (c.x_px, c.y_px, f64::from(c.flux)))
        .collect();
    let order = super::order::spread(&items, image.width, image.height);
    let mut found: Vec<(f64, f64)> = order
        .par_iter()
        .take(LOOK_AT * 2)
        .map_init(Default::default, |(stamp, window), k| {
            width_of(
                image,
                sky,
                mosaic,
                saturation,
                &candidates[*k],
                stamp,
                window,
            )
        })
        .flatten()
        .collect();
    found.truncate(LOOK_AT);
    // Trails and columns give the width of the window, not of a star: the rounder images count.
    let mut elongations: Vec<f64> = found.iter().map(|f| f.1).collect();
    elongations.sort_unstable_by(f64::total_cmp);
    let round = elongations
        .get(elongations.len() / 12)
        .copied()
        .unwrap_or(1.0);
    found.retain(|f| f.1 <= 1.5 * round + 0.1);
    let sigma_px = common(found.iter().map(|f| f.0).collect()).unwrap_or(Psf::GUESS.sigma_px);
    let mut elongations: Vec<f64> = found
        .iter()
        .filter(|f| apart(f.0, sigma_px) < 2.0 * BANDWIDTH)
        .map(|f| f.1)
        .collect();
    elongations.sort_unstable_by(f64::total_cmp);
    Psf {
        sigma_px: sigma_px.max(NARROWEST),
        elongation: elongations
            .get(elongations.len() / 2)
            .copied()
            .unwrap_or(1.0),
    }
}

/// Relative width over which images count as equally wide.
const BANDWIDTH: f64 = 0.12;

/// Relative difference of two widths. That of a star narrower than a pixel scatters with its place
/// on the pixel, so that differences below count less.
fn apart(a: f64, b: f64) -> f64 {
    (log_width(a) - log_width(b)).abs()
}

fn log_width(w: f64) -> f64 {
    0.5 * (w * w + 0.49).ln()
}

/// The width that many images share: stars are all alike, nebula, trails and blends are not,
/// and are wider. Of the peaks of the density that reach half the highest, the narrowest.
fn common(mut widths: Vec<f64>) -> Option<f64> {
    widths.retain(|w| *w > 0.1);
    widths.sort_unstable_by(f64::total_cmp);
    if widths.len() < 8 {
        return widths.get(widths.len() / 2).copied();
    }
    let logs: Vec<f64> = widths.iter().map(|w| log_width(*w)).collect();
    let density: Vec<f64> = logs
        .iter()
        .map(|w| {
            logs.iter()
                .map(|u| (1.0 - ((u - w) / BANDWIDTH).powi(2)).max(0.0))
                .sum()
        })
        .collect();
    let highest = density.iter().copied().fold(0.0, f64::max);
    let first = density.iter().position(|d| *d >= 0.5 * highest.max(6.0))?;
    // From there up to the peak, and the median of what surrounds it.
    let near = |w: f64| apart(w, widths[first]) < 2.0 * BANDWIDTH;
    let peak = (first..widths.len())
        .take_while(|k| near(widths[*k]))
        .max_by(|a, b| density[*a].total_cmp(&density[*b]).then(b.cmp(a)))?;
    let around: Vec<f64> = widths
        .iter()
        .copied()
        .filter(|w| apart(*w, widths[peak]) < BANDWIDTH)
        .collect();
    let typical = around.get(around.len() / 2).copied()?;
    if typical >= 0.8 {
        return Some(typical);
    }
    // Narrower than the pixels, the widths scatter far to both sides, and their middle is right.
    widths.retain(|w| *w < 1.1);
    widths.get(widths.len() / 2).copied()
}

/// Width and elongation of one candidate.
fn width_of<P: Pixel>(
    image: &Image<'_, P>,
    sky: &Sky<'_>,
    mosaic: bool,
    saturation: f32,
    candidate: &Candidate,
    stamp: &mut Stamp,
    window: &mut Window,
) -> Option<(f64, f64)> {
    if candidate.flux < 12.0 * candidate.flux_noise {
        return None;
    }
    let at = (candidate.x_px, candidate.y_px);
    stamp.cut(image, sky, mosaic, at, 8.0);
    let limit = saturation - stamp.level;
    if is_spike(stamp, mosaic, NARROWEST) || stamp.data.iter().any(|v| *v >= 0.95 * limit) {
        return None;
    }
    let mut shape = window.adaptive(stamp, at, 1.3, 3.0)?;
    for (from, limit_px) in [(2.2, 5.0), (4.5, WIDEST)] {
        if shape.sigma() < from {
            break;
        }
        stamp.cut(image, sky, mosaic, at, 4.0 * limit_px);
        if stamp.data.iter().any(|v| *v >= 0.95 * limit) {
            return None;
        }
        shape = window.adaptive(stamp, at, from, limit_px)?;
    }
    Some((shape.sigma(), shape.elongation()))
}
