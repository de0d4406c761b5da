//! The pixels around one star, background subtracted.

use super::mesh::{Mesh, clipped};
use super::plane::{Image, Pixel, Plane};

/// Largest half side of a stamp, pixels.
const MAX_RADIUS: usize = 48;

/// A square cut from the frame. In a colour mosaic each value is the mean of a sliding 2 x 2
/// block, which holds one pixel of each of the four sub-lattices: the colours cancel, and the
/// values sit at half-integer positions.
#[derive(Debug, Default)]
pub(super) struct Stamp {
    /// Background-subtracted values, blank pixels NaN.
    pub data: Vec<f32>,
    /// Values per row and rows.
    pub side: usize,
    /// Frame position of the first value.
    pub x0: f64,
    /// See `x0`.
    pub y0: f64,
    /// What was subtracted.
    pub level: f32,
    raw: Vec<f32>,
}

impl Stamp {
    /// Cuts the square of half side `radius` around (x, y).
    pub fn cut<P: Pixel>(
        &mut self,
        image: &Image<'_, P>,
        sky: &Sky<'_>,
        mosaic: bool,
        (x, y): (f64, f64),
        radius: f64,
    ) {
        let r = (radius.ceil().max(2.0) as usize).min(MAX_RADIUS) as isize;
        let (cx, cy) = (x.round() as isize, y.round() as isize);
        self.level = sky.level(x, y);
        self.side = (2 * r + 1) as usize;
        (self.x0, self.y0) = ((cx - r) as f64, (cy - r) as f64);
        self.data.clear();
        if !mosaic {
            self.copy(image, cx - r, cy - r, self.side);
            std::mem::swap(&mut self.raw, &mut self.data);
            for v in &mut self.data {
                *v -= self.level;
            }
            return;
        }
        let n = self.side + 1;
        self.copy(image, cx - r, cy - r, n);
        (self.x0, self.y0) = (self.x0 + 0.5, self.y0 + 0.5);
        for j in 0..self.side {
            let (a, b) = (&self.raw[j * n..][..n], &self.raw[(j + 1) * n..][..n]);
            let level = self.level;
            self.data.extend(
                a.windows(2)
                    .zip(b.windows(2))
                    .map(|(a, b)| 0.25 * (a[0] + a[1] + b[0] + b[1]) - level),
            );
        }
    }

    fn copy<P: Pixel>(&mut self, image: &Image<'_, P>, x0: isize, y0: isize, n: usize) {
        self.raw.clear();
        let inside =
            x0 >= 0 && y0 >= 0 && x0 as usize + n <= image.width && y0 as usize + n <= image.height;
        for y in y0..y0 + n as isize {
            if inside {
                let row = &image.data[y as usize * image.width + x0 as usize..][..n];
                self.raw.extend(row.iter().map(|p| {
                    let v = p.value();
                    if v.is_finite() { v } else { f32::NAN }
                }));
            } else {
                self.raw
                    .extend((x0..x0 + n as isize).map(|x| image.at(x, y)));
            }
        }
    }

    /// Clipped mean and scatter of the values between two radii from (x, y), and their number.
    pub fn ring(
        &self,
        (x, y): (f64, f64),
        (inner, outer): (f64, f64),
        sample: &mut Vec<f32>,
    ) -> Option<(f32, f32, usize)> {
        sample.clear();
        for j in 0..self.side {
            let dy = self.y0 + j as f64 - y;
            for i in 0..self.side {
                let dx = self.x0 + i as f64 - x;
                let d2 = dx * dx + dy * dy;
                let v = self.data[j * self.side + i];
                if d2 >= inner * inner && d2 <= outer * outer && v.is_finite() {
                    sample.push(v);
                }
            }
        }
        let n = sample.len();
        clipped(sample).map(|(mean, scatter)| (mean, scatter, n))
    }
}

/// Sky level at frame positions.
pub(super) struct Sky<'a> {
    mesh: &'a Mesh,
    bin: f64,
}

impl<'a> Sky<'a> {
    pub fn new(mesh: &'a Mesh, plane: &Plane) -> Sky<'a> {
        Sky {
            mesh,
            bin: plane.bin as f64,
        }
    }

    /// Level at a frame position.
    pub fn level(&self, x: f64, y: f64) -> f32 {
        let to_plane = |v: f64| (v + 0.5) / self.bin - 0.5;
        self.mesh.level_at(to_plane(x), to_plane(y))
    }

    /// Noise of a plane pixel times the bin: the noise of a frame pixel if the noise is white.
    pub fn pixel_noise(&self, x: f64, y: f64) -> f32 {
        let to_plane = |v: f64| (v + 0.5) / self.bin - 0.5;
        self.mesh.noise[self.mesh.cell_at(to_plane(x), to_plane(y))] * self.bin as f32
    }
}
