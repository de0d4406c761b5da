//! Tiles outward from a position.

use super::{Sky, cell_reach_rad};
use crate::sphere::{angle_between, cross, dot, longitude_latitude, sky_to_vector};
use star_index::layout::Band;

/// A tile of the sky to be searched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyTile {
    /// Number of the star-index.
    pub index: usize,
    /// Number of its band.
    pub band: usize,
    /// HEALPix cell at the band's tile depth.
    pub tile: u64,
    /// Angle from the start to the nearest point of the cell (0 inside; a lower limit), degrees.
    pub distance_deg: f64,
}

impl Sky {
    /// All tiles of the bands that `wanted` admits, in stored order.
    pub fn tiles(&self, wanted: impl Fn(usize, &Band) -> bool) -> Vec<SkyTile> {
        self.of_bands(wanted, |index, band, _, tiles| {
            let held = self.indexes[index].tile_ranges(band);
            tiles.extend(held.flat_map(|(from, to)| from..to).map(|tile| SkyTile {
                index,
                band,
                tile,
                distance_deg: 0.0,
            }));
        })
    }

    /// The tiles of the bands that `wanted` admits which reach within `radius_deg` of the ICRS
    /// unit vector `start`, nearest first. Ties keep the stored order.
    pub fn tiles_outward(
        &self,
        start: [f64; 3],
        radius_deg: f64,
        wanted: impl Fn(usize, &Band) -> bool,
    ) -> Vec<SkyTile> {
        let (lon, lat) = longitude_latitude(start);
        let mut tiles = self.of_bands(wanted, |index, band, depth, tiles| {
            let radius =
                (radius_deg.to_radians() + 0.5 * cell_reach_rad(depth)).min(std::f64::consts::PI);
            let cover = cdshealpix::nested::cone_coverage_approx(depth, lon, lat, radius);
            let held = |&tile: &u64| self.indexes[index].may_hold(band, tile);
            tiles.extend(cover.flat_iter().filter(held).map(|tile| SkyTile {
                index,
                band,
                tile,
                distance_deg: distance_rad(depth, tile, start).to_degrees(),
            }));
        });
        tiles.retain(|tile| tile.distance_deg <= radius_deg);
        tiles.sort_by(|a, b| a.distance_deg.total_cmp(&b.distance_deg));
        tiles
    }

    /// Calls `add` with number of the star-index, number and depth of each band admitted.
    fn of_bands(
        &self,
        wanted: impl Fn(usize, &Band) -> bool,
        add: impl Fn(usize, usize, u8, &mut Vec<SkyTile>),
    ) -> Vec<SkyTile> {
        let mut tiles = Vec::new();
        for (index, sky) in self.indexes.iter().enumerate() {
            for (band, info) in sky
                .bands()
                .iter()
                .enumerate()
                .filter(|(_, b)| wanted(index, b))
            {
                add(index, band, info.depth as u8, &mut tiles);
            }
        }
        tiles
    }
}

/// Cell sides are no great circles; with one point between the corners, none strays farther from
/// the chain of arcs than this, in units of the cell's reach (1/18 at most, at depth 0).
const BULGE: f64 = 0.08;

/// Angle between a position and the nearest point of a cell, radians: a lower limit.
fn distance_rad(depth: u8, cell: u64, from: [f64; 3]) -> f64 {
    let (lon, lat) = longitude_latitude(from);
    if cdshealpix::nested::hash(depth, lon, lat) == cell {
        return 0.0;
    }
    let outline: Vec<[f64; 3]> = cdshealpix::nested::path_along_cell_edge(
        depth,
        cell,
        &cdshealpix::compass_point::Cardinal::S,
        false,
        2,
    )
    .iter()
    .map(|&(lon, lat)| sky_to_vector(lon.to_degrees(), lat.to_degrees()))
    .collect();
    let nearest = (0..outline.len())
        .map(|i| angle_to_arc(from, outline[i], outline[(i + 1) % outline.len()]))
        .fold(std::f64::consts::PI, f64::min);
    (nearest - BULGE * cell_reach_rad(depth)).max(0.0)
}

/// Angle between a direction and the nearest point of the arc from `a` to `b`.
fn angle_to_arc(from: [f64; 3], a: [f64; 3], b: [f64; 3]) -> f64 {
    let normal = cross(a, b);
    let ends = angle_between(from, a).min(angle_between(from, b));
    let abreast = dot(cross(normal, a), from) > 0.0 && dot(cross(b, normal), from) > 0.0;
    if abreast {
        let length = dot(normal, normal).sqrt();
        (dot(normal, from) / length).clamp(-1.0, 1.0).asin().abs()
    } else {
        ends
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use star_index::layout::cells_of_depth;

    /// Slow but obvious: the distance to many points inside the cell.
    #[test]
    fn distance_is_a_close_lower_limit() {
        for depth in 0..6_u8 {
            let cells = cells_of_depth(depth) as u64;
            for cell in (0..cells).step_by(1 + cells as usize / 60) {
                let inside: Vec<[f64; 3]> = cdshealpix::nested::grid(depth, cell, 24)
                    .iter()
                    .map(|&(lon, lat)| sky_to_vector(lon.to_degrees(), lat.to_degrees()))
                    .collect();
                for (ra, dec) in [(0.0, 90.0), (10.0, 3.0), (200.0, -50.0), (310.0, 41.0)] {
                    let from = sky_to_vector(ra, dec);
                    let true_distance = inside
                        .iter()
                        .map(|&p| angle_between(p, from))
                        .fold(f64::INFINITY, f64::min);
                    let stated = distance_rad(depth, cell, from);
                    let reach = cell_reach_rad(depth);
                    let about = format!("depth {depth} cell {cell}: {stated} of {true_distance}");
                    assert!(stated <= true_distance, "{about}");
                    assert!(stated >= true_distance - 0.2 * reach, "{about}");
                }
            }
        }
    }

    #[test]
    fn tiles_outward_are_those_within_the_radius() {
        let sky = Sky::embedded().unwrap();
        let start = sky_to_vector(83.0, -5.0);
        let found = sky.tiles_outward(start, 12.0, |_, _| true);
        let mut expected: Vec<SkyTile> = sky
            .tiles(|_, _| true)
            .into_iter()
            .filter(|tile| {
                let depth = sky.indexes()[0].bands()[tile.band].depth as u8;
                distance_rad(depth, tile.tile, start).to_degrees() <= 12.0
            })
            .collect();
        assert!(found.is_sorted_by(|a, b| a.distance_deg <= b.distance_deg));
        let mut same = found.clone();
        same.sort_by_key(|t| (t.band, t.tile));
        expected.sort_by_key(|t| (t.band, t.tile));
        assert_eq!(
            same.iter().map(|t| (t.band, t.tile)).collect::<Vec<_>>(),
            expected
                .iter()
                .map(|t| (t.band, t.tile))
                .collect::<Vec<_>>()
        );
    }
}
