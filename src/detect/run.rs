//! The steps of detection in order.

use super::filter::{self, Candidate, Terms};
use super::first_look::{FirstLook, Grain};
use super::measure::{Context, FWHM_PER_SIGMA, Measured, Scratch, measure};
use super::mesh::Mesh;
use super::plane::{Blocks, Image, Pixel, Plane};
use super::psf::Psf;
use super::stamp::Sky;
use super::{Assumed, Detections, faults, merge, mosaic, order, shapes};
use crate::Deadline;
use crate::frame::Frame;
use rayon::prelude::*;

/// Most detections handed on.
const MOST: usize = 1000;
/// Most candidates measured.
const MOST_MEASURED: usize = 1200;
/// ... and at least so many frame pixels per measured candidate: what is fainter in a small
/// crowded frame tells little and costs much.
const PIXELS_PER_CANDIDATE: usize = 600;
/// Frames with more pixels than this are searched in 2 x 2 blocks.
pub(super) const LARGE: usize = 4_200_000;

/// Finds the stars of `image`; where nothing is assumed, the sky and the stars decide. `None` where
/// `deadline` passed between two passes over the frame.
pub(super) fn run<P: Pixel>(
    frame: &Frame,
    image: &Image<'_, P>,
    assumed: Assumed,
    deadline: Deadline,
) -> Option<Detections> {
    let mut out = Detections {
        width: image.width,
        height: image.height,
        ..Detections::default()
    };
    if image.width < 8 || image.height < 8 || image.data.len() != image.width * image.height {
        return Some(out);
    }
    let in_time = || (!deadline.passed()).then_some(());
    in_time()?;
    out.mosaic =
        frame.mosaic_stated == Some(true) || (!frame.nonlinear && mosaic::seen_in_sky(image));
    let mut base = if out.mosaic || image.data.len() > LARGE {
        2
    } else {
        1
    };
    let (mut coarse, mut saturation) = Plane::binned(image, 2 * base);
    if frame.nonlinear {
        // Lossy compression leaves ripples on what was flat.
        saturation *= 0.94;
    }
    let picture = frame.nonlinear;
    in_time()?;
    let mut look = FirstLook::at(image, &coarse, out.mosaic, saturation, picture, assumed);
    if look.mosaic && !out.mosaic && !frame.nonlinear {
        out.mosaic = true;
        if base == 1 {
            base = 2;
            coarse = coarse.rebinned(2);
        }
        look = FirstLook::at(image, &coarse, true, saturation, picture, assumed);
    }
    let psf = if assumed.single_pixels {
        Psf::SINGLE_PIXEL
    } else {
        look.psf
    };

    in_time()?;
    out.grain = look.grain();
    let rough = out.grain == Grain::Fine;
    let bin = search_bin(base, &psf, image);
    // The coarse plane holds the same sky with less noise.
    let mesh = look.into_mesh(image, &coarse, saturation);
    let terms = Terms {
        saturation,
        psf_known: true,
        single_pixels: assumed.single_pixels,
        picture,
    };
    let found = if bin < coarse.bin {
        search(&Blocks::of(image, bin), mesh, coarse.bin, &psf, &terms)
    } else {
        let plane = coarse.rebinned(bin / coarse.bin);
        search(&plane.blocks(), mesh, coarse.bin, &psf, &terms)
    };
    in_time()?;
    let context = Context {
        image,
        sky: Sky::new(&found.mesh, bin),
        psf,
        mosaic: out.mosaic,
        saturation,
        nonlinear: frame.nonlinear,
        harsh: frame.nonlinear && is_harsh(&found.mesh, bin, saturation),
        rough,
        single_pixels: assumed.single_pixels,
        kernel_px: f64::from(found.kernel) * bin as f64,
    };
    let measured = measure_all(&context, &found.candidates);
    in_time()?;
    let stars = merge::merge(measured, psf.window_px());
    finish(&mut out, stars, &psf, rough);
    out.shapes = shapes::measure(&context, &out.stars, out.fwhm_px);
    out.saturation_level = saturation.is_finite().then_some(f64::from(saturation));
    if found.mesh.is_blind() {
        // All pixels are alike, at the level that counts as saturated.
        out.sky_level = out.saturation_level.unwrap_or(0.0);
    } else {
        out.sky_level = median(&found.mesh.level);
        out.sky_noise = median(&found.mesh.noise) * bin as f64;
    }
    Some(out)
}

/// Candidates, with what they were found by.
struct Found {
    candidates: Vec<Candidate>,
    mesh: Mesh,
    /// Width of the kernel, blocks.
    kernel: f32,
}

/// Searches the frame in blocks; `mesh` was measured in blocks of `mesh_bin`.
fn search<P: Pixel>(
    blocks: &Blocks<'_, P>,
    mesh: Mesh,
    mesh_bin: usize,
    psf: &Psf,
    terms: &Terms,
) -> Found {
    let ratio = mesh_bin as f32 / blocks.bin as f32;
    let mesh = mesh.stretched(blocks.width, blocks.height, ratio);
    let kernel = kernel_sigma(psf, blocks.bin);
    let candidates = filter::candidates(blocks, &mesh, kernel, terms);
    Found {
        candidates,
        mesh,
        kernel,
    }
}

/// Whether a picture was stretched and sharpened so much that the noise of the sky, in blocks of
/// `bin` pixels, takes a large part of what lies between the sky and saturation.
fn is_harsh(mesh: &Mesh, bin: usize, saturation: f32) -> bool {
    const SHARE: f64 = 0.1;
    let noise = median(&mesh.noise) * bin as f64;
    noise > SHARE * (f64::from(saturation) - median(&mesh.level))
}

/// Frame pixels per block so that a star is two to four blocks wide (FWHM); trails count with
/// their length.
fn search_bin<P>(base: usize, psf: &Psf, image: &Image<'_, P>) -> usize {
    let fwhm = FWHM_PER_SIGMA * psf.window_px();
    let mut bin = base;
    while fwhm / bin as f64 >= 4.5 && bin < 16 && image.width.min(image.height) / (2 * bin) >= 32 {
        bin *= 2;
    }
    bin
}

/// Kernel width in plane pixels: the star's, seen through blocks.
fn kernel_sigma(psf: &Psf, bin: usize) -> f32 {
    let (sigma, bin) = (psf.window_px(), bin as f64);
    ((sigma * sigma + (bin * bin - 1.0) / 12.0).sqrt() / bin).clamp(0.5, 4.0) as f32
}

/// Measures the candidates that matter, the same ones whatever the number of threads.
fn measure_all<P: Pixel>(context: &Context<'_, P>, candidates: &[Candidate]) -> Vec<Measured> {
    let items: Vec<(f64, f64, f64)> = candidates
        .iter()
        .map(|c| (c.x_px, c.y_px, f64::from(c.flux)))
        .collect();
    let mut order = order::spread(&items, context.image.width, context.image.height);
    let enough = context.image.data.len() / PIXELS_PER_CANDIDATE;
    order.truncate(MOST_MEASURED.min(enough.max(400)));
    order
        .par_iter()
        .map_init(Scratch::default, |scratch, k| {
            measure(context, &candidates[*k], scratch)
        })
        .flatten()
        .filter(|m| m.is_sound(context.image.width, context.image.height))
        .collect()
}

/// Orders the list, faults last, and takes the typical width from it.
fn finish(out: &mut Detections, stars: Vec<Measured>, psf: &Psf, rough: bool) {
    let stars: Vec<Measured> = stars.into_iter().filter(|m| !m.fault).collect();
    let lines = faults::unlike_stars(&stars, psf, rough, (out.width, out.height));
    let (mut good, mut last) = (Vec::new(), Vec::new());
    for (m, line) in stars.iter().zip(lines) {
        if line { &mut last } else { &mut good }.push(*m);
    }
    let items: Vec<(f64, f64, f64)> = good
        .iter()
        .map(|m| (m.star.x_px, m.star.y_px, m.brightness))
        .collect();
    let order = order::spread(&items, out.width, out.height);
    out.stars = order
        .iter()
        .map(|k| good[*k].star)
        .chain(last.iter().map(|m| m.star))
        .take(MOST)
        .collect();
    let mut widths: Vec<f32> = good
        .iter()
        .filter(|m| !m.star.saturated && m.shape_known)
        .take(200)
        .map(|m| m.star.fwhm_px as f32)
        .collect();
    out.fwhm_px = if widths.len() < 5 {
        FWHM_PER_SIGMA * psf.sigma_px
    } else {
        widths.sort_unstable_by(f32::total_cmp);
        f64::from(widths[widths.len() / 2])
    };
}

fn median(values: &[f32]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f32::total_cmp);
    sorted.get(sorted.len() / 2).map_or(0.0, |v| f64::from(*v))
}
