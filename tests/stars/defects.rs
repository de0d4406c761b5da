//! What spoils star fields, painted on a [`Canvas`]; everything from a seed.

use crate::star_field::{Canvas, Random, Star};
use std::f64::consts::PI;

impl Canvas {
    fn add(&mut self, x: f64, y: f64, value: f64) {
        let (x, y) = (x.round(), y.round());
        if x >= 0.0 && y >= 0.0 && x < self.width as f64 && y < self.height as f64 {
            self.data[y as usize * self.width + x as usize] += value;
        }
    }

    /// Adds `value(x, y)` to every pixel.
    pub fn glow(&mut self, value: impl Fn(f64, f64) -> f64) {
        let width = self.width;
        for (k, v) in self.data.iter_mut().enumerate() {
            *v += value((k % width) as f64, (k / width) as f64);
        }
    }

    /// Noise of `read` units and that of the light: variance = light / `gain`.
    pub fn photon_noise(&mut self, read: f64, gain: f64, random: &mut Random) {
        for v in &mut self.data {
            *v += (read * read + v.max(0.0) / gain).sqrt() * random.normal();
        }
    }

    /// Single pixels, `count` of them, up to `peak` above the sky.
    pub fn hot_pixels(&mut self, count: usize, peak: f64, random: &mut Random) {
        for _ in 0..count {
            let k = (random.uniform() * self.data.len() as f64) as usize;
            self.data[k] += peak * (0.1 + 0.9 * random.uniform());
        }
    }

    /// A column whose values are off by `value` from row `from` on.
    pub fn column(&mut self, x: usize, from: usize, value: f64) {
        for y in from..self.height {
            self.data[y * self.width + x] += value;
        }
    }

    /// Straight tracks of charge, one pixel wide, 1 to 25 pixels long.
    pub fn cosmic_rays(&mut self, count: usize, peak: f64, random: &mut Random) {
        for _ in 0..count {
            let (mut x, mut y) = (
                random.uniform() * self.width as f64,
                random.uniform() * self.height as f64,
            );
            let (dy, dx) = (random.uniform() * PI).sin_cos();
            let value = peak * (0.3 + 0.7 * random.uniform());
            for _ in 0..1 + (random.uniform() * 25.0) as usize {
                self.add(x, y, value);
                (x, y) = (x + dx, y + dy);
            }
        }
    }

    /// A satellite across the frame: a line from one side to the other, as wide as the stars.
    pub fn trail(&mut self, left_y: f64, right_y: f64, sigma: f64, peak: f64) {
        let slope = (right_y - left_y) / self.width as f64;
        let across = 1.0 / slope.hypot(1.0);
        self.glow(|x, y| {
            let d = (y - left_y - slope * x) * across;
            peak * (-0.5 * d * d / (sigma * sigma)).exp()
        });
    }

    /// A star whose charge runs `up` and `down` pixels along its column.
    pub fn blooming_star(&mut self, star: Star, sigma: f64, up: usize, down: usize) {
        self.star(star, sigma);
        for dy in -(down as i64)..=up as i64 {
            for dx in -1..=1 {
                self.add(star.x.round() + dx as f64, star.y + dy as f64, 1e6);
            }
        }
    }

    /// A star drawn out along `turn` (radians) over `length` pixels; `star` is the middle.
    pub fn drifted_star(&mut self, star: Star, sigma: f64, length: f64, turn: f64) {
        let steps = (3.0 * length).ceil().max(1.0);
        for k in 0..steps as usize {
            let along = ((k as f64 + 0.5) / steps - 0.5) * length;
            let part = Star {
                x: star.x + along * turn.cos(),
                y: star.y + along * turn.sin(),
                flux: star.flux / steps,
            };
            self.star(part, sigma);
        }
    }

    /// A star out of focus through a telescope with a secondary mirror: a ring of light.
    pub fn defocused_star(&mut self, star: Star, outer: f64, inner: f64) {
        const PARTS: usize = 400;
        for k in 0..PARTS {
            // Even over the ring: golden angle, radius by area (Vogel 1979).
            let share = (k as f64 + 0.5) / PARTS as f64;
            let r = (inner * inner + share * (outer * outer - inner * inner)).sqrt();
            let (dy, dx) = (k as f64 * PI * (3.0 - 5f64.sqrt())).sin_cos();
            let part = Star {
                x: star.x + r * dx,
                y: star.y + r * dy,
                flux: star.flux / PARTS as f64,
            };
            self.star(part, 0.9);
        }
    }

    /// Clouds of light of many sizes down to `finest` pixels, `peak` high, and dark lanes.
    pub fn nebula(&mut self, peak: f64, finest: f64, random: &mut Random) {
        let size = self.width.min(self.height) as f64;
        for k in 0..24 {
            let sigma = finest * (0.25 * size / finest).powf(f64::from(k) / 23.0);
            let (x0, y0) = (
                (0.2 + 0.6 * random.uniform()) * self.width as f64,
                (0.2 + 0.6 * random.uniform()) * self.height as f64,
            );
            let sign = if k % 5 == 4 { -0.4 } else { 1.0 };
            let height = sign * peak * (0.2 + 0.8 * sigma / (0.25 * size));
            self.glow(|x, y| {
                let d2 = (x - x0).powi(2) + (y - y0).powi(2);
                height * (-0.5 * d2 / (sigma * sigma)).exp()
            });
        }
    }

    /// Through a Gaussian; at the edges the values go on.
    pub fn softened(&self, sigma: f64) -> Canvas {
        let reach = (3.0 * sigma).ceil() as i64;
        let taps: Vec<(i64, f64)> = (-reach..=reach)
            .map(|k| (k, (-0.5 * (k as f64 / sigma).powi(2)).exp()))
            .collect();
        let sum: f64 = taps.iter().map(|(_, weight)| weight).sum();
        let mut soft = self.clone();
        for [along, across] in [[1, 0], [0, 1]] {
            let before = soft.data.clone();
            for (k, value) in soft.data.iter_mut().enumerate() {
                let at = [k % self.width, k / self.width].map(|c| c as i64);
                let near = |(offset, weight): &(i64, f64)| {
                    let x = (at[0] + along * offset).clamp(0, self.width as i64 - 1);
                    let y = (at[1] + across * offset).clamp(0, self.height as i64 - 1);
                    weight * before[y as usize * self.width + x as usize]
                };
                *value = taps.iter().map(near).sum::<f64>() / sum;
            }
        }
        soft
    }

    /// A nebula that is uneven on every scale down to 4 pixels, in a patch in the middle: hills of
    /// `steepness` times their size, as many of each size as cover the patch.
    pub fn ragged_nebula(&mut self, steepness: f64, random: &mut Random) {
        let (width, height) = (self.width as f64, self.height as f64);
        let bright = |x: f64, y: f64| {
            let (u, v) = (x / width - 0.5, y / height - 0.5);
            (-0.5 * (u * u + v * v) / 0.25f64.powi(2)).exp()
        };
        for size in [4.0, 8.0, 16.0, 32.0, 64.0, 128.0f64] {
            for _ in 0..(width * height / (size * size)) as usize {
                let (x0, y0) = (random.uniform() * width, random.uniform() * height);
                let top = steepness * size * bright(x0, y0) * random.uniform();
                let reach = 3.5 * size;
                let span = |middle: f64, end: f64| {
                    (middle - reach).max(0.0) as usize..(middle + reach).min(end) as usize
                };
                for y in span(y0, height) {
                    for x in span(x0, width) {
                        let d2 = (x as f64 - x0).powi(2) + (y as f64 - y0).powi(2);
                        self.data[y * self.width + x] += top * (-0.5 * d2 / (size * size)).exp();
                    }
                }
            }
        }
    }

    /// A line of `text`, five rows of square dots of `dot` pixels, all of value `value`.
    pub fn caption(&mut self, text: &str, (x0, y0): (usize, usize), dot: usize, value: f64) {
        for (n, letter) in text.bytes().enumerate() {
            // No font: any strokes as thick and as many as those of letters.
            let mut strokes = Random(u64::from(letter));
            for cell in 0..15 {
                let (i, j) = (cell % 3, cell / 3);
                let upright = i == 0 && letter % 4 != 0;
                if !(upright || strokes.uniform() < 0.5) {
                    continue;
                }
                for d in 0..dot * dot {
                    let x = x0 + (4 * n + i) * dot + d % dot;
                    let y = y0 + j * dot + d / dot;
                    self.data[y * self.width + x] = value;
                }
            }
        }
    }
}
