//! Sky level and noise on a coarse mesh, interpolated in between.

use super::plane::Plane;
use rayon::prelude::*;

/// Clipped mean and standard deviation of a sample that holds sky and some stars.
///
/// The first guess of the spread is taken from the lower half, which stars leave alone.
/// Sorts the sample. `None` with fewer than 8 values.
pub(super) fn clipped(sample: &mut [f32]) -> Option<(f32, f32)> {
    if sample.len() < 8 {
        return None;
    }
    sample.sort_unstable_by(f32::total_cmp);
    let (mut low, mut high) = (0, sample.len());
    let mut spread = 0.0;
    for _ in 0..4 {
        let n = high - low;
        let median = sample[low + n / 2];
        spread = median - sample[low + (0.1587 * n as f32) as usize];
        let from = sample.partition_point(|v| *v < median - 3.0 * spread);
        let to = sample.partition_point(|v| *v <= median + 3.0 * spread);
        if (from, to) == (low, high) || to < from + 8 {
            break;
        }
        (low, high) = (from, to);
    }
    let kept = &sample[low..high];
    let n = kept.len() as f64;
    let mean = kept.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
    let var = kept
        .iter()
        .map(|v| (f64::from(*v) - mean).powi(2))
        .sum::<f64>()
        / n;
    // 1.014: a normal distribution cut at 3 sigma is narrower by that much (1 / 0.9866). Where
    // the clipping did not converge (crowded cells), the lower half is the better witness.
    let deviation = (var.sqrt() * 1.014) as f32;
    let sigma = if spread > 0.0 {
        deviation.min(1.5 * spread)
    } else {
        deviation
    };
    Some((mean as f32, sigma))
}

/// Level and noise per cell of a plane.
pub(super) struct Mesh {
    /// Cells along x.
    pub cols: usize,
    /// Cells along y.
    pub rows: usize,
    /// Plane pixels per cell, not necessarily whole.
    cell_w: f32,
    cell_h: f32,
    /// Level per cell.
    pub level: Vec<f32>,
    /// Standard deviation per cell.
    pub noise: Vec<f32>,
}

impl Mesh {
    /// Measures `plane` in cells of about `cell` pixels. Values at or above `limit` and NaN are
    /// left out; `floor` is the least noise that makes sense.
    pub fn measure(plane: &Plane, cell: usize, limit: f32, floor: f32) -> Mesh {
        let cols = (plane.width as f32 / cell as f32).round().max(1.0) as usize;
        let rows = (plane.height as f32 / cell as f32).round().max(1.0) as usize;
        let mut mesh = Mesh {
            cols,
            rows,
            cell_w: plane.width as f32 / cols as f32,
            cell_h: plane.height as f32 / rows as f32,
            level: Vec::new(),
            noise: Vec::new(),
        };
        let wanted = if plane.data.len() > 2_000_000 {
            300
        } else {
            700
        };
        let cells: Vec<Option<(f32, f32)>> = (0..cols * rows)
            .into_par_iter()
            .map_init(Vec::new, |sample, k| {
                let (xs, ys) = (mesh.col_range(k % cols), mesh.row_range(k / cols));
                sample.clear();
                sample_cell(
                    |x, y| plane.data[y * plane.width + x],
                    xs,
                    ys,
                    wanted,
                    sample,
                );
                let inside = sample.len();
                sample.retain(|v| *v < limit);
                if sample.len() * 4 < inside {
                    return None;
                }
                clipped(sample)
            })
            .collect();
        let filled = fill(&cells, cols, rows);
        mesh.level = median3(&filled.iter().map(|c| c.0).collect::<Vec<_>>(), cols, rows);
        mesh.noise = median3(
            &filled.iter().map(|c| c.1.max(floor)).collect::<Vec<_>>(),
            cols,
            rows,
        );
        mesh
    }

    /// Plane columns of the cells of mesh column `i`.
    pub fn col_range(&self, i: usize) -> std::ops::Range<usize> {
        (i as f32 * self.cell_w).round() as usize..((i + 1) as f32 * self.cell_w).round() as usize
    }

    /// Plane rows of the cells of mesh row `j`.
    pub fn row_range(&self, j: usize) -> std::ops::Range<usize> {
        (j as f32 * self.cell_h).round() as usize..((j + 1) as f32 * self.cell_h).round() as usize
    }

    /// Index of the cell that holds the plane position.
    pub fn cell_at(&self, x: f64, y: f64) -> usize {
        let i = (x / f64::from(self.cell_w)).max(0.0) as usize;
        let j = (y / f64::from(self.cell_h)).max(0.0) as usize;
        j.min(self.rows - 1) * self.cols + i.min(self.cols - 1)
    }

    /// Level at a plane position, bilinear between cell centres and continued at the edges.
    pub fn level_at(&self, x: f64, y: f64) -> f32 {
        let (i, s) = segment(x as f32, self.cell_w, self.cols);
        let (j, t) = segment(y as f32, self.cell_h, self.rows);
        let (i1, j1) = ((i + 1).min(self.cols - 1), (j + 1).min(self.rows - 1));
        let l = |i: usize, j: usize| self.level[j * self.cols + i];
        let low = l(i, j) + s * (l(i1, j) - l(i, j));
        let high = l(i, j1) + s * (l(i1, j1) - l(i, j1));
        low + t * (high - low)
    }

    /// Levels of the whole plane row `y` into `out`.
    pub fn level_row(&self, y: usize, knots: &mut Vec<f32>, out: &mut [f32]) {
        let (j, t) = segment(y as f32, self.cell_h, self.rows);
        let j1 = (j + 1).min(self.rows - 1);
        let (a, b) = (
            &self.level[j * self.cols..][..self.cols],
            &self.level[j1 * self.cols..][..self.cols],
        );
        knots.clear();
        knots.extend(a.iter().zip(b).map(|(a, b)| a + t * (b - a)));
        if self.cols == 1 {
            out.fill(knots[0]);
            return;
        }
        let mut start = 0;
        for i in 0..self.cols - 1 {
            let end = if i + 2 == self.cols {
                out.len()
            } else {
                (((i as f32 + 1.5) * self.cell_w) as usize).clamp(start, out.len())
            };
            let slope = (knots[i + 1] - knots[i]) / self.cell_w;
            let origin = (i as f32 + 0.5) * self.cell_w - 0.5;
            for (k, o) in out[start..end].iter_mut().enumerate() {
                *o = knots[i] + slope * ((start + k) as f32 - origin);
            }
            start = end;
        }
    }
}

/// Cell whose centre lies before `v`, and how far `v` is on the way to the next centre.
fn segment(v: f32, size: f32, count: usize) -> (usize, f32) {
    if count < 2 {
        return (0, 0.0);
    }
    let u = (v + 0.5) / size - 0.5;
    let i = (u.max(0.0) as usize).min(count - 2);
    (i, u - i as f32)
}

/// Takes about `wanted` values evenly from a rectangle, skipping NaN.
pub(super) fn sample_cell(
    value: impl Fn(usize, usize) -> f32,
    xs: std::ops::Range<usize>,
    ys: std::ops::Range<usize>,
    wanted: usize,
    sample: &mut Vec<f32>,
) {
    let area = xs.len() * ys.len();
    let step = ((area as f32 / wanted as f32).sqrt().floor() as usize).max(1);
    for (n, y) in ys.step_by(step).enumerate() {
        // Rows are staggered, so that no column pattern is sampled at one phase only.
        for x in (xs.start + (n * 2 + n / step) % step..xs.end).step_by(step) {
            let v = value(x, y);
            if v.is_finite() {
                sample.push(v);
            }
        }
    }
}

/// Gives empty cells the value of the nearest measured ones.
fn fill(cells: &[Option<(f32, f32)>], cols: usize, rows: usize) -> Vec<(f32, f32)> {
    let mut cells = cells.to_vec();
    for _ in 0..cols + rows {
        if cells.iter().all(Option::is_some) {
            break;
        }
        let before = cells.clone();
        for k in 0..cells.len() {
            if cells[k].is_some() {
                continue;
            }
            let near: Vec<(f32, f32)> = neighbours(k, cols, rows)
                .filter_map(|n| before[n])
                .collect();
            if !near.is_empty() {
                let n = near.len() as f32;
                cells[k] = Some((
                    near.iter().map(|c| c.0).sum::<f32>() / n,
                    near.iter().map(|c| c.1).sum::<f32>() / n,
                ));
            }
        }
    }
    cells
        .into_iter()
        .map(|c| c.unwrap_or((0.0, f32::MAX.sqrt())))
        .collect()
}

/// The cell and those around it.
fn neighbours(k: usize, cols: usize, rows: usize) -> impl Iterator<Item = usize> {
    let (i, j) = (k % cols, k / cols);
    (j.saturating_sub(1)..=(j + 1).min(rows - 1))
        .flat_map(move |j| (i.saturating_sub(1)..=(i + 1).min(cols - 1)).map(move |i| j * cols + i))
}

/// Median over each cell and its neighbours.
pub(super) fn median3(values: &[f32], cols: usize, rows: usize) -> Vec<f32> {
    let mut near = Vec::with_capacity(9);
    (0..values.len())
        .map(|k| {
            near.clear();
            near.extend(neighbours(k, cols, rows).map(|n| values[n]));
            near.sort_unstable_by(f32::total_cmp);
            let n = near.len();
            0.5 * (near[n / 2] + near[(n - 1) / 2])
        })
        .collect()
}
