//! Nearest neighbours among the stars of a part of the sky.

use crate::choose::distance2;

/// Stars in square buckets of a plane (Lambert's azimuthal equal-area projection; Snyder 1987,
/// USGS Professional Paper 1395, page 182).
pub(super) struct Grid<'a> {
    vectors: &'a [[f64; 3]],
    flat: Vec<[f64; 2]>,
    corner: [f64; 2],
    step: f64,
    size: [usize; 2],
    starts: Vec<u32>,
    members: Vec<u32>,
}

/// The projection stretches by 1 / cos(angle / 2) at most: 8 % at 45 deg from its centre, which is
/// farther than a partition and its neighbours reach.
const STRETCH: f64 = 1.1;

impl<'a> Grid<'a> {
    /// Buckets of `step_rad` for stars within 45 deg of the unit vector `centre`.
    pub(super) fn new(vectors: &'a [[f64; 3]], centre: [f64; 3], step_rad: f64) -> Grid<'a> {
        let flat: Vec<[f64; 2]> = vectors.iter().map(|&v| project(v, centre)).collect();
        let bound = |pick: fn(f64, f64) -> f64, from: f64| {
            flat.iter()
                .fold([from; 2], |m, p| [pick(m[0], p[0]), pick(m[1], p[1])])
        };
        let (low, high) = (
            bound(f64::min, f64::INFINITY),
            bound(f64::max, f64::NEG_INFINITY),
        );
        let size = [0, 1].map(|k| ((high[k] - low[k]).max(0.0) / step_rad) as usize + 1);
        let mut grid = Grid {
            vectors,
            flat,
            corner: low,
            step: step_rad,
            size,
            starts: vec![0; size[0] * size[1] + 1],
            members: vec![0; vectors.len()],
        };
        let buckets: Vec<usize> = (0..vectors.len())
            .map(|star| {
                let [x, y] = grid.bucket(star);
                y * size[0] + x
            })
            .collect();
        for &bucket in &buckets {
            grid.starts[bucket + 1] += 1;
        }
        for k in 1..grid.starts.len() {
            grid.starts[k] += grid.starts[k - 1];
        }
        let mut next = grid.starts.clone();
        for (star, &bucket) in buckets.iter().enumerate() {
            grid.members[next[bucket] as usize] = star as u32;
            next[bucket] += 1;
        }
        grid
    }

    fn bucket(&self, star: usize) -> [usize; 2] {
        [0, 1].map(|k| {
            let place = (self.flat[star][k] - self.corner[k]) / self.step;
            (place as usize).min(self.size[k] - 1)
        })
    }

    /// Of the stars that are `wanted`, the `count` nearest to star `of` (itself excluded), nearest
    /// first, none farther than `limit_rad`; ties in the order of the stars.
    pub(super) fn nearest(
        &self,
        of: usize,
        count: usize,
        limit_rad: f64,
        wanted: impl Fn(u32) -> bool,
    ) -> Vec<u32> {
        let chord2 = |angle: f64| (2.0 * (0.5 * angle).sin()).powi(2);
        let limit2 = chord2(limit_rad);
        let mut found: Vec<(f64, u32)> = Vec::new();
        let middle = self.bucket(of);
        for ring in 0_usize.. {
            self.ring(middle, ring, |star| {
                let d2 = distance2(self.vectors[of], self.vectors[star as usize]);
                if star as usize != of && d2 <= limit2 && wanted(star) {
                    found.push((d2, star));
                }
            });
            // Beyond the ring nothing is nearer than this.
            let reached = ring as f64 * self.step / STRETCH;
            let reached2 = chord2(reached);
            let sure = found.iter().filter(|(d2, _)| *d2 <= reached2).count();
            if sure >= count || reached >= limit_rad {
                break;
            }
        }
        found.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        found.truncate(count);
        found.into_iter().map(|(_, star)| star).collect()
    }

    /// Calls `visit` with the stars of the buckets `ring` steps away from a bucket.
    fn ring(&self, middle: [usize; 2], ring: usize, mut visit: impl FnMut(u32)) {
        let range = |k: usize| {
            let low = middle[k].saturating_sub(ring);
            low..=(middle[k] + ring).min(self.size[k] - 1)
        };
        for y in range(1) {
            let edge = y.abs_diff(middle[1]) == ring;
            for x in range(0) {
                if !edge && x.abs_diff(middle[0]) != ring {
                    continue;
                }
                let bucket = y * self.size[0] + x;
                let members = self.starts[bucket] as usize..self.starts[bucket + 1] as usize;
                self.members[members].iter().for_each(|&star| visit(star));
            }
        }
    }
}

fn project(v: [f64; 3], centre: [f64; 3]) -> [f64; 2] {
    let across = centre[0].hypot(centre[1]);
    let east = if across > 1e-9 {
        [-centre[1] / across, centre[0] / across, 0.0]
    } else {
        [0.0, 1.0, 0.0]
    };
    let north = [
        centre[1] * east[2] - centre[2] * east[1],
        centre[2] * east[0] - centre[0] * east[2],
        centre[0] * east[1] - centre[1] * east[0],
    ];
    let dot = |a: [f64; 3]| a[0] * v[0] + a[1] * v[1] + a[2] * v[2];
    let k = (2.0 / (1.0 + dot(centre)).max(1e-9)).sqrt();
    [k * dot(east), k * dot(north)]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Slow but obvious: all stars looked at, of which every third is not wanted.
    #[test]
    fn nearest_are_those_of_a_full_scan() {
        let centre = [0.6, 0.0, 0.8];
        let stars: Vec<[f64; 3]> = (0..3000)
            .map(|i| {
                let z: f64 = 0.45 + 0.5 * f64::from(i) / 3000.0;
                let (s, c) = (0.618_034 * f64::from(i))
                    .fract()
                    .mul_add(1.2, -0.6)
                    .sin_cos();
                let across = (1.0 - z * z).sqrt();
                [across * c, across * s, z]
            })
            .collect();
        let grid = Grid::new(&stars, centre, 0.01);
        for of in (0..3000).step_by(37) {
            for limit in [0.02, 0.2] {
                let mut all: Vec<(f64, u32)> = (0..3000_u32)
                    .filter(|&i| i as usize != of && i % 3 != 0)
                    .map(|i| (distance2(stars[of], stars[i as usize]), i))
                    .filter(|(d2, _)| *d2 <= (2.0 * (0.5_f64 * limit).sin()).powi(2))
                    .collect();
                all.sort_by(|a, b| a.0.total_cmp(&b.0));
                let expected: Vec<u32> = all.into_iter().take(6).map(|(_, i)| i).collect();
                assert_eq!(grid.nearest(of, 6, limit, |i| i % 3 != 0), expected);
            }
        }
    }
}
