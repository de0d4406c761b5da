//! The quads of one part of the sky, with what they need from the parts around it.

use super::fields::edge_rad;
use super::grid::Grid;
use super::stars::{Keep, Numbered, PARTITION_DEPTH};
use crate::choose::{Recipe, distance2, sets_of};
use star_index::quad::{canonical, on_tangent_plane, pack};
use star_index::write::{EncodedTiles, StoredQuad, TileTooFull};

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
    recipe: Recipe,
    keep: Keep,
    partition: usize,
    /// Eight cells wide: every neighbour of every star of `near` that may share a quad.
    far: Surrounding,
    /// Four cells wide: every star that may share a quad with one of the partition.
    near: Surrounding,
    stars: Vec<Numbered>,
}

impl Neighbourhood {
    pub(super) fn new(recipe: &Recipe, keep: Keep, partition: usize) -> Neighbourhood {
        let ring = |wider: u8| {
            let depth = recipe.thin_depth.saturating_sub(wider).max(PARTITION_DEPTH);
            Surrounding::new(partition, depth)
        };
        Neighbourhood {
            recipe: *recipe,
            keep,
            partition,
            far: ring(3),
            near: ring(2),
            stars: Vec::new(),
        }
    }

    /// Adds the stars of a partition, sorted by cell and brightness, as far as they are needed.
    pub(super) fn add(&mut self, stars: &[Numbered]) {
        let shift = 2 * (self.keep.depth - self.recipe.thin_depth);
        for cell in stars.chunk_by(|a, b| a.cell >> shift == b.cell >> shift) {
            let first = cell[0].cell;
            let inside = self.keep.partition_of(first) == self.partition;
            if !inside && !self.far.holds(first, self.keep.depth) {
                continue;
            }
            let mut brightest = cell.to_vec();
            brightest.sort_by(|a, b| a.record.cmp_brightness(&b.record));
            brightest.truncate(self.recipe.per_cell);
            self.stars.extend(brightest);
        }
    }

    /// The tile records of the partition, and the shortest and longest AB, radians.
    pub(super) fn tiles(mut self) -> Result<(EncodedTiles, [f64; 2]), TileTooFull> {
        // Ties of distance must break alike, from whichever side of a border they are seen.
        self.stars.sort_unstable_by_key(|star| star.number);
        let vectors: Vec<[f64; 3]> = self.stars.iter().map(|s| s.record.vector()).collect();
        let centre = {
            let (lon, lat) = cdshealpix::nested::center(PARTITION_DEPTH, self.partition as u64);
            let ((sl, cl), (sb, cb)) = (libm::sincos(lon), libm::sincos(lat));
            [cb * cl, cb * sl, sb]
        };
        let grid = Grid::new(&vectors, centre, 0.5 * edge_rad(self.recipe.thin_depth));
        let (most, longest) = (self.recipe.most_neighbours(), self.recipe.longest_rad);
        let mut sets: Vec<[u32; 4]> = Vec::new();
        for (star, placed) in self.stars.iter().enumerate() {
            let inside = self.keep.partition_of(placed.cell) == self.partition;
            if inside || self.near.holds(placed.cell, self.keep.depth) {
                let near = grid.nearest(star, most, longest);
                sets.extend(sets_of(&vectors, star, near, &self.recipe));
            }
        }
        sets.sort_unstable();
        sets.dedup();
        let mut size2 = [f64::INFINITY, 0.0_f64];
        let mut quads: Vec<(u64, StoredQuad)> = Vec::new();
        for set in &sets {
            let plane = on_tangent_plane(set.map(|i| vectors[i as usize]));
            let Some(ordered) = plane.as_ref().and_then(canonical) else {
                continue;
            };
            let [a, b, ..] = ordered.order.map(|k| set[k] as usize);
            if self.keep.partition_of(self.stars[a].cell) != self.partition {
                continue;
            }
            let length2 = distance2(vectors[a], vectors[b]);
            size2 = [size2[0].min(length2), size2[1].max(length2)];
            let quad = StoredQuad {
                code: pack(ordered.code),
                stars: ordered.order.map(|k| self.stars[set[k] as usize].number),
            };
            let shift = 2 * (self.keep.depth - self.recipe.tile_depth);
            quads.push((u64::from(self.stars[a].cell >> shift), quad));
        }
        quads.sort_unstable();
        let mut tiles = EncodedTiles::default();
        for tile in quads.chunk_by(|a, b| a.0 == b.0) {
            let members: Vec<StoredQuad> = tile.iter().map(|(_, quad)| *quad).collect();
            tiles.push(tile[0].0, &members)?;
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
