//! The part of the sky that an index is to hold.

use star_index::write::cell_of;
use std::collections::HashMap;

/// Circles on the sky; none: everything.
#[derive(Debug, Clone, Default)]
pub struct Region {
    cones: Vec<Cone>,
    /// Which cones reach into a cell of [`CELL_DEPTH`].
    by_cell: HashMap<u64, Vec<u32>>,
}

#[derive(Debug, Clone, Copy)]
struct Cone {
    centre: [f64; 3],
    cos_radius: f64,
}

/// Cells of 0.9 deg: a few per target.
const CELL_DEPTH: u8 = 6;

impl Region {
    /// Everything within `radius_deg` (at most 90) of one of these positions (ICRS, degrees).
    pub fn within(radius_deg: f64, of_deg: &[[f64; 2]]) -> Region {
        let mut region = Region::default();
        for (number, [ra_deg, dec_deg]) in of_deg.iter().enumerate() {
            let (lon, lat) = (ra_deg.to_radians(), dec_deg.to_radians());
            let radius_rad = radius_deg.to_radians();
            let ((sl, cl), (sb, cb)) = (libm::sincos(lon), libm::sincos(lat));
            region.cones.push(Cone {
                centre: [cb * cl, cb * sl, sb],
                cos_radius: libm::cos(radius_rad),
            });
            let cover = cdshealpix::nested::cone_coverage_approx(CELL_DEPTH, lon, lat, radius_rad);
            for cell in cover.flat_iter() {
                region.by_cell.entry(cell).or_default().push(number as u32);
            }
        }
        region
    }

    /// True where nothing is left out.
    pub fn is_everything(&self) -> bool {
        self.cones.is_empty()
    }

    /// Whether a direction (unit vector) lies in it.
    pub fn holds(&self, vector: [f64; 3]) -> bool {
        if self.is_everything() {
            return true;
        }
        let near = self.by_cell.get(&cell_of(vector, CELL_DEPTH));
        near.is_some_and(|cones| {
            cones.iter().any(|&number| {
                let cone = &self.cones[number as usize];
                let cos: f64 = (0..3).map(|i| cone.centre[i] * vector[i]).sum();
                cos >= cone.cos_radius
            })
        })
    }

    /// For telling one build from another.
    pub(super) fn describe(&self) -> String {
        format!("{:?}", self.cones)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_circle_holds_what_is_inside_also_across_zero_hours_and_at_the_pole() {
        let region = Region::within(1.0, &[[0.1, 0.0], [200.0, 90.0]]);
        let at = |ra: f64, dec: f64| {
            let ((sa, ca), (sd, cd)) = (ra.to_radians().sin_cos(), dec.to_radians().sin_cos());
            region.holds([cd * ca, cd * sa, sd])
        };
        assert!(at(359.2, 0.0) && at(0.9, 0.5) && at(20.0, 89.1));
        assert!(!at(359.0, 0.0) && !at(0.9, 0.7) && !at(20.0, 88.9));
        assert!(Region::default().holds([0.0, 0.0, 1.0]));
    }
}
