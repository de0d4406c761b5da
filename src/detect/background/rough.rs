//! Whether the sky is far from flat on the scale of a background cell.

use super::clip::clipped;
use super::mesh::Mesh;
use super::sample::sample_cell;
use crate::detect::pixels::Plane;
use rayon::prelude::*;
use std::ops::Range;

/// Beyond this many times the noise of its pixels a level is uneven: the level of a square of 64
/// values, the least there are, is known to an eighth of that noise.
const ROUGH: f32 = 0.7;

/// How far the levels of three by three squares lie from the plane through them, root mean
/// square, in units of the median noise in them. `None` where one has no sky.
fn unevenness(squares: &[Option<(f32, f32)>; 9]) -> Option<f32> {
    let mut level = [0.0; 9];
    let mut noise = [0.0; 9];
    for (k, square) in squares.iter().enumerate() {
        (level[k], noise[k]) = (*square)?;
    }
    let (mut mean, mut along_x, mut along_y) = (0.0, 0.0, 0.0);
    for (k, l) in level.iter().enumerate() {
        mean += l / 9.0;
        along_x += l * ((k % 3) as f32 - 1.0) / 6.0;
        along_y += l * ((k / 3) as f32 - 1.0) / 6.0;
    }
    let square: f32 = (0..9)
        .map(|k| {
            let plane = mean + along_x * ((k % 3) as f32 - 1.0) + along_y * ((k / 3) as f32 - 1.0);
            (level[k] - plane).powi(2)
        })
        .sum();
    noise.sort_unstable_by(f32::total_cmp);
    // Nine levels less the three of the plane.
    Some((square / 6.0).sqrt() / noise[4].max(f32::MIN_POSITIVE))
}

/// Share of the cells of `plane` whose sky is far from flat: the levels of nine squares of
/// `side` blocks in it lie away from a plane by more than `ROUGH` of the noise in them.
/// Nebulae do that; noise, gradients and crowds of stars hardly.
pub(super) fn rough_share(mesh: &Mesh, plane: &Plane, side: usize, limit: f32) -> f64 {
    let is_rough = |sample: &mut Vec<f32>, k: usize| {
        let (xs, ys) = (mesh.col_range(k % mesh.cols), mesh.row_range(k / mesh.cols));
        let squares: [Option<(f32, f32)>; 9] = std::array::from_fn(|square| {
            let middle = |range: &Range<usize>, third: usize| {
                (range.start + range.len() * (2 * third + 1) / 6).saturating_sub(side / 2)
            };
            let (x, y) = (middle(&xs, square % 3), middle(&ys, square / 3));
            let (w, h) = ((x + side).min(plane.width), (y + side).min(plane.height));
            sample.clear();
            let from = (&plane.data[..], plane.width);
            sample_cell(from, (x..w, y..h), side * side, sample);
            sample.retain(|v| *v < limit);
            clipped(sample, 0.0)
        });
        usize::from(unevenness(&squares).is_some_and(|u| u > ROUGH))
    };
    let cells = (0..mesh.noise.len()).into_par_iter();
    let rough: usize = cells.map_init(Vec::new, is_rough).sum();
    rough as f64 / mesh.noise.len() as f64
}
