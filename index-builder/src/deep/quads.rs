//! The quads of one part of the sky, with what they need from the parts around it.

use super::fields::{Band, edge_rad};
use super::grid::Grid;
use super::once::Set;
use super::stars::{Keep, Numbered, PARTITION_DEPTH};
use crate::choose::distance2;
use star_index::StarRecord;
use star_index::quad::{canonical, on_tangent_plane, pack};
use star_index::write::{EncodedTiles, StoredQuad, TileForm, TileTooFull};

/// Cells of a depth that surround a partition, ascending.
#[derive(Debug, Clone)]
struct Surrounding {
    depth: u8,
    cells: Vec<u64>,
}

impl Surrounding {
    fn new(partition: usize, depth: u8) -> Surrounding {
        let partition = partition as u64;
        let mut cells = if depth == PARTITION_DEPTH {
            cdshealpix::nested::neighbours(depth, partition, false).values_vec()
        } else {
            let deeper = depth - PARTITION_DEPTH;
            cdshealpix::nested::external_edge(PARTITION_DEPTH, partition, deeper).into_vec()
        };
        cells.sort_unstable();
        Surrounding { depth, cells }
    }

    /// Whether a cell of a depth that is no less lies here.
    fn holds(&self, cell: u32, depth: u8) -> bool {
        let parent = u64::from(cell) >> (2 * (depth - self.depth));
        self.cells.binary_search(&parent).is_ok()
    }
}

/// The brightest stars per cell of one band: those of a partition and some around it.
pub(super) struct Neighbourhood {
    band: Band,
    keep: Keep,
    partition: usize,
    /// Eight cells wide: every neighbour of every star of `near` that may share a quad.
    far: Surrounding,
    /// Four cells wide: every star that may share a quad with one of the partition.
    near: Surrounding,
    stars: Vec<Numbered>,
}

/// So many of the nearest brighter stars a star may make quads with.
const NEIGHBOURS: usize = 8;

/// Adds the most compact quads of `star` with three of its neighbours `near`: star numbers
/// ascending, no pair farther apart than `longest_rad`. Ties in the order of the stars.
fn compact_sets(
    vectors: &[[f64; 3]],
    star: u32,
    near: &[u32],
    longest_rad: f64,
    most: usize,
    sets: &mut Vec<Set>,
) {
    let apart2 = |a: u32, b: u32| distance2(vectors[a as usize], vectors[b as usize]);
    // The best so far, ascending: squared longest side, stars.
    let mut best: Vec<(f64, Set)> = Vec::with_capacity(most + 1);
    let mut limit2 = longest_rad * longest_rad;
    for (i, &a) in near.iter().enumerate() {
        let to_a = apart2(star, a);
        if to_a > limit2 {
            // The other neighbours are farther.
            break;
        }
        for (j, &b) in near.iter().enumerate().skip(i + 1) {
            let to_b = to_a.max(apart2(star, b)).max(apart2(a, b));
            if to_b > limit2 {
                continue;
            }
            for &c in &near[j + 1..] {
                let sides = [apart2(star, c), apart2(a, c), apart2(b, c)];
                let longest2 = sides.into_iter().fold(to_b, f64::max);
                if longest2 > limit2 {
                    continue;
                }
                let mut set = [star, a, b, c];
                set.sort_unstable();
                let before = |other: &(f64, Set)| (other.0, other.1) < (longest2, set);
                best.insert(best.partition_point(before), (longest2, set));
                best.truncate(most);
                if best.len() == most {
                    limit2 = best[most - 1].0;
                }
            }
        }
    }
    sets.extend(best.into_iter().map(|(_, set)| set));
}

impl Neighbourhood {
    pub(super) fn new(band: &Band, keep: Keep, partition: usize) -> Neighbourhood {
        let ring = |wider: u8| {
            let depth = band.thin_depth.saturating_sub(wider).max(PARTITION_DEPTH);
            Surrounding::new(partition, depth)
        };
        Neighbourhood {
            band: band.clone(),
            keep,
            partition,
            far: ring(3),
            near: ring(2),
            stars: Vec::new(),
        }
    }

    /// Adds the stars of a partition, sorted by cell and brightness, as far as they are needed.
    pub(super) fn add(&mut self, stars: &[Numbered]) {
        let shift = 2 * (self.keep.depth - self.band.thin_depth);
        for cell in stars.chunk_by(|a, b| a.cell >> shift == b.cell >> shift) {
            let first = cell[0].cell;
            let inside = self.keep.partition_of(first) == self.partition;
            if !inside && !self.far.holds(first, self.keep.depth) {
                continue;
            }
            let mut brightest = cell.to_vec();
            brightest.sort_by(|a, b| a.record.cmp_brightness(&b.record));
            brightest.truncate(self.band.per_cell);
            self.stars.append(&mut brightest);
        }
    }

    /// The number in the index of a star of a set.
    pub(super) fn number(&self, k: u32) -> u32 {
        self.stars[k as usize].number
    }

    /// The quads of the stars of the partition, and of some around it: ascending, and so are the
    /// numbers of their stars.
    pub(super) fn sets(&mut self) -> Vec<Set> {
        // Ties of distance must break alike, from whichever side of a border they are seen.
        self.stars.sort_unstable_by_key(|star| star.number);
        let records: Vec<StarRecord> = self.stars.iter().map(|star| star.record).collect();
        let vectors: Vec<[f64; 3]> = records.iter().map(StarRecord::vector).collect();
        let centre = {
            let (lon, lat) = cdshealpix::nested::center(PARTITION_DEPTH, self.partition as u64);
            let ((sl, cl), (sb, cb)) = (libm::sincos(lon), libm::sincos(lat));
            [cb * cl, cb * sl, sb]
        };
        let grid = Grid::new(&vectors, centre, 0.5 * edge_rad(self.band.thin_depth));
        let longest_rad = self.band.longest_rad;
        let mut sets: Vec<Set> = Vec::new();
        for (k, star) in self.stars.iter().enumerate() {
            let inside = self.keep.partition_of(star.cell) == self.partition;
            if inside || self.near.holds(star.cell, self.keep.depth) {
                let brighter =
                    |other: u32| records[other as usize].cmp_brightness(&star.record).is_lt();
                let near = grid.nearest(k, NEIGHBOURS, longest_rad, brighter);
                let most = self.band.quads_per_star;
                compact_sets(&vectors, k as u32, &near, longest_rad, most, &mut sets);
            }
        }
        sets.sort_unstable();
        sets.dedup();
        sets
    }

    /// The tile records of the partition, of some of its [`Neighbourhood::sets`], and the shortest
    /// and longest AB, radians.
    pub(super) fn tiles(&self, sets: &[Set]) -> Result<(EncodedTiles, [f64; 2]), TileTooFull> {
        let mut size2 = [f64::INFINITY, 0.0_f64];
        let mut quads: Vec<(u64, StoredQuad)> = Vec::new();
        for set in sets {
            let vectors = set.map(|k| self.stars[k as usize].record.vector());
            let plane = on_tangent_plane(vectors);
            let Some(ordered) = plane.as_ref().and_then(canonical) else {
                continue;
            };
            let [a, b, ..] = ordered.order;
            let cell = self.stars[set[a] as usize].cell;
            if self.keep.partition_of(cell) != self.partition {
                continue;
            }
            let length2 = distance2(vectors[a], vectors[b]);
            size2 = [size2[0].min(length2), size2[1].max(length2)];
            let quad = StoredQuad {
                code: pack(ordered.code),
                stars: ordered.order.map(|k| self.number(set[k])),
            };
            let shift = 2 * (self.keep.depth - self.band.tile_depth);
            quads.push((u64::from(cell >> shift), quad));
        }
        quads.sort_unstable();
        let mut tiles = EncodedTiles::default();
        for tile in quads.chunk_by(|a, b| a.0 == b.0) {
            let members: Vec<StoredQuad> = tile.iter().map(|(_, quad)| *quad).collect();
            tiles.push(tile[0].0, &members, TileForm::Plain)?;
        }
        let angle = |chord2: f64| 2.0 * libm::asin((0.5 * chord2.sqrt()).min(1.0));
        Ok((tiles, size2.map(angle)))
    }
}

/// The partitions whose stars the quads of `partition` may need, itself first.
pub(super) fn around(partition: usize) -> Vec<usize> {
    let mut all = vec![partition];
    let neighbours = cdshealpix::nested::neighbours(PARTITION_DEPTH, partition as u64, false);
    all.extend(neighbours.values_vec().into_iter().map(|n| n as usize));
    all
}
