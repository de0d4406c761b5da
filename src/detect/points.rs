//! Takes out of a frame what is one pixel wide: hot pixels, and the tracks of particles.

use super::pixels::{Image, Pixel};
use rayon::prelude::*;

/// The pixels of `image`, none higher than the third highest of its eight neighbours. A pixel of a line
/// has two as high; the peak of a star, wherever in its pixel it lies, has three that are half as high
/// and more from a width (FWHM) of two pixels on. At the edge a pixel has fewer neighbours.
pub(super) fn without_points<P: Pixel>(image: &Image<'_, P>) -> Vec<P> {
    let (width, height) = (image.width, image.height);
    let mut pixels = image.data.to_vec();
    let rows = pixels.par_chunks_mut(width.max(1)).enumerate();
    rows.for_each(|(y, row)| {
        let lines = y.saturating_sub(1)..(y + 2).min(height);
        for (x, pixel) in row.iter_mut().enumerate() {
            let columns = x.saturating_sub(1)..(x + 2).min(width);
            let mut highest = [f32::NEG_INFINITY; 3];
            for j in lines.clone() {
                for i in columns.clone().filter(|i| (*i, j) != (x, y)) {
                    put(&mut highest, image.data[j * width + i].value());
                }
            }
            let third = highest[2];
            if third.is_finite() && pixel.value() > third {
                *pixel = P::of(third);
            }
        }
    });
    pixels
}

/// Keeps the highest values, highest first; blank pixels do not count.
fn put(highest: &mut [f32; 3], mut value: f32) {
    for held in highest {
        if value > *held {
            std::mem::swap(held, &mut value);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIDE: usize = 21;

    fn without(data: &[f32]) -> Vec<f32> {
        without_points(&Image::new(data, SIDE, SIDE))
    }

    /// A single pixel, straight lines in three directions, and one that ends at the edge.
    #[test]
    fn what_is_a_pixel_wide_goes() {
        let mut data = vec![10.0; SIDE * SIDE];
        data[3 * SIDE + 3] = 500.0;
        for k in 0..6 {
            data[(6 + k) * SIDE + 8 + k] = 200.0;
            data[(14 + k) * SIDE + 3] = 300.0;
            data[18 * SIDE + 15 + k] = 400.0;
        }
        assert!(without(&data).iter().all(|v| *v == 10.0));
    }

    #[test]
    fn a_star_keeps_half_of_its_height_and_its_place() {
        for (x, y) in [(10.0, 10.0), (10.5, 10.0), (10.5, 10.5), (10.3, 9.8)] {
            let star = |k: usize| {
                let (dx, dy) = ((k % SIDE) as f64 - x, (k / SIDE) as f64 - y);
                // 2.4 px wide at half of its height.
                1000.0 * (-(dx * dx + dy * dy) / 2.08).exp() as f32
            };
            let data: Vec<f32> = (0..SIDE * SIDE).map(star).collect();
            let left = without(&data);
            let highest = |of: &[f32]| of.iter().copied().fold(0.0, f32::max);
            assert!(highest(&left) > 0.5 * highest(&data));
            let sum: f32 = left.iter().sum();
            let across = |k: usize| (k % SIDE) as f32;
            let middle: f32 = left.iter().zip(0..).map(|(v, k)| v * across(k)).sum();
            assert!(
                (f64::from(middle / sum) - x).abs() < 0.1,
                "{x}: {}",
                middle / sum
            );
        }
    }

    #[test]
    fn blank_pixels_do_not_count() {
        let mut data = vec![10.0; SIDE * SIDE];
        data[100] = f32::NAN;
        data[101] = 60.0;
        let left = without(&data);
        assert!(left[100].is_nan() && left[101] == 10.0);
    }
}
