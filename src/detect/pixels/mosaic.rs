//! Recognises a colour mosaic from the pixels.

use super::{Image, Pixel, View};
use crate::detect::background::{SkyLevel, clipped};
use crate::detect::candidates::Candidate;

/// Blocks sampled along each axis: the medians of nine thousand are known to 0.013 of their scatter.
const SAMPLES: usize = 96;

/// Whether the four 2 x 2 sub-lattices of the sky differ by more than chance.
///
/// In an unfiltered frame the neighbours in a block see the same sky, so the median difference
/// between two sub-lattices is zero within its standard error; behind colour filters it is not.
pub(in crate::detect) fn seen_in_sky<P: Pixel>(image: &Image<'_, P>) -> bool {
    // Twice an odd number: sensors read by four amplifiers in turn show patterns of period 4,
    // which must average out.
    let step = |length: usize| 2 * ((length / SAMPLES / 2) | 1);
    let (step_x, step_y) = (step(image.width), step(image.height));
    let mut differences: [Vec<f32>; 3] = Default::default();
    for y in (0..image.height.saturating_sub(1)).step_by(step_y) {
        for x in (0..image.width.saturating_sub(1)).step_by(step_x) {
            let at = |dx, dy| image.at((x + dx) as isize, (y + dy) as isize);
            let block = [at(0, 0), at(1, 0), at(0, 1), at(1, 1)];
            if block.iter().any(|v| v.is_nan()) {
                continue;
            }
            compare(block, &mut differences);
        }
    }
    differences.iter().any(|d| differs(d, P::STEP))
}

/// Adds how two diagonals differ, green against red plus blue, and the values within each diagonal.
fn compare([a, b, c, d]: [f32; 4], differences: &mut [Vec<f32>; 3]) {
    let all = differences.iter_mut().zip([a + d - b - c, a - d, b - c]);
    all.for_each(|(list, difference)| list.push(difference));
}

/// Whether the median of `d` is not zero: by 6 standard errors, and by a fifth of the scatter
/// (odd and even rows of one amplifier often differ by less). Fewer than 200 blocks, of which a
/// fifth of the scatter is hardly three errors, tell nothing.
fn differs(d: &[f32], step: f32) -> bool {
    if d.len() < 200 {
        return false;
    }
    let Some((mean, sigma)) = clipped(d, 0.3 * step) else {
        return false;
    };
    let error = sigma.max(0.3 * step) / (d.len() as f32).sqrt();
    mean.abs() > 6.0 * error && mean.abs() > 0.2 * sigma
}

/// Whether the light of bright stars falls unevenly on the four sub-lattices: short exposures
/// show a mosaic in the stars alone, as the sky is hardly above the bias.
///
/// Behind no filter a star's share per sub-lattice is a quarter, more or less by where it lies
/// between the pixels, and a quarter in the median over stars.
pub(in crate::detect) fn seen_in_stars<P: Pixel>(
    view: &View<'_, P>,
    sky: &SkyLevel,
    candidates: &[Candidate],
) -> bool {
    let mut bright: Vec<&Candidate> = candidates
        .iter()
        .filter(|c| c.flux > 25.0 * c.flux_noise)
        .collect();
    bright.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    let mut contrasts: [Vec<f32>; 3] = Default::default();
    let shares = bright.iter().take(120).filter_map(|c| shares(view, sky, c));
    shares.for_each(|share| compare(share, &mut contrasts));
    contrasts.iter_mut().any(|c| {
        if c.len() < 12 {
            return false;
        }
        c.sort_unstable_by(f32::total_cmp);
        let n = c.len();
        // In normal noise the quartiles lie 1 / 0.74 sigma apart, and a median errs by 1.25 times
        // as much as a mean.
        let error = 0.74 * (c[n * 3 / 4] - c[n / 4]) * 1.25 / (n as f32).sqrt();
        // Rows and columns of one amplifier may differ in gain by some percent.
        c[n / 2].abs() > 0.06 && c[n / 2].abs() > 5.0 * error
    })
}

/// Share of a star's light per sub-lattice, from the 8 x 8 pixels around it.
fn shares<P: Pixel>(view: &View<'_, P>, sky: &SkyLevel, c: &Candidate) -> Option<[f32; 4]> {
    let level = sky.level(c.x_px, c.y_px);
    let (x0, y0) = (c.x_px.round() as isize - 4, c.y_px.round() as isize - 4);
    let mut sums = [0.0f32; 4];
    for y in y0..y0 + 8 {
        for x in x0..x0 + 8 {
            let v = view.image.at(x, y);
            if !(v < view.saturation) {
                return None;
            }
            sums[((y & 1) * 2 + (x & 1)) as usize] += v - level;
        }
    }
    let total: f32 = sums.iter().sum();
    // A hot pixel or a cosmic ray has all its light in one place; behind filters a star leaves at
    // least a fiftieth to each colour.
    let fair = sums.iter().all(|s| *s > 0.02 * total && *s < 0.7 * total);
    (total > 0.0 && fair).then(|| sums.map(|s| s / total))
}
