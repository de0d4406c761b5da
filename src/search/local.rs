//! Every catalogue star around a commanded position, not only those of the prebuilt quads: what
//! sparse or crowded small fields need, affordable where position and scale are claimed.

use super::scan::{BatchResult, Scanner};
use super::{SearchError, plan::SCALE_CLAIM_ERROR};
use crate::sky::{RegionStar, SkyRegion};
use crate::sphere::ARCSEC_PER_RAD;
use rayon::prelude::*;
use star_index::IndexError;
use star_index::neighbours::Neighbours;
use star_index::quad::{canonical, on_tangent_plane, pack};

/// This many stars are used, the brightest: with their neighbours about a quarter million quads.
const MOST_STARS: usize = 3000;
/// Each star is combined with this many of its nearest neighbours.
const NEIGHBOURS: usize = 8;

impl Scanner<'_> {
    /// Makes quads of every star within `radius_deg` of the ICRS unit vector `start` and weighs
    /// their matches, those of each star in one piece so that the result does not depend on the
    /// number of threads.
    pub fn every_star(
        &self,
        index: usize,
        start: [f64; 3],
        radius_deg: f64,
    ) -> Result<BatchResult, SearchError> {
        let failed = |error: IndexError| SearchError { index, error };
        let mut region = SkyRegion::default();
        let radius = radius_deg.to_radians();
        let stars = region
            .cone(
                self.sky,
                index,
                start,
                radius,
                MOST_STARS,
                self.years(index),
            )
            .map_err(failed)?;
        let mut stars = stars.to_vec();
        stars.truncate(MOST_STARS);
        // No quad is longer than the frame's diagonal at the largest claimed scale.
        let largest = self.scales.iter().fold(0.0_f64, |m, &s| m.max(s));
        let diagonal_px = 2.0 * self.half_px[0].hypot(self.half_px[1]);
        let longest_rad = diagonal_px * largest * (1.0 + SCALE_CLAIM_ERROR) / ARCSEC_PER_RAD;
        let longest2 = longest_rad.min(1.0).powi(2);
        let neighbours = Neighbours::of(stars.iter().map(|star| star.vector).collect());
        let results: Vec<Result<BatchResult, IndexError>> = (0..stars.len())
            .into_par_iter()
            .map_init(SkyRegion::default, |region, star| {
                let near = neighbours.nearest_others(star, NEIGHBOURS, longest2);
                self.quads_of(index, &stars, (star, &near), region)
            })
            .collect();
        let mut total = BatchResult::default();
        for result in results {
            let result = result.map_err(failed)?;
            total.candidates += result.candidates;
            total.take(result.best);
        }
        Ok(total)
    }

    /// The quads of one star with its nearest neighbours.
    fn quads_of(
        &self,
        index: usize,
        stars: &[RegionStar],
        (star, near): (usize, &[usize]),
        region: &mut SkyRegion,
    ) -> Result<BatchResult, IndexError> {
        let mut result = BatchResult::default();
        if self.is_late() {
            return Ok(result);
        }
        for a in 0..near.len() {
            for b in a + 1..near.len() {
                for c in b + 1..near.len() {
                    let set = [star, near[a], near[b], near[c]].map(|i| stars[i].vector);
                    let Some(ordered) = on_tangent_plane(set).as_ref().and_then(canonical) else {
                        continue;
                    };
                    let numbers = [star, near[a], near[b], near[c]];
                    let quad_stars = ordered.order.map(|k| stars[numbers[k]].star());
                    let mut failure = None;
                    self.table.matches(pack(ordered.code), |number| {
                        if let Some(quad) = self.table.quad(number) {
                            let done = self.consider(index, region, quad, quad_stars, &mut result);
                            failure = failure.take().or(done.err());
                        }
                    });
                    if let Some(error) = failure {
                        return Err(error);
                    }
                }
            }
        }
        Ok(result)
    }
}
