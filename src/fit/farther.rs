//! Stars that a fit leaves behind, as a rule at the edge, where a lens bends more than the model knew
//! when the stars were matched: whether there are any.

use super::matching::{Pair, pairs};
use crate::detect::Detections;
use crate::sky::RegionStar;
use crate::wcs::Wcs;

/// A second look reaches this many times as far as the first one.
pub const FARTHER: f64 = 4.0;
/// Looks in all: each brings in stars that tell the model of the next.
pub const LOOKS: usize = 4;
/// Detections beside stars that chance does not explain, at least.
const LEAST: f64 = 4.0;

/// Whether within `radius_px` of where `wcs` puts `stars` there are clearly more detections than
/// were `matched`, beyond those that lie there by chance.
pub fn leaves_behind(
    detections: &Detections,
    stars: &[RegionStar],
    (wcs, matched): (&Wcs, &[Pair]),
    radius_px: f64,
) -> bool {
    let size = [detections.width as f64, detections.height as f64];
    let shown = |star: &&RegionStar| {
        let at = wcs.vector_to_pixel(star.vector);
        at.is_some_and(|at| (0..2).all(|i| at[i] > 0.5 && at[i] < size[i] + 0.5))
    };
    let alone = stars
        .iter()
        .filter(shown)
        .count()
        .saturating_sub(matched.len());
    let density = detections.stars.len() as f64 / (size[0] * size[1]).max(1.0);
    let by_chance = alone as f64 * density * std::f64::consts::PI * radius_px * radius_px;
    let near = pairs(detections, stars, wcs, radius_px).len();
    near as f64 > matched.len() as f64 + LEAST + by_chance + 2.0 * by_chance.sqrt()
}
