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
    let place = |k: usize| ((k % 3) as f32 - 1.0, (k / 3) as f32 - 1.0);
    for (k, l) in level.iter().enumerate() {
        let (x, y) = place(k);
        mean += l / 9.0;
        along_x += l * x / 6.0;
        along_y += l * y / 6.0;
    }
    let off = |(k, l): (usize, &f32)| {
        let (x, y) = place(k);
        (l - (mean + along_x * x + along_y * y)).powi(2)
    };
    let square: f32 = level.iter().enumerate().map(off).sum();
    noise.sort_unstable_by(f32::total_cmp);
    // Nine levels less the three of the plane.
    Some((square / 6.0).sqrt() / noise[4].max(f32::MIN_POSITIVE))
}

/// Whether more than a share of the cells of `plane` show a sky that is far from flat: the levels of
/// nine squares of `side` blocks in it lie away from a plane by more than `ROUGH` of the noise in
/// them. Nebulae do that; noise, gradients and crowds of stars hardly.
pub(super) fn is_rough(mesh: &Mesh, plane: &Plane, side: usize, limit: f32, share: f64) -> bool {
    let cell_is_rough = |sample: &mut Vec<f32>, k: usize| {
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
    let cells = mesh.noise.len();
    let rough = |cells: Range<usize>| -> usize {
        let cells = cells.into_par_iter();
        cells.map_init(Vec::new, cell_is_rough).sum()
    };
    let is_more = |rough: usize| rough as f64 / cells as f64 > share;
    // Of a flat sky the first cells settle it: the others would not be enough.
    let enough = ((1.05 - share) * cells as f64) as usize;
    let first = rough(0..enough.min(cells));
    is_more(first + cells - enough.min(cells))
        && (is_more(first) || is_more(first + rough(enough.min(cells)..cells)))
}
