//! The steps of detection in order.

use super::background::{Background, Mesh, Scene, SkyLevel};
use super::candidates::{self, Candidate};
use super::measure::{Measured, Scratch, Setting, brightness, measure};
use super::pixels::{Blocks, Image, LARGE, Pixel, Plane, View, mosaic};
use super::reading::Reading;
use super::refuse::{Refusal, Refused, merge, without_unlike};
use super::spread::spread;
use super::typical::{FWHM_PER_SIGMA, FirstLook, Psf};
use super::{Detection, Detections};
use crate::Deadline;
use crate::frame::Frame;
use crate::robust::median;
use rayon::prelude::*;

/// Most candidates measured: a fit uses up to 600 stars (`fit::FIT_STARS`), verification 400, and some
/// are refused.
const MOST_MEASURED: usize = 1000;
/// ... and at least this many frame pixels per measured candidate: what is fainter in a small
/// crowded frame tells little and costs much.
const PIXELS_PER_CANDIDATE: usize = 600;
/// ... but this many are measured in any frame: verification looks at as many.
const LEAST_MEASURED: usize = 400;
/// Lossy compression leaves ripples on what was flat: from this share of the highest value on, a
/// pixel of a picture is saturated.
const SATURATED_IN_PICTURE: f32 = 0.94;
/// A picture was stretched and sharpened much where the noise of a pixel takes this share of what lies
/// between the sky and saturation: the outline of a star ten such noises high moves with it.
const HARSH: f64 = 0.1;

/// Finds the stars of `image`, the sky in `frame`. `None` where `deadline` passed between two
/// passes over it.
pub(super) fn run<P: Pixel>(
    frame: &Frame,
    image: &Image<'_, P>,
    reading: Reading,
    deadline: Deadline,
) -> Option<Detections> {
    if image.width < 8 || image.height < 8 {
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
    let mesh = look.into_mesh(&view, &coarse, reading);
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
    sky: SkyLevel,
    /// Standard deviation of the kernel, frame pixels.
    kernel_px: f64,
}

/// Searches the frame in blocks of `bin` pixels; `mesh` was measured in those of `coarse`.
fn search<P: Pixel>(
    view: &View<'_, P>,
    coarse: &Plane,
    mesh: Mesh,
    bin: usize,
    psf: &Psf,
) -> Found {
    let ratio = coarse.bin as f32 / bin as f32;
    if bin < coarse.bin {
        return search_in(view, &Blocks::of(view.image, bin), (mesh, ratio), psf);
    }
    let plane = coarse.rebinned(bin / coarse.bin);
    search_in(view, &plane.blocks(), (mesh, ratio), psf)
}

fn search_in<P: Pixel, Q: Pixel>(
    view: &View<'_, P>,
    blocks: &Blocks<'_, Q>,
    (mesh, ratio): (Mesh, f32),
    psf: &Psf,
) -> Found {
    let mesh = mesh.stretched(blocks.width, blocks.height, ratio);
    let kernel = kernel_sigma(psf, blocks.bin);
    let (candidates, refused) = candidates::find(view, blocks, &mesh, Some(kernel));
    Found {
        candidates,
        refused,
        sky: SkyLevel::new(mesh, blocks.bin),
        kernel_px: f64::from(kernel) * blocks.bin as f64,
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
        sky, mut refused, ..
    } = found;
    let (mut sky_level, mut sky_noise) = sky.typical();
    let rough = background == Background::Fine;
    let range = f64::from(view.saturation) - sky_level;
    let noisy = sky_noise > HARSH * range;
    let setting = Setting {
        scene: Scene { view, sky: &sky },
        psf,
        harsh: view.picture && noisy,
        rough,
        kernel_px: found.kernel_px,
    };
    let mut measured = measure_all(&setting, &found.candidates, &mut refused);
    // Where noise takes much of the range, sums over many pixels put it before the stars.
    if !noisy {
        brightness::of_flattened(&setting, sky_level, &mut measured);
    }
    let stars = merge(measured, psf.window_px(), &mut refused);
    let good = without_unlike(stars, &psf, view.size_px(), &mut refused);
    let saturation_level = Some(f64::from(view.saturation)).filter(|level| level.is_finite());
    if sky.mesh().is_blind() {
        // All pixels are alike, at the level that counts as saturated.
        (sky_level, sky_noise) = (saturation_level.unwrap_or(0.0), 0.0);
    }
    Detections {
        stars: in_order(&good, view.size_px()),
        refused,
        width: view.image.width,
        height: view.image.height,
        fwhm_px: typical_fwhm(&good, &psf),
        sky_level,
        sky_noise,
        sky: Some(sky),
        background,
        mosaic: view.mosaic,
        saturation_level,
        part: None,
    }
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
    let candidates = Candidate::in_order(candidates, view.size_px());
    let enough = view.image.data.len() / PIXELS_PER_CANDIDATE;
    let verdicts: Vec<Result<Measured, Refusal>> = candidates
        .par_iter()
        .take(enough.clamp(LEAST_MEASURED, MOST_MEASURED))
        .map_init(Scratch::default, |scratch, candidate| {
            measure(setting, candidate, scratch)
        })
        .collect();
    let unmeasured = std::iter::repeat(Err(Refusal::Unmeasured));
    let verdicts = verdicts.into_iter().chain(unmeasured);
    let judged = candidates.iter().zip(verdicts);
    judged
        .filter_map(|(c, verdict)| Refused::note(refused, [c.x_px, c.y_px], verdict))
        .collect()
}

/// The stars in the order in which they are handed on.
fn in_order(good: &[Measured], size_px: (usize, usize)) -> Vec<Detection> {
    let stars: Vec<Detection> = good.iter().map(|m| m.star).collect();
    spread(&stars, |s| (s.x_px, s.y_px, s.flux), size_px)
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
