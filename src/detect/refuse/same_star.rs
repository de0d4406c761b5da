//! One star, one detection.

use super::{Refusal, Refused};
use crate::detect::measure::Measured;
use crate::detect::typical::FWHM_PER_SIGMA;
use std::collections::HashMap;

/// Refuses detections that lie within 0.8 FWHM of a brighter one, or within the saturated core
/// of one. Two maxima further apart stay two.
pub(in crate::detect) fn merge(
    mut stars: Vec<Measured>,
    sigma_px: f64,
    refused: &mut Vec<Refused>,
) -> Vec<Measured> {
    stars.sort_by(|a, b| {
        b.core_px
            .is_some()
            .cmp(&a.core_px.is_some())
            .then(b.star.flux.total_cmp(&a.star.flux))
            .then(a.star.y_px.total_cmp(&b.star.y_px))
            .then(a.star.x_px.total_cmp(&b.star.x_px))
    });
    let fwhm = FWHM_PER_SIGMA * sigma_px;
    let near = (0.8 * fwhm).max(1.0);
    let cell = near.max(8.0);
    let mut grid: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
    let mut kept: Vec<Measured> = Vec::with_capacity(stars.len());
    for m in stars {
        let (x, y) = (m.star.x_px, m.star.y_px);
        let (i, j) = ((x / cell) as i64, (y / cell) as i64);
        let taken = grid.get(&(i, j)).is_some_and(|list| {
            list.iter().any(|k| {
                let other = &kept[*k];
                let (dx, dy) = ((x - other.star.x_px).abs(), (y - other.star.y_px).abs());
                match other.core_px {
                    Some((hx, hy)) => dx <= hx + fwhm && dy <= hy + fwhm,
                    None => dx.hypot(dy) < near,
                }
            })
        });
        let verdict = Refusal::PartOfStar.when(taken);
        if Refused::note(refused, [x, y], verdict).is_none() {
            continue;
        }
        let (rx, ry) = m
            .core_px
            .map_or((near, near), |(hx, hy)| (hx + fwhm, hy + fwhm));
        for cy in ((y - ry) / cell) as i64..=((y + ry) / cell) as i64 {
            for cx in ((x - rx) / cell) as i64..=((x + rx) / cell) as i64 {
                grid.entry((cx, cy)).or_default().push(kept.len());
            }
        }
        kept.push(m);
    }
    kept
}
