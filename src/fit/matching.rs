//! Pairs catalogue stars with detections under a pixel-to-sky map.

use crate::detect::Detections;
use crate::sky::RegionStar;
use crate::wcs::Wcs;

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
    let near = NearestDetection::new(detections);
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
        let Some((distance, detection)) = near.to([x, y], radius_px) else {
            continue;
        };
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

/// Finds the detection nearest to a place, by rows.
struct NearestDetection<'a> {
    detections: &'a Detections,
    /// Rows and numbers of the detections, in order of the rows.
    by_y: Vec<(f64, usize)>,
}

impl<'a> NearestDetection<'a> {
    fn new(detections: &'a Detections) -> NearestDetection<'a> {
        let rows = detections.stars.iter().map(|d| d.y_px);
        let mut by_y: Vec<(f64, usize)> = rows.zip(0..).collect();
        by_y.sort_by(|a, b| a.0.total_cmp(&b.0));
        NearestDetection { detections, by_y }
    }

    /// Distance and number of the detection nearest to `place`, if one is within `radius_px`.
    fn to(&self, [x, y]: [f64; 2], radius_px: f64) -> Option<(f64, usize)> {
        let first = self.by_y.partition_point(|e| e.0 < y - radius_px);
        let near = self.by_y[first..]
            .iter()
            .take_while(|e| e.0 <= y + radius_px);
        near.map(|&(_, i)| {
            let d = &self.detections.stars[i];
            ((x - d.x_px).hypot(y - d.y_px), i)
        })
        .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)))
        .filter(|(distance, _)| *distance <= radius_px)
    }
}
