//! Rows and columns that stand off from their surroundings over the whole frame: banding of the
//! read-out, bad columns. Whoever looks for shapes would take them for trails.

use crate::detect::background::Mesh;
use crate::detect::pixels::Plane;
use crate::robust::{SIGMA_PER_MAD, median};

/// Rows (or columns) scatter by noise alone; from this many times that on they are banded.
const BANDED: f32 = 1.5;
/// A single row or column stands off from this many times its noise on.
const LONE: f32 = 5.0;
/// Standard error of a median over that of a mean, in normal noise: sqrt(pi / 2).
const MEDIAN_ERROR: f32 = 1.2533;

/// Takes the offsets of banded rows and columns off `plane`, measured against the sky of `mesh`.
/// A median leaves stars, and trails that fill less than half of a row, where they are. Without
/// banding nothing changes.
pub(super) fn remove(plane: &mut Plane, mesh: &Mesh) {
    let sigma = mesh.quiet_noise();
    let (width, height) = (plane.width, plane.height);
    let above = mesh.taken_off(plane);
    let rows = offsets(height, sigma / (width as f32).sqrt(), |y, line| {
        line.extend_from_slice(&above[y * width..][..width]);
    });
    let columns = offsets(width, sigma / (height as f32).sqrt(), |x, line| {
        line.extend(above.iter().skip(x).step_by(width));
    });
    for (row, offset) in plane.data.chunks_exact_mut(width).zip(&rows) {
        row.iter_mut()
            .zip(&columns)
            .for_each(|(v, column)| *v -= offset + column);
    }
}

/// What stands off, line by line; zero where that is no more than noise of `error` makes.
fn offsets(lines: usize, error: f32, fill: impl Fn(usize, &mut Vec<f32>)) -> Vec<f32> {
    /// Lines on each side that a line is compared with: light changes more slowly.
    const REACH: usize = 12;
    let mut line = Vec::new();
    let middles: Vec<f32> = (0..lines)
        .map(|k| {
            line.clear();
            fill(k, &mut line);
            middle(&line)
        })
        .collect();
    let mut offsets: Vec<f32> = (0..lines)
        .map(|k| middles[k] - middle(&middles[k.saturating_sub(REACH)..(k + REACH + 1).min(lines)]))
        .collect();
    let limit = MEDIAN_ERROR * error;
    let sizes: Vec<f32> = offsets.iter().map(|v| v.abs()).collect();
    let banded = SIGMA_PER_MAD as f32 * middle(&sizes) > BANDED * limit;
    if banded {
        // All of it: the mesh has taken what changes slowly.
        return middles;
    }
    for offset in &mut offsets {
        if offset.abs() < LONE * limit {
            *offset = 0.0;
        }
    }
    offsets
}

/// Median of a line's pixels; 0 where none is known.
fn middle(values: &[f32]) -> f32 {
    median(values.iter().copied()).unwrap_or(0.0) as f32
}
