//! Sky level and noise on a coarse mesh, interpolated in between.

use super::clip::clipped;
use super::sample::{sample_as, sample_cell};
use super::smooth::{BLIND, fill, level_median3, median3};
use crate::detect::pixels::Plane;
use crate::robust::quantile;
use rayon::prelude::*;
use std::ops::Range;

/// Level and noise per cell of a plane.
#[derive(Debug, Clone)]
pub(crate) struct Mesh {
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

/// Values looked at per cell: their mean is known to 6 % of the noise, and clipping more costs more
/// than it tells.
const SAMPLE: usize = 300;

impl Mesh {
    /// Measures `plane` in cells of about `cell` pixels. Values at or above `limit` and NaN are
    /// left out; `floor` is the least noise that makes sense.
    pub fn measure(plane: &Plane, cell: usize, limit: f32, floor: f32) -> Mesh {
        Mesh::with(plane, cell, limit, floor, median3)
    }

    /// The same for a sky that may slope: up to the edge, and with the noise of each cell about the
    /// slope of the levels around it. Moonlight and twilight are no noise.
    pub fn measure_slopes(plane: &Plane, cell: usize, limit: f32, floor: f32) -> Mesh {
        Mesh::with(plane, cell, limit, floor, level_median3).about_slopes(plane, limit, floor)
    }

    fn with(
        plane: &Plane,
        cell: usize,
        limit: f32,
        floor: f32,
        smoothed: fn(&[f32], usize, usize) -> Vec<f32>,
    ) -> Mesh {
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
        let cells: Vec<Option<(f32, f32)>> = (0..cols * rows)
            .into_par_iter()
            .map_init(Vec::new, |sample, k| {
                let (xs, ys) = (mesh.col_range(k % cols), mesh.row_range(k / cols));
                sample.clear();
                sample_cell((&plane.data, plane.width), (xs, ys), SAMPLE, sample);
                let inside = sample.len();
                sample.retain(|v| *v < limit);
                // What is left of a saturated area is its own edge.
                if sample.len() * 4 < inside {
                    return None;
                }
                clipped(sample, floor).map(|(level, noise)| (level, noise.max(floor)))
            })
            .collect();
        let (level, noise): (Vec<f32>, Vec<f32>) = fill(cells, cols, rows).into_iter().unzip();
        mesh.level = smoothed(&level, cols, rows);
        mesh.noise = median3(&noise, cols, rows);
        mesh
    }

    fn about_slopes(mut self, plane: &Plane, limit: f32, floor: f32) -> Mesh {
        let about: Vec<Option<f32>> = (0..self.noise.len())
            .into_par_iter()
            .map_init(Vec::new, |sample, k| {
                self.noise_about_slope(plane, k, limit, sample)
            })
            .collect();
        if about.iter().any(Option::is_some) {
            let noise: Vec<f32> = about
                .iter()
                .zip(&self.noise)
                .map(|(about, noise)| about.map_or(*noise, |about| about.max(floor).min(*noise)))
                .collect();
            self.noise = median3(&noise, self.cols, self.rows);
        }
        self
    }

    /// Noise of cell `k` about the slope of the levels around it, where that makes a good part of its
    /// noise about the mean.
    fn noise_about_slope(
        &self,
        plane: &Plane,
        k: usize,
        limit: f32,
        sample: &mut Vec<f32>,
    ) -> Option<f32> {
        /// Less of a slope changes the noise by under 5 %: sqrt(1 - 0.3^2).
        const PART: f32 = 0.3;
        /// The slopes on both sides of the cell lie within a quarter of their mean.
        const MOST_BENT: f32 = 0.5;
        let (i, j) = (k % self.cols, k / self.cols);
        let (level, noise) = (&self.level, self.noise[k]);
        // Change per cell, and its own change, through a cell and those beside it.
        let along = |at: usize, count: usize, step: usize| -> Option<[f32; 2]> {
            let last = count.checked_sub(2).filter(|last| *last > 0)?;
            let middle = k - at * step + at.clamp(1, last) * step;
            let [before, here, after] = [middle - step, middle, middle + step].map(|k| level[k]);
            Some([0.5 * (after - before), after - 2.0 * here + before])
        };
        let [dx, bend_x] = along(i, self.cols, 1)?;
        let [dy, bend_y] = along(j, self.rows, self.cols)?;
        let rise = dx.hypot(dy);
        // A slope scatters values evenly: by 1 / sqrt 12 of its rise. What is no slope is something
        // in the sky that lies across several cells.
        if !(rise / 12f32.sqrt() > PART * noise && bend_x.hypot(bend_y) < MOST_BENT * rise) {
            return None;
        }
        let (xs, ys) = (self.col_range(i), self.row_range(j));
        let off_middle = |at: usize, start: usize, size: f32| (at - start) as f32 / size - 0.5;
        let (left, top) = (xs.start, ys.start);
        sample.clear();
        let from = (&plane.data[..], plane.width);
        sample_as(from, (xs, ys), SAMPLE, sample, |x, y, v| {
            let slope =
                dy * off_middle(y, top, self.cell_h) + dx * off_middle(x, left, self.cell_w);
            if v < limit { v - slope } else { f32::NAN }
        });
        clipped(sample, 0.0).map(|(_, deviation)| deviation)
    }

    /// The same mesh in blocks of another size, `width` x `height` of them; `ratio` says how many
    /// of these make one of the old ones along either axis.
    pub fn stretched(mut self, width: usize, height: usize, ratio: f32) -> Mesh {
        self.cell_w = width as f32 / self.cols as f32;
        self.cell_h = height as f32 / self.rows as f32;
        // White noise: means over blocks scatter less.
        self.noise.iter_mut().for_each(|n| *n *= ratio);
        self
    }

    /// Plane columns of the cells of mesh column `i`.
    pub fn col_range(&self, i: usize) -> Range<usize> {
        (i as f32 * self.cell_w).round() as usize..((i + 1) as f32 * self.cell_w).round() as usize
    }

    /// Plane rows of the cells of mesh row `j`.
    pub fn row_range(&self, j: usize) -> Range<usize> {
        (j as f32 * self.cell_h).round() as usize..((j + 1) as f32 * self.cell_h).round() as usize
    }

    /// Noise of the frame's quietest quarter: objects that fill a cell, and light that changes
    /// within it, pass for noise there.
    pub fn quiet_noise(&self) -> f32 {
        quantile(self.noise.iter().copied(), (1, 4)).unwrap_or(0.0) as f32
    }

    /// Whether it shows no sky at all: every value is saturated, or there are too few.
    pub fn is_blind(&self) -> bool {
        self.noise.iter().all(|noise| *noise > 1e-3 * BLIND)
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

    /// The values of `plane` above the sky.
    pub fn taken_off(&self, plane: &Plane) -> Vec<f32> {
        let mut above = plane.data.clone();
        let (mut knots, mut level) = (Vec::new(), vec![0.0; plane.width]);
        for (y, row) in above.chunks_exact_mut(plane.width).enumerate() {
            self.level_row(y, &mut knots, &mut level);
            row.iter_mut().zip(&level).for_each(|(v, l)| *v -= l);
        }
        above
    }

    /// Levels of the whole plane row `y` into `out`.
    pub fn level_row(&self, y: usize, knots: &mut Vec<f32>, out: &mut [f32]) {
        let (j, t) = segment(y as f32, self.cell_h, self.rows);
        let j1 = (j + 1).min(self.rows - 1);
        let [a, b] = [j, j1].map(|j| &self.level[j * self.cols..][..self.cols]);
        knots.clear();
        knots.extend(a.iter().zip(b).map(|(a, b)| a + t * (b - a)));
        if self.cols == 1 {
            out.fill(knots[0]);
            return;
        }
        // Converting integers one by one would take longer than the rest.
        const STEPS: [f32; 8] = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
        let mut start = 0;
        for i in 0..self.cols - 1 {
            let end = if i + 2 == self.cols {
                out.len()
            } else {
                (((i as f32 + 1.5) * self.cell_w) as usize).clamp(start, out.len())
            };
            let slope = (knots[i + 1] - knots[i]) / self.cell_w;
            let origin = (i as f32 + 0.5) * self.cell_w - 0.5;
            let (eights, rest) = out[start..end].as_chunks_mut::<8>();
            let mut first = knots[i] + slope * (start as f32 - origin);
            for o in eights {
                *o = STEPS.map(|k| first + slope * k);
                first += 8.0 * slope;
            }
            for (o, k) in rest.iter_mut().zip(STEPS) {
                *o = first + slope * k;
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A plane of `value` with a noise of 1 (even, from the high bits of a multiplicative sequence).
    fn plane(value: impl Fn(f32, f32) -> f32) -> Plane {
        let (width, height) = (320, 256);
        let mut state = 99_u32;
        let data = (0..width * height).map(|k| {
            state = state.wrapping_mul(747_796_405).wrapping_add(2_891_336_453);
            let noise = 12f32.sqrt() * ((state >> 8) as f32 / 16_777_216.0 - 0.5);
            value((k % width) as f32, (k / width) as f32) + noise
        });
        Plane {
            data: data.collect(),
            width,
            height,
            bin: 1,
        }
    }

    #[test]
    fn a_slope_is_no_noise_up_to_the_corner() {
        let slope = |x: f32, y: f32| 1000.0 + 2.0 * x - y;
        let mesh = Mesh::measure_slopes(&plane(slope), 32, f32::INFINITY, 0.1);
        assert!(
            mesh.noise.iter().all(|n| (0.8..1.4).contains(n)),
            "{:?}",
            mesh.noise
        );
        for (x, y) in [(0.0, 0.0), (319.0, 255.0), (160.0, 0.0), (100.0, 100.0)] {
            let off = mesh.level_at(x, y) - slope(x as f32, y as f32);
            assert!(off.abs() < 1.5, "{x} {y}: {off}");
        }
        // About their mean the values of a cell scatter by 1 / sqrt 12 of the rise, 20 and more.
        let about_mean = Mesh::measure(&plane(slope), 32, f32::INFINITY, 0.1);
        assert!(about_mean.noise.iter().all(|n| *n > 15.0));
    }

    /// Hills hardly wider than the cells: clouds, and discs far out of focus.
    #[test]
    fn hills_are_no_slope() {
        let hills = |x: f32, y: f32| 100.0 * (x / 14.0).sin() * (y / 14.0).sin();
        let sum = |mesh: Mesh| mesh.noise.iter().sum::<f32>();
        let plain = sum(Mesh::measure(&plane(hills), 32, f32::INFINITY, 0.1));
        let sloped = sum(Mesh::measure_slopes(&plane(hills), 32, f32::INFINITY, 0.1));
        assert!(sloped > 0.8 * plain, "{sloped} {plain}");
    }
}
