//! Places where a star may be: local maxima of the frame behind a matched filter.

mod convolve;
mod curvature;
mod maxima;

use super::background::{Mesh, median3};
use super::pixels::{Blocks, Pixel, View};
use super::refuse::Refused;
use super::spread::spread;
use convolve::Kernel;
use curvature::Curvatures;
use maxima::{Buffers, Peak, Strip, strip};
use rayon::prelude::*;
use std::cell::RefCell;

/// Least ratio of a filtered maximum to the noise of the filtered plane. At 4.5 sigma a
/// megapixel of pure noise yields a handful of maxima.
const THRESHOLD: f32 = 4.5;

thread_local! {
    /// Kept from frame to frame: a service would clear as much memory for each as its pixels take.
    static BUFFERS: RefCell<Buffers> = RefCell::default();
}

/// A local maximum of the filtered plane.
#[derive(Debug, Clone, Copy)]
pub(super) struct Candidate {
    /// Position, full-resolution pixels of the frame.
    pub x_px: f64,
    /// See `x_px`.
    pub y_px: f64,
    /// Flux of a star of the kernel's shape, frame units.
    pub flux: f32,
    /// Noise of that flux.
    pub flux_noise: f32,
}

/// Standard deviation of the Gaussian kernel of a first look, blocks.
const FIRST_SIGMA: f32 = 1.0;

impl Candidate {
    /// Candidates in the order in which they are looked at.
    pub fn in_order(candidates: &[Candidate], size_px: (usize, usize)) -> Vec<Candidate> {
        let place = |c: &Candidate| (c.x_px, c.y_px, f64::from(c.flux));
        spread(candidates, place, size_px)
    }
}

/// Filters the `blocks` of a frame, whose background is `mesh`, and returns the maxima above the
/// threshold, in stored order, and those that were refused. The Gaussian kernel is as wide as the
/// stars, standard deviation `stars` in blocks; while that is not known nothing is too sharp for one.
pub(super) fn find<P: Pixel, Q: Pixel>(
    view: &View<'_, P>,
    blocks: &Blocks<'_, Q>,
    mesh: &Mesh,
    stars: Option<f32>,
) -> (Vec<Candidate>, Vec<Refused>) {
    let (sigma, psf_known) = (stars.unwrap_or(FIRST_SIGMA), stars.is_some());
    let kernel = Kernel::gaussian(sigma);
    let strips: Vec<Strip> = (0..mesh.rows)
        .into_par_iter()
        .map(|j| {
            BUFFERS.with_borrow_mut(|buffers| strip(blocks, mesh, &kernel, (j, psf_known), buffers))
        })
        .collect();
    let raw: Vec<f32> = strips
        .iter()
        .flat_map(|s| s.noise.iter().copied())
        .collect();
    let noise = median3(&raw, mesh.cols, mesh.rows);
    let mut refused = Vec::new();
    let peaks: Vec<(f32, Peak)> = strips
        .into_iter()
        .flat_map(|s| s.peaks)
        .map(|p| (p.value / noise[p.cell], p))
        .filter(|(snr, _)| *snr >= THRESHOLD)
        .collect();
    let curvatures = Curvatures::of(&peaks, sigma, psf_known && !view.single_pixels);
    let area = (blocks.bin * blocks.bin) as f32;
    let candidates = peaks
        .iter()
        .filter_map(|(snr, p)| {
            let mut verdict = curvatures.judge(p.curvature, *snr);
            if verdict.is_err() && blocks.highest_near(p.x, p.y) >= view.saturation {
                // A saturated core with its blooming is judged by its outline.
                verdict = Ok(());
            }
            let [x_px, y_px] = [p.x, p.y].map(|v| blocks.to_frame(f64::from(v)));
            Refused::note(&mut refused, [x_px, y_px], verdict)?;
            Some(Candidate {
                x_px,
                y_px,
                flux: p.value * area,
                flux_noise: noise[p.cell] * area,
            })
        })
        .collect();
    (candidates, refused)
}
