//! How wide the stars of this frame are.

use super::drifted::{Outline, drifted};
use super::{NARROWEST, Psf};
use crate::detect::background::Scene;
use crate::detect::candidates::Candidate;
use crate::detect::measure::{Shape, Stamp, Window};
use crate::detect::pixels::Pixel;
use crate::detect::refuse::is_spike;
use crate::robust::quantile;
use rayon::prelude::*;

/// Images from which the typical one is taken: their median is known to a tenth of their scatter.
const LOOK_AT: usize = 160;
/// Images, hot pixels and saturated stars left out, that are enough to take the typical one from.
const ENOUGH: usize = 60;
/// At most this many batches of candidates are looked at, until [`ENOUGH`] images are found.
const MORE: usize = 5;
/// Widest star, standard deviation in pixels: four of them reach to the edge of the largest stamp.
const WIDEST: f64 = 12.0;

/// Measures the typical star from the brightest candidates that are neither saturated nor
/// single hot pixels; `None` without any.
pub(super) fn estimate<P: Pixel>(scene: &Scene<'_, P>, candidates: &[Candidate]) -> Option<Psf> {
    let mut found = outlines(scene, candidates, 2 * LOOK_AT, CLEAR_SNR, outline);
    let round = found.iter().filter(|f| f.elongation < ROUND).count();
    if round < FEW {
        found = outlines(scene, candidates, 2 * LOOK_AT, FAINT_SNR, outline);
    }
    typical(found, scene.view.size_px())
}

/// Candidates with this ratio to their noise have a shape that noise leaves alone ...
const CLEAR_SNR: f32 = 12.0;
/// ... and where fewer than `FEW` of these are round, as stars are, this must do: of a stretched
/// picture the bright stars are saturated, and letters and trails are all that is left.
const FAINT_SNR: f32 = 7.0;
const FEW: usize = 8;
const ROUND: f64 = 1.8;

/// The same from narrow images that stand out of their surroundings, whatever light lies there:
/// stars on a nebula. `None` where fewer than five agree.
pub(super) fn estimate_lone<P: Pixel>(
    scene: &Scene<'_, P>,
    candidates: &[Candidate],
) -> Option<Psf> {
    // Hills of the nebula may well be brighter than all stars.
    let found = outlines(scene, candidates, 8 * LOOK_AT, CLEAR_SNR, outline_of_lone);
    let psf = typical(found.clone(), scene.view.size_px())?;
    let alike = |f: &&Outline| apart(f.sigma_px, psf.sigma_px) < 2.0 * BANDWIDTH;
    (found.iter().filter(alike).count() >= LEAST_LONE).then_some(psf)
}

/// Fewer than this may agree by chance.
const LEAST_LONE: usize = 5;

/// How one candidate is measured.
type Measure<P> = fn(&Scene<'_, P>, &Candidate, &mut Scratch) -> Option<Shape>;

/// Outlines of the `most` brightest candidates, spread over the frame, or of the ones after them, as
/// far as they reach `least_snr`.
fn outlines<P: Pixel>(
    scene: &Scene<'_, P>,
    candidates: &[Candidate],
    most: usize,
    least_snr: f32,
    measure: Measure<P>,
) -> Vec<Outline> {
    let order = Candidate::in_order(candidates, scene.view.size_px());
    let mut found: Vec<Outline> = Vec::new();
    // Hot pixels may outnumber the stars: then more candidates are looked at.
    for some in order.chunks(most).take(MORE) {
        found.par_extend(
            some.par_iter()
                .map_init(Scratch::default, |scratch, candidate| {
                    if candidate.flux < least_snr * candidate.flux_noise {
                        return None;
                    }
                    let shape = measure(scene, candidate, scratch)?;
                    Some(Outline {
                        x_px: candidate.x_px,
                        y_px: candidate.y_px,
                        sigma_px: shape.sigma(),
                        elongation: shape.elongation(),
                        angle_rad: shape.angle(),
                    })
                })
                .flatten(),
        );
        if found.len() >= ENOUGH {
            break;
        }
    }
    found.truncate(LOOK_AT);
    found
}

/// The star that most of these images are.
fn typical(mut found: Vec<Outline>, size_px: (usize, usize)) -> Option<Psf> {
    if let Some(alike) = drifted(&found, size_px) {
        found = alike;
    }
    // Trails and columns give the width of the window, not of a star: the rounder images count. Of
    // what lies in the way some are rounder than the stars, but hardly a twelfth.
    let round = quantile(found.iter().map(|f| f.elongation), (1, 12)).unwrap_or(1.0);
    found.retain(|f| f.elongation <= 1.5 * round + 0.1);
    let sigma_px = common(found.iter().map(|f| f.sigma_px).collect())?;
    found.retain(|f| apart(f.sigma_px, sigma_px) < 2.0 * BANDWIDTH);
    let elongation = quantile(found.iter().map(|f| f.elongation), (1, 2));
    Some(Psf {
        sigma_px: sigma_px.max(NARROWEST),
        elongation: elongation.unwrap_or(1.0),
    })
}

/// Relative width over which images count as equally wide: at a ratio of 12 to the noise a width is known
/// to 1 / (12 sqrt 2), 6 %, and twice that holds nearly all.
const BANDWIDTH: f64 = 0.12;

/// Relative difference of two widths. That of a star narrower than a pixel scatters with its place
/// on the pixel, so that differences below 0.7 pixels, the width of the narrowest star, count less.
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
    let middle = |widths: &[f64]| widths.get(widths.len() / 2).copied();
    if widths.len() < 8 {
        return middle(&widths);
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
    let mut around = widths.clone();
    around.retain(|w| apart(*w, widths[peak]) < BANDWIDTH);
    // Narrower than the pixels, the widths scatter far to both sides, and their middle is right.
    if middle(&around)? < 0.8 {
        widths.retain(|w| *w < 1.1);
        return middle(&widths);
    }
    middle(&around)
}

/// Buffers of one thread.
#[derive(Default)]
struct Scratch {
    stamp: Stamp,
    window: Window,
    sample: Vec<f32>,
}

/// Half side of the first stamp, pixels: six times the first window.
const STAMP_PX: f64 = 8.0;
/// Window that the first look begins with, standard deviation in pixels: a well-sampled star's.
const FIRST_PX: f64 = 1.3;

/// Cuts the candidate's first stamp; `None` for saturated or single-pixel ones.
fn cut<P: Pixel>(scene: &Scene<'_, P>, candidate: &Candidate, stamp: &mut Stamp) -> Option<()> {
    let at = (candidate.x_px, candidate.y_px);
    stamp.cut(scene, at, STAMP_PX);
    let no_star = is_spike(stamp, scene.view.mosaic, Some(NARROWEST)) || is_saturated(scene, stamp);
    (!no_star).then_some(())
}

fn is_saturated<P>(scene: &Scene<'_, P>, stamp: &Stamp) -> bool {
    let limit = scene.view.saturation - stamp.level;
    stamp.data.iter().any(|v| *v >= 0.95 * limit)
}

/// Shape of one candidate.
fn outline<P: Pixel>(
    scene: &Scene<'_, P>,
    candidate: &Candidate,
    Scratch { stamp, window, .. }: &mut Scratch,
) -> Option<Shape> {
    cut(scene, candidate, stamp)?;
    let at = (candidate.x_px, candidate.y_px);
    let mut shape = window.adaptive(stamp, at, FIRST_PX, 3.0)?;
    for (from, limit_px) in [(2.2, 5.0), (4.5, WIDEST)] {
        if shape.sigma() < from {
            break;
        }
        stamp.cut(scene, at, 4.0 * limit_px);
        if is_saturated(scene, stamp) {
            return None;
        }
        shape = window.adaptive(stamp, at, from, limit_px)?;
    }
    // Wider is the sky's own unevenness.
    (shape.sigma() < 1.2 * WIDEST).then_some(shape)
}

/// Shape of one candidate above the ring around it, unless it is wide or the ring as uneven.
fn outline_of_lone<P: Pixel>(
    scene: &Scene<'_, P>,
    candidate: &Candidate,
    Scratch {
        stamp,
        window,
        sample,
    }: &mut Scratch,
) -> Option<Shape> {
    cut(scene, candidate, stamp)?;
    let at = (candidate.x_px, candidate.y_px);
    let (level, scatter, _) = stamp.ring(at, LONE_RING_PX, sample)?;
    stamp.lower(level);
    let shape = window.adaptive(stamp, at, FIRST_PX, LONE_WIDEST_PX)?;
    let sigma = shape.sigma();
    // The window passes half of a Gaussian star as wide as itself.
    let peak = 2.0 * shape.sum / (2.0 * std::f64::consts::PI * sigma * sigma);
    (sigma < LONE_WIDEST_PX && peak > LONE_CONTRAST * f64::from(scatter)).then_some(shape)
}

/// Radii of the ring around a lone star.
const LONE_RING_PX: (f64, f64) = (5.0, STAMP_PX);
/// Widest lone star, standard deviation in pixels: wider ones reach into the ring.
const LONE_WIDEST_PX: f64 = 2.5;
/// Least peak over the scatter in the ring.
const LONE_CONTRAST: f64 = 6.0;
