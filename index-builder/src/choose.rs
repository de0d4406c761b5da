//! Picks the quads of a band: each star with some of its nearest neighbours.

use rayon::prelude::*;
use star_index::StarRecord;
use star_index::neighbours::Neighbours;
use star_index::quad::{canonical, on_tangent_plane, pack};
use star_index::write::{StoredQuad, TileForm, cell_of};

pub(crate) fn distance2(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|i| (a[i] - b[i]) * (a[i] - b[i])).sum()
}

/// How the quads of a band are chosen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recipe {
    /// HEALPix depth of the cells that thin the stars.
    pub thin_depth: u8,
    /// Stars kept per cell.
    pub per_cell: usize,
    /// How many of its nearest neighbours each star is combined with.
    pub neighbours: usize,
    /// The same where the neighbourhood is thinner than `sparse_rad`.
    pub neighbours_sparse: usize,
    /// Where the last of `neighbours` lies farther than this, the sky is sparse, radians.
    pub sparse_rad: f64,
    /// No pair of a quad is farther apart, radians.
    pub longest_rad: f64,
    /// HEALPix depth of the band's tiles.
    pub tile_depth: u8,
    /// How its tiles are written.
    pub form: TileForm,
}

impl Recipe {
    /// The most neighbours that any star is combined with.
    fn most_neighbours(&self) -> usize {
        self.neighbours.max(self.neighbours_sparse)
    }
}

/// The quads of the stars `chosen` (numbers into `records`) by tile, without duplicates.
pub fn quads_by_tile(
    records: &[StarRecord],
    chosen: &[u32],
    recipe: &Recipe,
) -> Vec<Vec<StoredQuad>> {
    let vectors: Vec<[f64; 3]> = chosen
        .iter()
        .map(|&i| records[i as usize].vector())
        .collect();
    let neighbours = Neighbours::of(vectors.clone());
    let chord = 2.0 * (0.5 * recipe.longest_rad).sin();
    let mut sets: Vec<[u32; 4]> = (0..chosen.len())
        .into_par_iter()
        .flat_map_iter(|star| {
            let most = recipe.most_neighbours();
            let near = neighbours.nearest_others(star, most, chord * chord);
            let near = near.into_iter().map(|i| i as u32).collect();
            sets_of(&vectors, star, near, recipe)
        })
        .collect();
    sets.par_sort_unstable();
    sets.dedup();
    let quads: Vec<(u64, StoredQuad)> = sets
        .par_iter()
        .filter_map(|set| {
            let plane = on_tangent_plane(set.map(|i| vectors[i as usize]))?;
            let ordered = canonical(&plane)?;
            let stars = ordered.order.map(|k| set[k]);
            let tile = cell_of(vectors[stars[0] as usize], recipe.tile_depth);
            let stars = stars.map(|i| chosen[i as usize]);
            Some((
                tile,
                StoredQuad {
                    code: pack(ordered.code),
                    stars,
                },
            ))
        })
        .collect();
    let mut tiles = vec![Vec::new(); star_index::layout::cells_of_depth(recipe.tile_depth)];
    for (tile, quad) in quads {
        tiles[tile as usize].push(quad);
    }
    tiles
}

/// The sets of four (ascending) that star number `star` of `vectors` contributes, given its
/// nearest neighbours.
fn sets_of(
    vectors: &[[f64; 3]],
    star: usize,
    mut near: Vec<u32>,
    recipe: &Recipe,
) -> Vec<[u32; 4]> {
    let apart2 = |a: u32, b: u32| distance2(vectors[a as usize], vectors[b as usize]);
    let sparse2 = recipe.sparse_rad * recipe.sparse_rad;
    let dense = near
        .get(recipe.neighbours - 1)
        .is_some_and(|&last| apart2(last, star as u32) <= sparse2);
    near.truncate(if dense {
        recipe.neighbours
    } else {
        recipe.neighbours_sparse
    });
    let longest2 = recipe.longest_rad * recipe.longest_rad;
    let mut sets = Vec::new();
    for i in 0..near.len() {
        for j in i + 1..near.len() {
            if apart2(near[i], near[j]) > longest2 {
                continue;
            }
            for k in j + 1..near.len() {
                if apart2(near[i], near[k]) > longest2 || apart2(near[j], near[k]) > longest2 {
                    continue;
                }
                let mut set = [star as u32, near[i], near[j], near[k]];
                set.sort_unstable();
                sets.push(set);
            }
        }
    }
    sets
}
