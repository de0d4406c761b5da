//! Pairs catalogue stars with detections under a pixel-to-sky map.

use crate::detect::Detections;
use crate::sky::RegionStar;
use crate::wcs::Wcs;
use star_index::neighbours::Neighbours;
use std::num::NonZero;

/// A pair: number of the detection and its star.
#[derive(Debug, Clone, Copy)]
pub struct Pair {
    pub detection: usize,
    pub star: RegionStar,
}

/// Pairs every star with the nearest detection within `radius_px` of its predicted position;
/// a detection goes to the nearest star, and is left out where two stars claim it within a
/// factor of two (a blend).
pub fn pairs(
    detections: &Detections,
    stars: &[RegionStar],
    wcs: &Wcs,
    radius_px: f64,
) -> Vec<Pair> {
    let size = [detections.width as f64, detections.height as f64];
    let places = detections.stars.iter().map(|d| [d.x_px, d.y_px]);
    let near = Neighbours::of(places.collect());
    // Nearest two claims on each detection.
    let mut claims: Vec<[Option<(f64, Pair)>; 2]> = vec![[None, None]; detections.stars.len()];
    for star in stars {
        let Some([x, y]) = wcs
            .vector_to_pixel(star.vector)
            .map(|p| [p[0] - 1.0, p[1] - 1.0])
        else {
            continue;
        };
        let outside = |c: f64, n: f64| !(c >= -radius_px && c <= n + radius_px);
        if outside(x, size[0]) || outside(y, size[1]) {
            continue;
        }
        let nearest = near.nearest([x, y], NonZero::<usize>::MIN, radius_px * radius_px);
        let Some(&(distance2, detection)) = nearest.first() else {
            continue;
        };
        let distance = distance2.sqrt();
        let star = *star;
        let claim = (distance, Pair { detection, star });
        let held = &mut claims[detection];
        match held[0] {
            Some((nearest, _)) if nearest <= distance => {
                if held[1].is_none_or(|(second, _)| distance < second) {
                    held[1] = Some(claim);
                }
            }
            first => *held = [Some(claim), first],
        }
    }
    claims
        .into_iter()
        .filter_map(|[first, second]| {
            let (distance, pair) = first?;
            let blend = second.is_some_and(|(other, _)| other < 2.0 * distance.max(0.5));
            (!blend).then_some(pair)
        })
        .collect()
}
