//! Pixels as numbers: the frame as stored, and binned planes for detection.

use rayon::prelude::*;

/// A stored pixel type.
pub(super) trait Pixel: Copy + Send + Sync {
    /// The value as a number; blank pixels are NaN.
    fn value(self) -> f32;
    /// Smallest step between two values, 0 for floating point.
    const STEP: f32;
    /// The largest value the type holds, infinite for floating point.
    const CEILING: f32;
}

impl Pixel for u8 {
    #[inline(always)]
    fn value(self) -> f32 {
        f32::from(self)
    }
    const STEP: f32 = 1.0;
    const CEILING: f32 = 255.0;
}

impl Pixel for u16 {
    #[inline(always)]
    fn value(self) -> f32 {
        f32::from(self)
    }
    const STEP: f32 = 1.0;
    const CEILING: f32 = 65535.0;
}

impl Pixel for f32 {
    #[inline(always)]
    fn value(self) -> f32 {
        self
    }
    const STEP: f32 = 0.0;
    const CEILING: f32 = f32::INFINITY;
}

/// The frame's pixels in stored order.
pub(super) struct Image<'a, P> {
    /// `width * height` values.
    pub data: &'a [P],
    /// Pixels along x.
    pub width: usize,
    /// Pixels along y.
    pub height: usize,
}

impl<P: Pixel> Image<'_, P> {
    /// The pixel at (x, y), NaN outside the frame and where the value is not finite.
    #[inline]
    pub fn at(&self, x: isize, y: isize) -> f32 {
        if x < 0 || y < 0 || x as usize >= self.width || y as usize >= self.height {
            return f32::NAN;
        }
        match self.data.get(y as usize * self.width + x as usize) {
            Some(v) if v.value().is_finite() => v.value(),
            _ => f32::NAN,
        }
    }

    /// The value from which a pixel counts as saturated; infinite when nothing looks saturated.
    ///
    /// A sensor or converter that clips leaves several pixels at the very same highest value
    /// (4095 and 16383 as often as 65535); a frame without saturated stars has one.
    pub fn saturation(&self) -> f32 {
        let rows: Vec<f32> = self
            .data
            .par_chunks(self.width.max(1) * 64)
            .map(|rows| {
                rows.iter().fold(f32::NEG_INFINITY, |m, p| {
                    let v = p.value();
                    if v > m && v < f32::INFINITY { v } else { m }
                })
            })
            .collect();
        let top = rows.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        if !top.is_finite() {
            return f32::INFINITY;
        }
        // Bright pixels scatter by a few thousandths where the well, not the converter, clips.
        let near = top - 0.004 * top.abs();
        let count: usize = self
            .data
            .par_chunks(self.width.max(1) * 64)
            .zip(rows.par_iter())
            .filter(|(_, m)| **m >= near)
            .map(|(rows, _)| rows.iter().filter(|p| p.value() >= near).count())
            .sum();
        if count >= 4 || top >= 0.99 * P::CEILING {
            near
        } else {
            f32::INFINITY
        }
    }
}

/// A plane of means over `bin` x `bin` aligned blocks of the frame.
pub(super) struct Plane {
    /// `width * height` block means; NaN where a block holds a blank pixel.
    pub data: Vec<f32>,
    /// Blocks along x.
    pub width: usize,
    /// Blocks along y.
    pub height: usize,
    /// Frame pixels per block side.
    pub bin: usize,
}

impl Plane {
    /// Averages aligned blocks of `bin` x `bin` pixels; incomplete blocks at the far edges are
    /// left out.
    pub fn binned<P: Pixel>(image: &Image<'_, P>, bin: usize) -> Plane {
        let (width, height) = (image.width / bin, image.height / bin);
        let mut data = vec![0.0f32; width * height];
        if width == 0 || height == 0 {
            return Plane {
                data,
                width,
                height,
                bin,
            };
        }
        let scale = 1.0 / (bin * bin) as f32;
        data.par_chunks_mut(width * 16)
            .enumerate()
            .for_each(|(strip, out)| {
                for (j, out) in out.chunks_mut(width).enumerate() {
                    let first = (strip * 16 + j) * bin * image.width;
                    for row in image.data[first..].chunks(image.width).take(bin) {
                        add_row(row, out, bin);
                    }
                    for v in out.iter_mut() {
                        *v *= scale;
                    }
                }
            });
        Plane {
            data,
            width,
            height,
            bin,
        }
    }

    /// The plane binned once more, by `factor`.
    pub fn rebinned(&self, factor: usize) -> Plane {
        let image = Image {
            data: &self.data,
            width: self.width,
            height: self.height,
        };
        let mut plane = Plane::binned(&image, factor);
        plane.bin *= self.bin;
        plane
    }

    /// The value nearest to a plane position.
    pub fn nearest(&self, x: f32, y: f32) -> f32 {
        let (x, y) = (x.round().max(0.0) as usize, y.round().max(0.0) as usize);
        let k = y.min(self.height - 1) * self.width + x.min(self.width - 1);
        self.data[k]
    }

    /// Frame position of a plane position: the centre of block 0 of size 2 is 0.5.
    pub fn to_frame(&self, v: f64) -> f64 {
        (v + 0.5) * self.bin as f64 - 0.5
    }
}

/// Adds a stored row to a row of block sums.
fn add_row<P: Pixel>(row: &[P], out: &mut [f32], bin: usize) {
    match bin {
        1 => {
            for (o, p) in out.iter_mut().zip(row) {
                *o += p.value();
            }
        }
        2 => {
            for (o, p) in out.iter_mut().zip(row.chunks_exact(2)) {
                *o += p[0].value() + p[1].value();
            }
        }
        _ => {
            for (o, p) in out.iter_mut().zip(row.chunks_exact(bin)) {
                *o += p.iter().map(|p| p.value()).sum::<f32>();
            }
        }
    }
}
