//! The pieces in which a region is asked for: boxes in right ascension and declination that do not
//! overlap, so that every star comes once.

use std::f64::consts::PI;

/// A piece of the sky between two circles of declination and two of right ascension, degrees; the
/// upper limits belong to its neighbours, except at the pole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cell {
    pub ra_deg: [f64; 2],
    pub dec_deg: [f64; 2],
}

/// Pieces narrower than this are not halved.
const LEAST_DEG: f64 = 0.02;
/// A piece this wide in right ascension or more is asked for without that limit.
const ALL_AROUND_DEG: f64 = 180.0;

impl Cell {
    /// Area, square degrees.
    pub(super) fn area_deg2(&self) -> f64 {
        let [south, north] = self.dec_deg.map(|d| d.to_radians().sin());
        (self.ra_deg[1] - self.ra_deg[0]) * (north - south) * 180.0 / PI
    }

    /// Middle, degrees; the pole for a piece all around it.
    pub(super) fn middle_deg(&self) -> [f64; 2] {
        let [south, north] = self.dec_deg;
        let middle = [
            0.5 * (self.ra_deg[0] + self.ra_deg[1]),
            0.5 * (south + north),
        ];
        match self.is_all_around() {
            true if north >= 90.0 => [0.0, 90.0],
            true if south <= -90.0 => [0.0, -90.0],
            _ => middle,
        }
    }

    pub(super) fn is_all_around(&self) -> bool {
        self.ra_deg[1] - self.ra_deg[0] >= ALL_AROUND_DEG
    }

    /// No point of it is farther from its middle, degrees.
    pub(super) fn reach_deg(&self) -> f64 {
        const STEPS: u32 = 8;
        let middle = vector(self.middle_deg());
        let mut reach: f64 = 0.0;
        for i in 0..=STEPS {
            for j in 0..=STEPS {
                let at = |[low, high]: [f64; 2], k: u32| {
                    low + (high - low) * f64::from(k) / f64::from(STEPS)
                };
                let point = vector([at(self.ra_deg, i), at(self.dec_deg, j)]);
                reach = reach.max(angle_deg(middle, point));
            }
        }
        // Between the points looked at it may reach a little farther.
        1.02 * reach + 0.001
    }

    /// Its two halves across its longer side; `None` where it is small already.
    pub(super) fn halves(&self) -> Option<[Cell; 2]> {
        let [south, north] = self.dec_deg;
        let [west, east] = self.ra_deg;
        let across = (east - west) * (0.5 * (south + north)).to_radians().cos();
        if across.max(north - south) < LEAST_DEG {
            return None;
        }
        if across > north - south {
            let middle = 0.5 * (west + east);
            let half = |ra_deg| Cell { ra_deg, ..*self };
            return Some([half([west, middle]), half([middle, east])]);
        }
        let middle = 0.5 * (south + north);
        let half = |dec_deg| Cell { dec_deg, ..*self };
        Some([half([south, middle]), half([middle, north])])
    }

    /// A name for its files.
    pub(super) fn name(&self) -> String {
        let [[west, east], [south, north]] = [self.ra_deg, self.dec_deg];
        format!("ra{west:09.5}-{east:09.5}dec{south:+09.5}{north:+09.5}")
    }
}

/// Pieces that together hold everything within `radius_deg` of these positions; of the whole sky
/// where there are none.
pub(super) fn cells(radius_deg: f64, of_deg: &[[f64; 2]]) -> Vec<Cell> {
    /// Small beside the circle, so that little outside of it is asked for.
    const SIDE_OF_RADIUS: f64 = 0.5;
    const SIDES_DEG: [f64; 2] = [0.1, 2.0];
    let whole = of_deg.is_empty();
    let side = if whole {
        SIDES_DEG[1]
    } else {
        (SIDE_OF_RADIUS * radius_deg).clamp(SIDES_DEG[0], SIDES_DEG[1])
    };
    let centres: Vec<[f64; 3]> = of_deg.iter().map(|&at| vector(at)).collect();
    let bands = (180.0 / side).ceil() as u32;
    let mut found = Vec::new();
    for band in 0..bands {
        let limit = |k: u32| -90.0 + 180.0 * f64::from(k) / f64::from(bands);
        let dec_deg = [limit(band), limit(band + 1)];
        let near =
            |at: &[f64; 2]| dec_deg[0] <= at[1] + radius_deg && dec_deg[1] >= at[1] - radius_deg;
        if !whole && !of_deg.iter().any(near) {
            continue;
        }
        // The side that is nearer to the equator is the longer one.
        let widest = dec_deg.map(|d| d.to_radians().cos());
        let around = (360.0 * widest[0].max(widest[1]) / side).ceil() as u32;
        let polar = dec_deg[0] <= -90.0 || dec_deg[1] >= 90.0;
        let around = if polar { 1 } else { around.max(3) };
        for k in 0..around {
            let limit = |k: u32| 360.0 * f64::from(k) / f64::from(around);
            let cell = Cell {
                ra_deg: [limit(k), limit(k + 1)],
                dec_deg,
            };
            let middle = vector(cell.middle_deg());
            let far = radius_deg + cell.reach_deg();
            if whole || centres.iter().any(|c| angle_deg(*c, middle) <= far) {
                found.push(cell);
            }
        }
    }
    found
}

fn vector([ra_deg, dec_deg]: [f64; 2]) -> [f64; 3] {
    let (sa, ca) = ra_deg.to_radians().sin_cos();
    let (sd, cd) = dec_deg.to_radians().sin_cos();
    [cd * ca, cd * sa, sd]
}

fn angle_deg(a: [f64; 3], b: [f64; 3]) -> f64 {
    let chord2: f64 = (0..3).map(|i| (a[i] - b[i]).powi(2)).sum();
    2.0 * (0.5 * chord2.sqrt()).min(1.0).asin().to_degrees()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_sky_has_every_square_degree_once() {
        let all = cells(0.0, &[]);
        let area: f64 = all.iter().map(Cell::area_deg2).sum();
        // 4 pi (180 / pi)^2.
        assert!((area - 41_252.961).abs() < 0.01, "{area}");
        let names: std::collections::BTreeSet<String> = all.iter().map(Cell::name).collect();
        assert_eq!(names.len(), all.len());
    }

    #[test]
    fn a_circle_is_held_also_across_zero_hours_and_at_the_pole() {
        for at in [[0.1, 10.0], [132.85, 11.81], [45.0, 89.7], [200.0, -90.0]] {
            let found = cells(1.0, &[at]);
            let area: f64 = found.iter().map(Cell::area_deg2).sum();
            assert!((PI..3.0 * PI).contains(&area), "{at:?}: {area} deg2");
            // Points on its rim, at all position angles.
            for k in 0..360 {
                let (sin, cos) = f64::from(k).to_radians().sin_cos();
                let [east, north, up] = basis(at);
                let point: [f64; 3] = std::array::from_fn(|i| {
                    up[i] + 1_f64.to_radians().tan() * (sin * east[i] + cos * north[i])
                });
                let ra = point[1].atan2(point[0]).to_degrees().rem_euclid(360.0);
                let dec = point[2].atan2(point[0].hypot(point[1])).to_degrees();
                let holding = found.iter().filter(|cell| {
                    let within = |x: f64, [low, high]: [f64; 2]| low <= x && x < high;
                    within(ra, cell.ra_deg) && within(dec, cell.dec_deg)
                });
                assert_eq!(holding.count(), 1, "{at:?}: {ra} {dec}");
            }
        }
    }

    fn basis([ra_deg, dec_deg]: [f64; 2]) -> [[f64; 3]; 3] {
        let (sa, ca) = ra_deg.to_radians().sin_cos();
        let (sd, cd) = dec_deg.to_radians().sin_cos();
        [
            [-sa, ca, 0.0],
            [-sd * ca, -sd * sa, cd],
            [cd * ca, cd * sa, sd],
        ]
    }

    #[test]
    fn halves_are_the_whole_again() {
        let mut open = vec![cells(1.0, &[[132.85, 61.0]])[0]];
        let whole = open[0].area_deg2();
        let mut area = 0.0;
        while let Some(cell) = open.pop() {
            assert!(cell.reach_deg() < 2.0);
            match cell.halves() {
                Some(halves) if cell.area_deg2() > whole / 10.0 => open.extend(halves),
                _ => area += cell.area_deg2(),
            }
        }
        assert!((area / whole - 1.0).abs() < 1e-12);
    }
}
