//! From a candidate to a detection: centroid, flux, width.

pub(super) mod brightness;
mod core;
mod growth;
mod moments;
mod refine;
mod saturated;
mod stamp;
mod unsaturated;

use super::Detection;
use super::background::Scene;
use super::candidates::Candidate;
use super::pixels::Pixel;
use super::refuse::{Refusal, is_star, judge_edge};
use super::typical::Psf;
pub(super) use core::Blob;
use core::blob_at;
pub(crate) use moments::{LEAST_WINDOW_PX, Shape, Window};
pub(crate) use stamp::Stamp;

/// What measuring needs to know about the frame.
pub(super) struct Setting<'a, P> {
    /// The frame and its sky.
    pub scene: Scene<'a, P>,
    /// Its typical star.
    pub psf: Psf,
    /// A picture stretched or sharpened so much that the noise of its sky makes the edges of
    /// saturated stars steep.
    pub harsh: bool,
    /// The sky is rough: small hills of it pass for faint, wide stars.
    pub rough: bool,
    /// Standard deviation of the detection kernel, frame pixels.
    pub kernel_px: f64,
}

/// A detection, and what its place in the list depends on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Measured {
    pub star: Detection,
    /// The elongation means something: bright enough, wholly inside the frame, no blooming.
    pub shape_known: bool,
    /// Half width and half height of the saturated core.
    pub core_px: Option<(f64, f64)>,
    /// A tone curve has flattened it: its width says nothing against it.
    pub flattened: bool,
}

impl Measured {
    /// Every number is finite and the centre inside the frame: floating-point frames can hold
    /// values whose sums overflow.
    fn is_sound(&self, (width, height): (usize, usize)) -> bool {
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
    profiles: refine::Profiles,
    sample: Vec<f32>,
    blob: core::Scratch,
    rings: growth::Rings,
}

/// Measures one candidate.
pub(super) fn measure<P: Pixel>(
    setting: &Setting<'_, P>,
    candidate: &Candidate,
    scratch: &mut Scratch,
) -> Result<Measured, Refusal> {
    let measured = measure_by_core(setting, candidate, scratch)?;
    // Whether or not it is switched off for a measurement, no other stage copes with it.
    let sound = measured.is_sound(setting.scene.view.size_px());
    sound.then_some(measured).ok_or(Refusal::Shapeless)
}

/// Measures a candidate with a saturated core, or one that is a plateau, by its core, and others
/// by their light.
fn measure_by_core<P: Pixel>(
    setting: &Setting<'_, P>,
    candidate: &Candidate,
    scratch: &mut Scratch,
) -> Result<Measured, Refusal> {
    let view = setting.scene.view;
    let at = (candidate.x_px, candidate.y_px);
    let reach = (2.0 * setting.psf.sigma_px).max(1.5);
    let core = |level: f32, scratch: &mut Scratch| -> Result<Option<Blob>, Refusal> {
        let blob = blob_at(view, level, at, reach, &mut scratch.blob);
        let Some(blob) = blob else { return Ok(None) };
        judge_edge(setting, &blob, level)?;
        Ok(Some(blob).filter(|blob| is_star(blob, &setting.psf)))
    };
    let mut star = None;
    if view.saturation.is_finite() {
        star = core(view.saturation, scratch)?;
    }
    if star.is_none()
        && let Some(level) = saturated::plateau(setting, candidate, scratch)
    {
        star = core(level, scratch)?;
    }
    match star {
        Some(blob) => saturated::measure(setting, candidate, &blob, scratch),
        None => unsaturated::measure(setting, candidate, scratch),
    }
}

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
