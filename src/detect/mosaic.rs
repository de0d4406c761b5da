//! Recognises a colour mosaic from the pixels.

use super::plane::{Image, Pixel};

/// Blocks sampled along each axis.
const SAMPLES: usize = 96;

/// Whether the four 2 x 2 sub-lattices of the sky differ by more than chance.
///
/// In an unfiltered frame the neighbours in a block see the same sky, so the median difference
/// between two sub-lattices is zero within its standard error; behind colour filters it is not.
pub(super) fn seen_in_sky<P: Pixel>(image: &Image<'_, P>) -> bool {
    let step_x = (image.width / SAMPLES).max(2) & !1;
    let step_y = (image.height / SAMPLES).max(2) & !1;
    let mut differences: [Vec<f32>; 3] = Default::default();
    for y in (0..image.height.saturating_sub(1)).step_by(step_y) {
        for x in (0..image.width.saturating_sub(1)).step_by(step_x) {
            let at = |dx, dy| image.at((x + dx) as isize, (y + dy) as isize);
            let block = [at(0, 0), at(1, 0), at(0, 1), at(1, 1)];
            if block.iter().any(|v| v.is_nan()) {
                continue;
            }
            // Two diagonals: green against red plus blue; and within each diagonal.
            differences[0].push(block[0] + block[3] - block[1] - block[2]);
            differences[1].push(block[0] - block[3]);
            differences[2].push(block[1] - block[2]);
        }
    }
    differences.iter_mut().any(|d| differs(d, P::STEP))
}

/// Whether the median of `d` is not zero: by 6 standard errors, and by a tenth of the scatter
/// (odd and even columns of one amplifier often differ by less).
fn differs(d: &mut [f32], step: f32) -> bool {
    if d.len() < 200 {
        return false;
    }
    let Some((mean, sigma)) = super::mesh::clipped(d) else {
        return false;
    };
    let error = sigma.max(0.3 * step) / (d.len() as f32).sqrt();
    mean.abs() > 6.0 * error && mean.abs() > 0.1 * sigma
}
