//! What the sky of a frame says: too bright, clouded, or no light at all.

use super::survey::{LightMap, Survey};
use nalgebra::{DMatrix, DVector};

/// Sky above this share of full scale leaves no room for stars.
pub(super) const BRIGHT_FILL: f64 = 0.55;
/// Half of the pixels at full scale: burnt out.
pub(super) const BURNT_SHARE: f64 = 0.3;

/// How uneven the light of a frame is, in standard errors of a mesh cell.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Unevenness {
    /// Scatter of the cells about their mean: any light at all that comes through optics.
    pub any: f64,
    /// Scatter about a second-order surface: what neither gradient nor vignetting explains.
    pub rough: f64,
    /// That scatter as a share of the sky's level.
    pub rough_share: f64,
}

/// Measures the unevenness of a surveyed sky; `None` with too few cells.
pub(super) fn unevenness(survey: &Survey) -> Option<Unevenness> {
    const TERMS: usize = 6;
    let LightMap { level, size, error } = &survey.coarse_light;
    let [cols, rows] = *size;
    if cols * rows < 2 * TERMS || !(*error > 0.0) {
        return None;
    }
    let unit = |k: usize, count: usize| 2.0 * (k as f64 + 0.5) / count as f64 - 1.0;
    let matrix = DMatrix::from_fn(cols * rows, TERMS, |k, term| {
        let (x, y) = (unit(k % cols, cols), unit(k / cols, rows));
        [1.0, x, y, x * x, x * y, y * y][term]
    });
    let levels = DVector::from_column_slice(level);
    let surface = matrix.clone().svd(true, true).solve(&levels, 1e-9).ok()?;
    let rough = rms(&(&levels - matrix * surface));
    let mean = levels.mean();
    Some(Unevenness {
        any: rms(&levels.add_scalar(-mean)) / error,
        rough: rough / error,
        rough_share: rough / mean.abs().max(f64::MIN_POSITIVE),
    })
}

fn rms(values: &DVector<f64>) -> f64 {
    (values.norm_squared() / values.len().max(1) as f64).sqrt()
}
