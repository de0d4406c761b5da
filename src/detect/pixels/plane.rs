//! Frames in blocks: binned planes, and blocks computed row by row.

use super::image::{Image, Pixel};
use rayon::prelude::*;

/// A plane of means over `bin` x `bin` aligned blocks of the frame.
pub(crate) struct Plane {
    /// `width * height` block means; NaN where a block holds a blank pixel.
    pub data: Vec<f32>,
    /// Blocks along x.
    pub width: usize,
    /// Blocks along y.
    pub height: usize,
    /// Frame pixels per block side.
    pub bin: usize,
}

/// Plane rows that one thread makes at a time.
const STRIP: usize = 8;

impl Plane {
    /// Averages aligned blocks of `bin` x `bin` pixels; incomplete blocks at the far edges are
    /// left out. Says too from where on a pixel is saturated, see [`Image::saturation`]: a pass
    /// of its own over a large frame would wait for memory.
    pub fn binned<P: Pixel>(image: &Image<'_, P>, bin: usize) -> (Plane, f32) {
        let (width, height) = (image.width / bin, image.height / bin);
        let mut data = vec![0.0; width * height];
        let rows = bin * STRIP;
        let tops: Vec<f32> = data
            .par_chunks_mut((width * STRIP).max(1))
            .zip(image.data.par_chunks(image.width * rows))
            .map_init(Vec::new, |buffer, (out, data)| {
                let blocks = data.chunks(image.width * bin);
                let mut top = P::LOWEST;
                for (out, block) in out.chunks_exact_mut(width).zip(blocks) {
                    bin_rows(block, image.width, bin, out, buffer);
                    top = P::highest(block, top);
                }
                top.value()
            })
            .collect();
        let plane = Plane {
            data,
            width,
            height,
            bin,
        };
        (plane, image.saturation(&tops, rows))
    }

    /// The plane binned once more, by `factor`.
    pub fn rebinned(&self, factor: usize) -> Plane {
        let mut plane = Plane::binned(&self.image(), factor).0;
        plane.bin *= self.bin;
        plane
    }

    /// Its blocks as pixels.
    pub fn image(&self) -> Image<'_, f32> {
        Image::new(&self.data, self.width, self.height)
    }

    /// The plane as blocks of one.
    pub fn blocks(&self) -> Blocks<'_, f32> {
        Blocks {
            bin: self.bin,
            ..Blocks::of(&self.image(), 1)
        }
    }
}

/// Means over aligned blocks as in a [`Plane`], computed row by row where they are needed: writing
/// them to fresh memory and reading them again takes longer.
pub(crate) struct Blocks<'a, P> {
    image: Image<'a, P>,
    /// Pixels of `image` per block side.
    block: usize,
    /// Blocks along x.
    pub width: usize,
    /// Blocks along y.
    pub height: usize,
    /// Frame pixels per block side.
    pub bin: usize,
}

impl<'a, P: Pixel> Blocks<'a, P> {
    /// Of the frame.
    pub fn of(image: &Image<'a, P>, bin: usize) -> Blocks<'a, P> {
        Blocks {
            image: *image,
            block: bin,
            width: image.width / bin,
            height: image.height / bin,
            bin,
        }
    }

    /// Row `y` into `out`.
    pub fn row(&self, y: usize, out: &mut [f32], buffer: &mut Vec<f32>) {
        let (width, bin) = (self.image.width, self.block);
        let rows = &self.image.data[y * bin * width..(y + 1) * bin * width];
        bin_rows(rows, width, bin, out, buffer);
    }

    /// Highest value among the pixels of the block nearest to (x, y), and those around it.
    pub fn highest_near(&self, x: f32, y: f32) -> f32 {
        let b = self.block as isize;
        let (x, y) = (x.round() as isize * b, y.round() as isize * b);
        (y - 1..=y + b)
            .flat_map(|y| (x - 1..=x + b).map(move |x| (x, y)))
            .map(|(x, y)| self.image.at(x, y))
            .fold(f32::NEG_INFINITY, f32::max)
    }

    /// Frame position of a block position: the centre of block 0 of size 2 is 0.5.
    pub fn to_frame(&self, v: f64) -> f64 {
        (v + 0.5) * self.bin as f64 - 0.5
    }
}

/// Means of the `bin` x `bin` blocks in `bin` rows of `width`.
fn bin_rows<P: Pixel>(
    rows: &[P],
    width: usize,
    bin: usize,
    out: &mut [f32],
    buffer: &mut Vec<f32>,
) {
    if bin == 1 {
        for (o, p) in out.iter_mut().zip(rows) {
            *o = p.value();
        }
        return;
    }
    if bin % 2 == 1 {
        out.fill(0.0);
        for row in rows.chunks(width) {
            for (o, p) in out.iter_mut().zip(row.chunks_exact(bin)) {
                *o += p.iter().map(|p| p.value()).sum::<f32>();
            }
        }
        let scale = 1.0 / (bin * bin) as f32;
        out.iter_mut().for_each(|v| *v *= scale);
        return;
    }
    let pairs = |pair: &[P], out: &mut [f32]| {
        let (a, b) = pair.split_at(width.min(pair.len()));
        let (a, b) = (a.as_chunks::<2>().0, b.as_chunks::<2>().0);
        for (o, (a, b)) in out.iter_mut().zip(a.iter().zip(b)) {
            *o = 0.25 * (a[0].value() + a[1].value() + b[0].value() + b[1].value());
        }
    };
    if bin == 2 {
        return pairs(rows, out);
    }
    // By two, and again: the rows in between stay in cache.
    let half = width / 2;
    let mut between = std::mem::take(buffer);
    between.resize(half * bin / 2, 0.0);
    for (pair, out) in rows.chunks(2 * width).zip(between.chunks_exact_mut(half)) {
        pairs(pair, out);
    }
    bin_rows(&between, half, bin / 2, out, buffer);
    *buffer = between;
}
