//! Sky level and noise on a coarse mesh, interpolated in between.

use super::plane::Plane;
use rayon::prelude::*;
use std::ops::Range;

/// Values that the first guess of middle and spread is taken from: sorting more costs more than
/// all the rest, and the guess only says what to clip.
const GUESS: usize = 128;

/// Clipped mean and standard deviation of a sample that holds sky and some stars.
///
/// The first guess of the spread is taken from the lower half, which stars leave alone; `floor`
/// is the least that makes sense. `None` with fewer than 8 values.
pub(super) fn clipped(sample: &[f32], floor: f32) -> Option<(f32, f32)> {
    if sample.len() < 8 {
        return None;
    }
    let mut guess = [0.0f32; GUESS];
    let n = sample.len().min(GUESS);
    let guess = &mut guess[..n];
    for (k, v) in guess.iter_mut().enumerate() {
        *v = sample[k * sample.len() / n];
    }
    let (lower, median, _) = guess.select_nth_unstable_by(n / 2, f32::total_cmp);
    let median = *median;
    // One and two sigma below the middle of a normal distribution: 15.87 % and 2.28 %.
    let (lowest, one, _) = lower.select_nth_unstable_by(n * 1587 / 10_000, f32::total_cmp);
    let one = median - *one;
    lowest.sort_unstable_by(f32::total_cmp);
    let two = lowest
        .get(n * 228 / 10_000)
        .map_or(0.0, |v| 0.5 * (median - v));
    // The lowest value of all is no two-sigma rank.
    let spread = if n < 44 { one } else { one.max(two) }.max(floor);
    let (mean, deviation) = within(sample, median, 3.0 * spread);
    // Where stars crowd, the lower half stays the better witness.
    let sigma = deviation.min(1.5 * spread).max(floor);
    let (mean, deviation) = within(sample, mean, 3.0 * sigma);
    Some((mean, deviation.min(1.5 * spread)))
}

/// Mean and standard deviation of the values within `reach` of `centre`, summed in a fixed
/// order of eight at a time.
fn within(sample: &[f32], centre: f32, reach: f32) -> (f32, f32) {
    const LANES: usize = 8;
    let (mut n, mut sum, mut square) = ([0.0f32; LANES], [0.0f32; LANES], [0.0f32; LANES]);
    let mut add = |k: usize, v: f32| {
        let d = v - centre;
        let near = d.abs() <= reach;
        let (one, d) = if near { (1.0, d) } else { (0.0, 0.0) };
        n[k] += one;
        sum[k] += d;
        square[k] += d * d;
    };
    let (eights, rest) = sample.as_chunks::<LANES>();
    for eight in eights {
        (0..LANES).for_each(|k| add(k, eight[k]));
    }
    rest.iter().enumerate().for_each(|(k, v)| add(k, *v));
    let total = |lanes: [f32; LANES]| lanes.iter().sum::<f32>();
    let (n, sum, square) = (total(n).max(1.0), total(sum), total(square));
    let mean = sum / n;
    // 1.014: a normal distribution cut at 3 sigma is narrower by that much (1 / 0.9866).
    let deviation = (square / n - mean * mean).max(0.0).sqrt() * 1.014;
    (centre + mean, deviation)
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

/// Beyond this many times the noise of its pixels a level is uneven.
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

/// Values looked at per cell.
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
                sample_cell(&plane.data, plane.width, xs, ys, SAMPLE, sample);
                let inside = sample.len();
                sample.retain(|v| *v < limit);
                if sample.len() * 4 < inside {
                    return None;
                }
                clipped(sample, floor)
            })
            .collect();
        let filled = fill(&cells, cols, rows);
        let level: Vec<f32> = filled.iter().map(|c| c.0).collect();
        mesh.level = smoothed(&level, cols, rows);
        mesh.noise = median3(
            &filled.iter().map(|c| c.1.max(floor)).collect::<Vec<_>>(),
            cols,
            rows,
        );
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
        const PART: f32 = 0.3;
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
        let area = xs.len() * ys.len();
        let step = ((area as f32 / SAMPLE as f32).sqrt().round() as usize).max(1);
        sample.clear();
        for (n, y) in ys.clone().step_by(step).enumerate() {
            let from = xs.start + (n * 2 + n / step) % step;
            let across = dy * ((y - ys.start) as f32 / self.cell_h - 0.5);
            for x in (from..xs.end).step_by(step) {
                let v = plane.data[y * plane.width + x];
                if v.is_finite() && v < limit {
                    sample.push(v - across - dx * ((x - xs.start) as f32 / self.cell_w - 0.5));
                }
            }
        }
        clipped(sample, 0.0).map(|(_, deviation)| deviation)
    }

    /// Share of the cells of `plane` whose sky is far from flat: the levels of nine squares of
    /// `side` blocks in it lie away from a plane by more than `ROUGH` of the noise in them.
    /// Nebulae do that; noise, gradients and crowds of stars hardly.
    pub fn rough_share(&self, plane: &Plane, side: usize, limit: f32) -> f64 {
        let (mut rough, mut sample) = (0, Vec::new());
        for k in 0..self.noise.len() {
            let (xs, ys) = (self.col_range(k % self.cols), self.row_range(k / self.cols));
            let squares: [Option<(f32, f32)>; 9] = std::array::from_fn(|square| {
                let middle = |range: &Range<usize>, third: usize| {
                    (range.start + range.len() * (2 * third + 1) / 6).saturating_sub(side / 2)
                };
                let (x, y) = (middle(&xs, square % 3), middle(&ys, square / 3));
                let (w, h) = ((x + side).min(plane.width), (y + side).min(plane.height));
                sample.clear();
                sample_cell(
                    &plane.data,
                    plane.width,
                    x..w,
                    y..h,
                    side * side,
                    &mut sample,
                );
                sample.retain(|v| *v < limit);
                clipped(&sample, 0.0)
            });
            rough += usize::from(unevenness(&squares).is_some_and(|u| u > ROUGH));
        }
        rough as f64 / self.noise.len() as f64
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
        let mut noise = self.noise.clone();
        noise.sort_unstable_by(f32::total_cmp);
        noise.get(noise.len() / 4).copied().unwrap_or(0.0)
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

/// Takes about `wanted` values evenly from a rectangle of rows of `width`, skipping NaN.
pub(super) fn sample_cell(
    data: &[f32],
    width: usize,
    xs: Range<usize>,
    ys: Range<usize>,
    wanted: usize,
    sample: &mut Vec<f32>,
) {
    let area = xs.len() * ys.len();
    let step = ((area as f32 / wanted as f32).sqrt().round() as usize).max(1);
    for (n, y) in ys.step_by(step).enumerate() {
        // Rows are staggered, so that no column pattern is sampled at one phase only.
        let from = xs.start + (n * 2 + n / step) % step;
        let Some(row) = data.get(y * width + from..y * width + xs.end.max(from)) else {
            continue;
        };
        sample.extend(row.iter().step_by(step).filter(|v| v.is_finite()));
    }
}

/// Noise of a mesh without a single measured cell: nothing rises above it, and its square is a
/// number, in blocks of any size.
const BLIND: f32 = 1e18;

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
        .map(|c| c.unwrap_or((0.0, BLIND)))
        .collect()
}

/// The cell and those around it.
fn neighbours(k: usize, cols: usize, rows: usize) -> impl Iterator<Item = usize> {
    let (i, j) = (k % cols, k / cols);
    (j.saturating_sub(1)..=(j + 1).min(rows - 1))
        .flat_map(move |j| (i.saturating_sub(1)..=(i + 1).min(cols - 1)).map(move |i| j * cols + i))
}

/// Median over each cell and its neighbours; those beyond the edge go on as the ones across do, so
/// that the edge of a slope is not drawn towards its middle.
fn level_median3(level: &[f32], cols: usize, rows: usize) -> Vec<f32> {
    let within =
        |v: usize, step: isize, count: usize| v.checked_add_signed(step).filter(|v| *v < count);
    (0..level.len())
        .map(|k| {
            let (i, j) = (k % cols, k / cols);
            let at = |di: isize, dj: isize| {
                let place = within(i, di, cols).zip(within(j, dj, rows));
                place.map(|(i, j)| level[j * cols + i])
            };
            let mut near: [f32; 9] = std::array::from_fn(|n| {
                let (di, dj) = (n as isize % 3 - 1, n as isize / 3 - 1);
                let across = || at(-di, -dj).map(|l| 2.0 * level[k] - l);
                at(di, dj).or_else(across).unwrap_or(level[k])
            });
            near.sort_unstable_by(f32::total_cmp);
            near[4]
        })
        .collect()
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
