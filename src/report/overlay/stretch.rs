//! The frame as a dim grey picture: dark sky, faint stars visible, bright ones not burnt out.

use super::canvas::Canvas;
use super::view::View;
use crate::frame::{Frame, Pixels};

/// Black and white points, and where between them the curve bends.
#[derive(Debug, Clone, Copy)]
struct Curve {
    black: f32,
    white: f32,
    softness: f32,
}

/// Brightest grey of the frame: below the marks, so that they stand out.
const BRIGHTEST: f32 = 215.0;

/// Least noise, in levels, that a processed 8-bit picture is taken to have: compression flattens
/// the sky, and stretching what is left would show its blocks.
const PROCESSED_NOISE: f32 = 2.0;

/// Draws `frame` as it is viewed.
pub fn draw(canvas: &mut Canvas, frame: &Frame, mosaic: bool, view: &View) {
    let [width, height] = view.scaled;
    let grey = stretched(frame, mosaic, view.scaled);
    let pixels = (0..height).flat_map(|row| (0..width).map(move |column| (column, row)));
    for ((column, row), grey) in pixels.zip(grey) {
        let [x, y] = view.place_scaled(column, row);
        canvas.set_grey(x, y, grey);
    }
}

/// Grey values of `frame`, row by row in stored order, resized to `size`.
fn stretched(frame: &Frame, mosaic: bool, size: [u32; 2]) -> Vec<u8> {
    let [width, height] = size.map(|side| side as usize);
    let shrink = (frame.width / width.max(1)).max(1);
    // The four colours of a mosaic cell differ: only their mean is a picture.
    let step = if mosaic { shrink.max(2) } else { shrink };
    let blocks = Blocks::new(frame, step);
    let floor = if frame.nonlinear {
        PROCESSED_NOISE
    } else {
        0.0
    };
    let curve = Curve::new(&blocks.values, floor);
    let mut grey = Vec::with_capacity(width * height);
    for row in 0..height {
        let y = blocks.position(row, height, frame.height);
        for column in 0..width {
            let x = blocks.position(column, width, frame.width);
            grey.push(curve.grey(blocks.at(x, y)));
        }
    }
    grey
}

/// Means over square blocks of pixels.
struct Blocks {
    step: usize,
    width: usize,
    height: usize,
    values: Vec<f32>,
}

impl Blocks {
    fn new(frame: &Frame, step: usize) -> Blocks {
        let (width, height) = (frame.width.div_ceil(step), frame.height.div_ceil(step));
        let mut sums = vec![0.0f32; width * height];
        let mut counts = vec![0u32; width * height];
        for y in 0..frame.height {
            for x in 0..frame.width {
                let value = pixel(&frame.pixels, y * frame.width + x);
                let block = (y / step) * width + x / step;
                if let (true, Some(sum), Some(count)) = (
                    value.is_finite(),
                    sums.get_mut(block),
                    counts.get_mut(block),
                ) {
                    *sum += value;
                    *count += 1;
                }
            }
        }
        let values = sums
            .iter()
            .zip(&counts)
            .map(|(sum, &count)| {
                if count > 0 {
                    sum / count as f32
                } else {
                    f32::NAN
                }
            })
            .collect();
        Blocks {
            step,
            width,
            height,
            values,
        }
    }

    /// Block coordinate of picture pixel `index` of `count`, over `stored` pixels.
    fn position(&self, index: usize, count: usize, stored: usize) -> f32 {
        let edge = (index as f32 + 0.5) * stored as f32 / count as f32;
        edge / self.step as f32 - 0.5
    }

    /// Bilinear value at a block coordinate.
    fn at(&self, x: f32, y: f32) -> f32 {
        let (x, y) = (x.max(0.0), y.max(0.0));
        let (column, row) = (x as usize, y as usize);
        let (dx, dy) = (x - column as f32, y - row as f32);
        let upper = self.value(column, row) * (1.0 - dx) + self.value(column + 1, row) * dx;
        let lower = self.value(column, row + 1) * (1.0 - dx) + self.value(column + 1, row + 1) * dx;
        upper * (1.0 - dy) + lower * dy
    }

    fn value(&self, column: usize, row: usize) -> f32 {
        let column = column.min(self.width.saturating_sub(1));
        let row = row.min(self.height.saturating_sub(1));
        let index = row * self.width + column;
        self.values.get(index).copied().unwrap_or(f32::NAN)
    }
}

fn pixel(pixels: &Pixels, index: usize) -> f32 {
    match pixels {
        Pixels::U8(values) => values.get(index).map_or(f32::NAN, |&v| v.into()),
        Pixels::U16(values) => values.get(index).map_or(f32::NAN, |&v| v.into()),
        Pixels::F32(values) => values.get(index).copied().unwrap_or(f32::NAN),
    }
}

impl Curve {
    /// From the sky level and its scatter (median and quartile, so that stars do not count) and
    /// the brightest thousandth.
    fn new(values: &[f32], least_sigma: f32) -> Curve {
        /// Enough for percentiles good to a fraction of a percent.
        const SAMPLE: usize = 200_000;
        let step = values.len().div_ceil(SAMPLE).max(1);
        let mut sample: Vec<f32> = values
            .iter()
            .copied()
            .step_by(step)
            .filter(|v| v.is_finite())
            .collect();
        sample.sort_by(f32::total_cmp);
        let at = |share: f32| {
            let index = (share * sample.len().saturating_sub(1) as f32) as usize;
            sample.get(index).copied().unwrap_or(0.0)
        };
        let median = at(0.5);
        // Lower quartile to sigma of a normal distribution: 1 / 0.6745.
        let sigma = ((median - at(0.25)) / 0.6745).max(f32::EPSILON * median.abs().max(1.0));
        let sigma = sigma.max(least_sigma);
        let black = median - 1.7 * sigma;
        Curve {
            black,
            white: at(0.999).max(black + 15.0 * sigma),
            softness: 6.0 * sigma,
        }
    }

    fn grey(&self, value: f32) -> u8 {
        let bend = |v: f32| (v / self.softness).asinh();
        let share = bend(value - self.black) / bend(self.white - self.black);
        // A cast of NaN gives 0: blank pixels are black.
        (share.clamp(0.0, 1.0) * BRIGHTEST) as u8
    }
}
