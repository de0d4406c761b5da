//! The pixels around one star, background subtracted.

use super::moments::LANES;
use crate::detect::background::{Scene, clipped};
use crate::detect::pixels::{Image, Pixel};

/// Largest half side of a stamp, pixels.
const MAX_RADIUS: usize = 48;

/// A square cut from the frame. In a colour mosaic each value is the mean of a sliding 2 x 2
/// block, which holds one pixel of each of the four sub-lattices: the colours cancel, and the
/// values sit at half-integer positions.
#[derive(Debug, Default)]
pub(crate) struct Stamp {
    /// Background-subtracted values, rows padded with zeros to `stride`; blank pixels are zero.
    pub data: Vec<f32>,
    /// Values per row, and rows.
    pub side: usize,
    /// Values per stored row.
    pub stride: usize,
    /// Frame position of the first value.
    pub x0: f64,
    /// See `x0`.
    pub y0: f64,
    /// What was subtracted.
    pub level: f32,
    /// Values that are blank or outside the frame.
    pub blank: usize,
    raw: Vec<f32>,
}

impl Stamp {
    /// Cuts the square of half side `radius` around (x, y).
    pub fn cut<P: Pixel>(&mut self, scene: &Scene<'_, P>, (x, y): (f64, f64), radius: f64) {
        let r = (radius.ceil().max(2.0) as usize).min(MAX_RADIUS) as isize;
        let (cx, cy) = (x.round() as isize, y.round() as isize);
        self.side = (2 * r + 1) as usize;
        self.stride = self.side.next_multiple_of(LANES);
        (self.x0, self.y0) = ((cx - r) as f64, (cy - r) as f64);
        self.data.clear();
        let n = self.side + usize::from(scene.view.mosaic);
        self.copy(scene.view.image, cx - r, cy - r, n);
        if scene.view.mosaic {
            (self.x0, self.y0) = (self.x0 + 0.5, self.y0 + 0.5);
        }
        for j in 0..self.side {
            let row = &self.raw[j * n..][..n];
            if scene.view.mosaic {
                let below = &self.raw[(j + 1) * n..][..n];
                let blocks = row.windows(2).zip(below.windows(2));
                let means = blocks.map(|(a, b)| 0.25 * (a[0] + a[1] + b[0] + b[1]));
                self.data.extend(means);
            } else {
                self.data.extend_from_slice(row);
            }
            self.data.resize((j + 1) * self.stride, 0.0);
        }
        self.level = scene.sky.level(x, y);
        self.subtract_sky((x, y), scene.sky.slope(x, y, r as f64));
    }

    /// Takes the sky off, `level` at (x, y) and changing by `slope` per pixel.
    fn subtract_sky(&mut self, (x, y): (f64, f64), slope: [f32; 2]) {
        let level = self.level;
        // A plane, not a level: the rest of a slope would pull faint stars uphill.
        let (dx, dy) = ((self.x0 - x) as f32, (self.y0 - y) as f32);
        for (j, row) in self.data.chunks_exact_mut(self.stride).enumerate() {
            let at_row = level + slope[1] * (dy + j as f32) + slope[0] * dx;
            // i32 is converted in vectors, usize is not.
            for (v, i) in row[..self.side].iter_mut().zip(0i32..) {
                *v -= at_row + slope[0] * i as f32;
            }
        }
        self.blank = 0;
        for v in &mut self.data {
            if !v.is_finite() {
                *v = 0.0;
                self.blank += 1;
            }
        }
    }

    /// Subtracts `step` from every value.
    pub fn lower(&mut self, step: f32) {
        let side = self.side;
        for row in self.data.chunks_exact_mut(self.stride) {
            for v in &mut row[..side] {
                *v -= step;
            }
        }
    }

    /// Smooths with the binomial kernel 1 2 1 along both axes, which adds a variance of 1/2 square
    /// pixel to that of a star. What lies outside counts as zero.
    pub fn smooth(&mut self) {
        let stride = self.stride;
        for row in self.data.chunks_exact_mut(stride) {
            let mut before = 0.0;
            for i in 0..stride {
                let after = row.get(i + 1).copied().unwrap_or(0.0);
                let here = row[i];
                row[i] = 0.25 * (before + 2.0 * here + after);
                before = here;
            }
        }
        self.raw.clear();
        self.raw.resize(stride, 0.0);
        for j in 0..self.side {
            let (row, below) = self.data[j * stride..].split_at_mut(stride);
            for i in 0..stride {
                let after = below.get(i).copied().unwrap_or(0.0);
                let here = row[i];
                row[i] = 0.25 * (self.raw[i] + 2.0 * here + after);
                self.raw[i] = here;
            }
        }
    }

    /// The value at column `i`, row `j`.
    pub fn at(&self, i: usize, j: usize) -> f32 {
        self.data[j * self.stride + i]
    }

    fn copy<P: Pixel>(&mut self, image: &Image<'_, P>, x0: isize, y0: isize, n: usize) {
        self.raw.clear();
        let within = |from: isize, size: usize| from >= 0 && from as usize + n <= size;
        let inside = within(x0, image.width) && within(y0, image.height);
        for y in y0..y0 + n as isize {
            if inside {
                let row = &image.data[y as usize * image.width + x0 as usize..][..n];
                self.raw.extend(row.iter().map(|p| p.value()));
            } else {
                let row = (x0..x0 + n as isize).map(|x| image.at(x, y));
                self.raw.extend(row);
            }
        }
    }

    /// Sum of the values within `radius` of (x, y).
    pub fn sum_within(&self, (x, y): (f64, f64), radius: f64) -> f64 {
        let mut sum = 0.0;
        for j in 0..self.side {
            let dy = self.y0 + j as f64 - y;
            for i in 0..self.side {
                let dx = self.x0 + i as f64 - x;
                if dx * dx + dy * dy <= radius * radius {
                    sum += f64::from(self.at(i, j));
                }
            }
        }
        sum
    }

    /// Clipped mean and scatter of the values between two radii from (x, y), and their number.
    pub fn ring(
        &self,
        (x, y): (f64, f64),
        (inner, outer): (f64, f64),
        sample: &mut Vec<f32>,
    ) -> Option<(f32, f32, usize)> {
        sample.clear();
        // Column of an offset from x, within the stamp.
        let column = |d: f64| ((x + d - self.x0).ceil().max(0.0) as usize).min(self.side);
        for (j, row) in self.data.chunks_exact(self.stride).enumerate() {
            let dy2 = (self.y0 + j as f64 - y).powi(2);
            let half = |r: f64| (r * r - dy2).max(0.0).sqrt();
            let (wide, hole) = (half(outer), half(inner));
            let (start, end) = (column(-wide), column(wide));
            if hole > 0.0 {
                let (from, to) = (column(-hole), column(hole));
                sample.extend_from_slice(&row[start..from.max(start)]);
                sample.extend_from_slice(&row[to.min(end)..end]);
            } else {
                sample.extend_from_slice(&row[start..end]);
            }
        }
        let n = sample.len();
        clipped(sample, 0.0).map(|(mean, scatter)| (mean, scatter, n))
    }
}
