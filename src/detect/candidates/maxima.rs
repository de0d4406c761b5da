//! Local maxima of the filtered plane, found strip by strip.

use super::THRESHOLD;
use super::convolve::{Kernel, LANES};
use super::curvature::Curvature;
use crate::detect::background::{Mesh, clipped, sample_cell};
use crate::detect::pixels::{Blocks, Pixel};
use std::ops::Range;

/// Maxima of one strip, and the noise of its cells.
pub(super) struct Strip {
    pub noise: Vec<f32>,
    pub peaks: Vec<Peak>,
}

/// A local maximum of the filtered plane, in blocks.
pub(super) struct Peak {
    pub x: f32,
    pub y: f32,
    pub value: f32,
    pub curvature: Curvature,
    /// Cell of the mesh that it lies in.
    pub cell: usize,
}

/// Values that the noise of a cell is taken from: it is known to 6 %, and smoothed over nine cells.
const NOISE_SAMPLE: usize = 150;

#[derive(Default)]
pub(super) struct Buffers {
    knots: Vec<f32>,
    row: Vec<f32>,
    between: Vec<f32>,
    padded: Vec<f32>,
    across: Vec<f32>,
    filtered: Vec<f32>,
    sample: Vec<f32>,
}

/// Filters the rows of mesh row `j` and one more on either side, and finds their maxima. The
/// noise of the filtered plane is measured, or for a first look taken from the mesh.
pub(super) fn strip<P: Pixel>(
    blocks: &Blocks<'_, P>,
    mesh: &Mesh,
    kernel: &Kernel,
    (j, measure_noise): (usize, bool),
    b: &mut Buffers,
) -> Strip {
    let rows = mesh.row_range(j);
    let (first, last) = (
        rows.start.saturating_sub(1),
        (rows.end + 1).min(blocks.height),
    );
    let w = filter_rows(blocks, mesh, kernel, first..last, b);
    let inner = rows.start - first..rows.end - first;
    let noise: Vec<f32> = (0..mesh.cols)
        .map(|i| {
            let least = mesh.noise[j * mesh.cols + i] * kernel.noise();
            if !measure_noise {
                return least;
            }
            b.sample.clear();
            let cell = (mesh.col_range(i), inner.clone());
            sample_cell((&b.filtered, w), cell, NOISE_SAMPLE, &mut b.sample);
            // White noise makes `least`; what is correlated, as that of debayered or smoothed
            // frames is, makes more. Less is a sample of what is flat.
            clipped(&b.sample, 0.5 * least).map_or(least, |c| c.1.max(0.8 * least))
        })
        .collect();
    let mut peaks = Vec::new();
    for y in rows.start.max(first + 1)..rows.end.min(last.saturating_sub(1)) {
        let row = Rows::around(&b.filtered, w, y - first);
        for i in 0..mesh.cols {
            // The final threshold comes from the smoothed noise; this one only saves work. The noise of
            // a cell, known to 6 %, is hardly ever 0.6 of its neighbours'.
            let near = &noise[i.saturating_sub(1)..(i + 2).min(mesh.cols)];
            let least = near.iter().copied().fold(f32::MAX, f32::min) * THRESHOLD * 0.6;
            let xs = mesh.col_range(i);
            let xs = xs.start.max(1)..xs.end.min(blocks.width - 1);
            row.maxima(xs, least, |x, value| {
                let (dx, dy, curvature) = row.around_maximum(x);
                peaks.push(Peak {
                    x: x as f32 + dx,
                    y: y as f32 + dy,
                    value,
                    curvature,
                    cell: j * mesh.cols + i,
                });
            });
        }
    }
    Strip { noise, peaks }
}

/// Subtracts the background and convolves, for plane rows `rows`; blank pixels count as sky, and
/// so does what lies outside. Returns how many values a row of `b.filtered` takes.
fn filter_rows<P: Pixel>(
    blocks: &Blocks<'_, P>,
    mesh: &Mesh,
    kernel: &Kernel,
    rows: Range<usize>,
    b: &mut Buffers,
) -> usize {
    let (w, r) = (blocks.width, kernel.radius());
    let stride = w.next_multiple_of(LANES);
    b.padded.clear();
    b.padded.resize(stride + 2 * r, 0.0);
    b.row.resize(w, 0.0);
    let across = at_least(&mut b.across, (rows.len() + 2 * r) * stride);
    for (k, out) in across.chunks_exact_mut(stride).enumerate() {
        let Some(y) = (rows.start + k)
            .checked_sub(r)
            .filter(|y| *y < blocks.height)
        else {
            out.fill(0.0);
            continue;
        };
        let inner = &mut b.padded[r..r + w];
        mesh.level_row(y, &mut b.knots, inner);
        blocks.row(y, &mut b.row, &mut b.between);
        for (v, p) in inner.iter_mut().zip(&b.row) {
            let d = p - *v;
            *v = if d.abs() < f32::INFINITY { d } else { 0.0 };
        }
        kernel.convolve(&b.padded, 1, out);
    }
    let filtered = at_least(&mut b.filtered, rows.len() * stride);
    for (k, out) in filtered.chunks_exact_mut(stride).enumerate() {
        let rows = &across[k * stride..(k + 2 * r + 1) * stride];
        kernel.convolve(rows, stride, out);
    }
    stride
}

/// The first values of a buffer, which grows where it is too short. They are whatever they were.
fn at_least(buffer: &mut Vec<f32>, length: usize) -> &mut [f32] {
    if buffer.len() < length {
        buffer.resize(length, 0.0);
    }
    &mut buffer[..length]
}

/// Three rows of the filtered plane.
struct Rows<'a> {
    above: &'a [f32],
    here: &'a [f32],
    below: &'a [f32],
}

impl<'a> Rows<'a> {
    /// Row `row` of `f`, whose rows take `w` values, and those beside it.
    fn around(f: &'a [f32], w: usize, row: usize) -> Rows<'a> {
        let at = |row: usize| &f[row * w..(row + 1) * w];
        Rows {
            above: at(row - 1),
            here: at(row),
            below: at(row + 1),
        }
    }

    /// Calls `found` with place and value of each local maximum above `least`.
    fn maxima(&self, xs: Range<usize>, least: f32, mut found: impl FnMut(usize, f32)) {
        let &Rows { above, here, below } = self;
        let mut check = |x: usize| {
            let v = here[x];
            if v < least || v <= here[x - 1] || v < here[x + 1] {
                return;
            }
            // Of equal neighbours the first in stored order wins.
            let first = above[x - 1..=x + 1].iter().all(|u| v > *u);
            if first && below[x - 1..=x + 1].iter().all(|u| v >= *u) {
                found(x, v);
            }
        };
        // Most of the sky, and most of the stars, is passed over eight at a time.
        let eight = |row: &[f32], x: usize| row[x..].first_chunk::<LANES>().copied();
        let mut x = xs.start;
        while x + LANES <= xs.end {
            if let (Some(v), Some(left), Some(right), Some(up), Some(down)) = (
                eight(here, x),
                eight(here, x - 1),
                eight(here, x + 1),
                eight(above, x),
                eight(below, x),
            ) {
                let mut any = 0;
                for k in 0..LANES {
                    let sides = (v[k] > left[k]) & (v[k] >= right[k]);
                    let ends = (v[k] > up[k]) & (v[k] >= down[k]);
                    any |= u32::from((v[k] >= least) & sides & ends);
                }
                if any > 0 {
                    (x..x + LANES).for_each(&mut check);
                }
            }
            x += LANES;
        }
        (x..xs.end).for_each(check);
    }

    /// Where within its block the maximum at `x` lies, and how the plane bends there.
    fn around_maximum(&self, x: usize) -> (f32, f32, Curvature) {
        let &Rows { above, here, below } = self;
        let v = here[x];
        let rows = [above, here, below].map(|row| &row[x - 1..=x + 1]);
        (
            vertex(here[x - 1], v, here[x + 1]),
            vertex(above[x], v, below[x]),
            Curvature::new(v, rows),
        )
    }
}

/// Where the parabola through three equidistant values has its vertex, within half a step.
fn vertex(before: f32, at: f32, after: f32) -> f32 {
    let bend = 2.0 * at - before - after;
    if bend > 0.0 {
        (0.5 * (after - before) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}
