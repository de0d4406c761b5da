//! Whether a picture was stretched or sharpened so much that bright stars no longer look like it:
//! their cores are ragged, and their edges as steep as those of letters.

use super::filter::Candidate;
use super::measure::Context;
use super::mesh::Mesh;
use super::plane::Pixel;
use super::saturated::{Scratch, blob_at};

/// Share of what lies between the sky and saturation that the noise takes in such a picture.
const NOISE_SHARE: f64 = 0.1;
/// Brightest candidates whose edges are looked at.
const LOOKED_AT: usize = 300;
/// Fewer round cores than this tell nothing.
const LEAST_ROUND: usize = 8;
/// Share of steep ones from which on it is the picture that is steep, and not a caption in it.
const STEEP_SHARE: f64 = 0.7;

/// Judges by the sky's noise, in blocks of `bin` pixels, and by the edges of the round saturated
/// cores among the first of `candidates`.
pub(super) fn is_harsh<'a, P: Pixel>(
    context: &Context<'_, P>,
    (mesh, bin): (&Mesh, usize),
    candidates: impl Iterator<Item = &'a Candidate>,
) -> bool {
    if !context.nonlinear || context.mosaic || !context.saturation.is_finite() {
        return false;
    }
    let noise = mesh.typical_noise() * bin as f64;
    let room = f64::from(context.saturation) - mesh.typical_level();
    noise > NOISE_SHARE * room || steep(context, candidates)
}

fn steep<'a, P: Pixel>(
    context: &Context<'_, P>,
    candidates: impl Iterator<Item = &'a Candidate>,
) -> bool {
    let reach = (2.0 * context.psf.sigma_px).max(1.5);
    let (image, level) = (context.image, context.saturation);
    let mut scratch = Scratch::default();
    let (mut round, mut steep) = (0, 0);
    for candidate in candidates.take(LOOKED_AT) {
        let at = (candidate.x_px, candidate.y_px);
        let blob = blob_at(image, level, at, reach, false, &mut scratch);
        if let Some(blob) = blob.filter(|b| b.is_round() && b.is_star(&context.psf, true)) {
            let sky = context.sky.level(blob.x, blob.y);
            round += 1;
            steep += usize::from(blob.is_sharp(&context.psf, level, sky, true));
        }
    }
    round >= LEAST_ROUND && steep as f64 >= STEEP_SHARE * round as f64
}
