//! The steps of detection in order.

use super::background::{Background, Mesh, Scene, SkyLevel};
use super::candidates::{self, Candidate, Search};
use super::measure::{Measured, Scratch, Setting, brightness, measure};
use super::pixels::{Blocks, Image, LARGE, Pixel, Plane, View, mosaic};
use super::reading::Reading;
use super::refuse::{Refusal, Refused, judge_all, merge};
use super::typical::{FWHM_PER_SIGMA, FirstLook, Psf};
use super::{Detections, spread};
use crate::Deadline;
use crate::frame::Frame;
use crate::robust::median;
use rayon::prelude::*;

/// Most detections handed on: a fit uses up to 600 stars (`fit::FIT_STARS`), verification 400.
const MOST: usize = 1000;
/// Most candidates measured: some of them are refused.
const MOST_MEASURED: usize = 1200;
/// ... and at least this many frame pixels per measured candidate: what is fainter in a small
/// crowded frame tells little and costs much.
const PIXELS_PER_CANDIDATE: usize = 600;
/// ... but this many are measured in any frame: verification looks at as many.
const LEAST_MEASURED: usize = 400;
/// Lossy compression leaves ripples on what was flat: from this share of the highest value on, a
/// pixel of a picture is saturated.
const SATURATED_IN_PICTURE: f32 = 0.94;

/// Finds the stars of `image`, the sky in `frame`. `None` where `deadline` passed between two
/// passes over it.
pub(super) fn run<P: Pixel>(
    frame: &Frame,
    image: &Image<'_, P>,
    reading: Reading,
    deadline: Deadline,
) -> Option<Detections> {
    if image.width < 8 || image.height < 8 || image.data.len() != image.width * image.height {
        return Some(Detections::none(image.width, image.height));
    }
    let in_time = || (!deadline.passed()).then_some(());
    in_time()?;
    let mosaic =
        frame.mosaic_stated == Some(true) || (!frame.nonlinear && mosaic::seen_in_sky(image));
    let large = mosaic || image.data.len() > LARGE;
    let mut base = if large { 2 } else { 1 };
    let (mut coarse, mut saturation) = Plane::binned(image, 2 * base);
    if frame.nonlinear {
        saturation *= SATURATED_IN_PICTURE;
    }
    let mut view = View {
        image,
        mosaic,
        saturation,
        picture: frame.nonlinear,
        single_pixels: matches!(reading, Reading::SinglePixels(_)),
    };
    in_time()?;
    let mut look = FirstLook::at(&view, &coarse, reading);
    if look.mosaic && !view.mosaic && !view.picture {
        view.mosaic = true;
        if base == 1 {
            base = 2;
            coarse = coarse.rebinned(2);
        }
        look = FirstLook::at(&view, &coarse, reading);
    }
    in_time()?;
    let psf = if view.single_pixels {
        Psf::SINGLE_PIXEL
    } else {
        look.psf
    };
    let background = look.background;
    // The coarse plane holds the same sky with less noise.
    let mesh = look.into_mesh(&view, &coarse);
    let bin = search_bin(base, &psf, image);
    let found = search(&view, &coarse, mesh, bin, &psf);
    in_time()?;
    let out = detections(&view, found, psf, background);
    in_time()?;
    Some(out)
}

/// Candidates, with what they were found by.
struct Found {
    candidates: Vec<Candidate>,
    refused: Vec<Refused>,
    mesh: Mesh,
    /// Frame pixels per block.
    bin: usize,
    /// Width of the kernel, blocks.
    kernel: f32,
}

/// Searches the frame in blocks of `bin` pixels; `mesh` was measured in those of `coarse`.
fn search<P: Pixel>(
    view: &View<'_, P>,
    coarse: &Plane,
    mesh: Mesh,
    bin: usize,
    psf: &Psf,
) -> Found {
    if bin < coarse.bin {
        return search_in(view, &Blocks::of(view.image, bin), mesh, coarse.bin, psf);
    }
    let plane = coarse.rebinned(bin / coarse.bin);
    search_in(view, &plane.blocks(), mesh, coarse.bin, psf)
}

fn search_in<P: Pixel, Q: Pixel>(
    view: &View<'_, P>,
    blocks: &Blocks<'_, Q>,
    mesh: Mesh,
    mesh_bin: usize,
    psf: &Psf,
) -> Found {
    let ratio = mesh_bin as f32 / blocks.bin as f32;
    let mesh = mesh.stretched(blocks.width, blocks.height, ratio);
    let kernel = kernel_sigma(psf, blocks.bin);
    let search = Search {
        mesh: &mesh,
        sigma: kernel,
        psf_known: true,
    };
    let (candidates, refused) = candidates::find(view, blocks, &search);
    Found {
        candidates,
        refused,
        mesh,
        bin: blocks.bin,
        kernel,
    }
}

/// Measures and judges what was found.
fn detections<P: Pixel>(
    view: &View<'_, P>,
    found: Found,
    psf: Psf,
    background: Background,
) -> Detections {
    let Found {
        candidates,
        mut refused,
        mesh,
        bin,
        kernel,
    } = found;
    let sky = SkyLevel::new(mesh, bin);
    let rough = background == Background::Fine;
    let noisy = is_harsh(sky.mesh(), bin, view.saturation);
    let setting = Setting {
        scene: Scene { view, sky: &sky },
        psf,
        harsh: view.picture && noisy,
        rough,
        kernel_px: f64::from(kernel) * bin as f64,
    };
    let mut measured = measure_all(&setting, &candidates, &mut refused);
    // Where noise takes much of the range, sums over many pixels put it before the stars.
    if !noisy {
        brightness::of_flattened(&setting, &mut measured);
    }
    let stars = merge(measured, psf.window_px(), &mut refused);
    let verdicts = judge_all(&stars, &psf, rough, view.size_px());
    let good: Vec<Measured> = stars
        .iter()
        .zip(verdicts)
        .filter_map(|(m, verdict)| {
            Refused::note(&mut refused, [m.star.x_px, m.star.y_px], verdict)?;
            Some(*m)
        })
        .collect();
    let mut out = Detections::none(view.image.width, view.image.height);
    out.background = background;
    out.mosaic = view.mosaic;
    out.fwhm_px = typical_fwhm(&good, &psf);
    out.saturation_level = view
        .saturation
        .is_finite()
        .then_some(f64::from(view.saturation));
    if sky.mesh().is_blind() {
        // All pixels are alike, at the level that counts as saturated.
        out.sky_level = out.saturation_level.unwrap_or(0.0);
    } else {
        out.sky_level = middle(&sky.mesh().level);
        out.sky_noise = middle(&sky.mesh().noise) * bin as f64;
    }
    hand_on(&mut out, &good, &mut refused);
    out.refused = refused;
    out.sky = Some(sky);
    out
}

/// Whether a picture was stretched and sharpened so much that the noise of the sky, in blocks of
/// `bin` pixels, takes a large part of what lies between the sky and saturation.
fn is_harsh(mesh: &Mesh, bin: usize, saturation: f32) -> bool {
    // Ten such noises are the height of a saturated star: its outline moves with the noise of a pixel.
    const SHARE: f64 = 0.1;
    let noise = middle(&mesh.noise) * bin as f64;
    noise > SHARE * (f64::from(saturation) - middle(&mesh.level))
}

/// Frame pixels per block so that a star is two to four blocks wide (FWHM); trails count with
/// their length.
fn search_bin<P>(base: usize, psf: &Psf, image: &Image<'_, P>) -> usize {
    let fwhm = FWHM_PER_SIGMA * psf.window_px();
    let mut bin = base;
    // In twice as large blocks it is at least 2.25 wide; the mesh needs its blocks, too.
    while fwhm / bin as f64 >= 4.5 && bin < 16 && image.width.min(image.height) / (2 * bin) >= 32 {
        bin *= 2;
    }
    bin
}

/// Kernel width in plane pixels: the star's, seen through blocks, whose variance is (n^2 - 1) / 12
/// pixels more; no wider than the filters there are.
fn kernel_sigma(psf: &Psf, bin: usize) -> f32 {
    let (sigma, bin) = (psf.window_px(), bin as f64);
    ((sigma * sigma + (bin * bin - 1.0) / 12.0).sqrt() / bin).clamp(0.5, 4.0) as f32
}

/// Measures the candidates that matter, the same ones whatever the number of threads.
fn measure_all<P: Pixel>(
    setting: &Setting<'_, P>,
    candidates: &[Candidate],
    refused: &mut Vec<Refused>,
) -> Vec<Measured> {
    let view = setting.scene.view;
    let items: Vec<(f64, f64, f64)> = candidates
        .iter()
        .map(|c| (c.x_px, c.y_px, f64::from(c.flux)))
        .collect();
    let order = spread::spread(&items, view.size_px());
    let enough = (view.image.data.len() / PIXELS_PER_CANDIDATE).max(LEAST_MEASURED);
    let (first, rest) = order.split_at(order.len().min(enough.min(MOST_MEASURED)));
    let verdicts: Vec<Result<Measured, Refusal>> = first
        .par_iter()
        .map_init(Scratch::default, |scratch, k| {
            measure(setting, &candidates[*k], scratch)
        })
        .collect();
    let unmeasured = rest.iter().map(|_| Err(Refusal::Unmeasured));
    order
        .iter()
        .zip(verdicts.into_iter().chain(unmeasured))
        .filter_map(|(k, verdict)| {
            let Candidate { x_px, y_px, .. } = candidates[*k];
            Refused::note(refused, [x_px, y_px], verdict)
        })
        .collect()
}

/// Puts the stars in the order in which they are handed on.
fn hand_on(out: &mut Detections, good: &[Measured], refused: &mut Vec<Refused>) {
    let items: Vec<(f64, f64, f64)> = good
        .iter()
        .map(|m| (m.star.x_px, m.star.y_px, m.star.flux))
        .collect();
    let order = spread::spread(&items, (out.width, out.height));
    for (rank, k) in order.iter().enumerate() {
        let star = good[*k].star;
        let verdict = Refusal::Surplus.when(rank >= MOST);
        if Refused::note(refused, [star.x_px, star.y_px], verdict).is_some() {
            out.stars.push(star);
        }
    }
}

/// Typical width of these stars, or of the frame's typical star where they are few.
fn typical_fwhm(good: &[Measured], psf: &Psf) -> f64 {
    let widths = good
        .iter()
        .filter(|m| !m.star.saturated && m.shape_known)
        .take(200)
        .map(|m| m.star.fwhm_px);
    median(widths.clone())
        .filter(|_| widths.count() >= 5)
        .unwrap_or_else(|| psf.fwhm_px())
}

/// Median over the cells of a mesh; 0 for a mesh without cells.
fn middle(cells: &[f32]) -> f64 {
    median(cells.iter().copied()).unwrap_or(0.0)
}
