//! Where in a picture the sky is: a screenshot has panels around it, with numbers that look more
//! like stars than most stars.

use super::panels::left_by_panels;
use crate::detect::pixels::{Image, Pixel};
use std::ops::Range;

/// A picture takes this share of either side of the screen; else it is one without noise.
const LEAST_SIDE: f64 = 0.2;
/// The picture's edge looks like a row of stars: this many pixels belong to what is around.
const EDGE_PX: usize = 4;

/// The part of a picture that shows the sky.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::detect) struct SkyPart {
    columns: Range<usize>,
    rows: Range<usize>,
}

impl SkyPart {
    /// The sky in a picture that may be one of a screen; `None` where it is not.
    pub fn of<P: Pixel>(image: &Image<'_, P>) -> Option<SkyPart> {
        let inside = |range: Range<usize>, size: usize| {
            let from = if range.start > 0 { EDGE_PX } else { 0 };
            let to = if range.end < size { EDGE_PX } else { 0 };
            let large = range.len() as f64 >= (LEAST_SIDE * size as f64).max(2.0 * EDGE_PX as f64);
            large.then(|| range.start + from..range.end.saturating_sub(to))
        };
        let (columns, rows) = left_by_panels(image)?;
        Some(SkyPart {
            columns: inside(columns, image.width)?,
            rows: inside(rows, image.height)?,
        })
    }

    /// Columns and rows to the left of it and before it.
    pub fn offset(&self) -> [f64; 2] {
        [self.columns.start, self.rows.start].map(|v| v as f64)
    }

    /// Pixels along x and y.
    pub fn size(&self) -> [usize; 2] {
        [self.columns.len(), self.rows.len()]
    }

    /// Its pixels.
    pub fn cut<P: Pixel>(&self, image: &Image<'_, P>) -> Vec<P> {
        let row = |y: usize| &image.data[y * image.width..][self.columns.clone()];
        self.rows.clone().flat_map(row).copied().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: (usize, usize) = (400, 300);

    fn image(data: &[u8]) -> Image<'_, u8> {
        Image::new(data, SIZE.0, SIZE.1)
    }

    /// Noise without a library: the high bits of a multiplicative sequence.
    fn noise(levels: u32) -> impl FnMut() -> u8 {
        let mut state = 12_345_u32;
        move || {
            state = state.wrapping_mul(747_796_405).wrapping_add(2_891_336_453);
            (60 + (state >> 16) % levels) as u8
        }
    }

    /// A picture in windows with letters on them.
    fn screen() -> Vec<u8> {
        let mut sky = noise(30);
        let inside = |x: usize, y: usize| (90..350).contains(&x) && (40..280).contains(&y);
        let letter =
            |x: usize, y: usize| (20..50).contains(&x) && y % 30 < 9 && (x * 7 + y * 3) % 5 < 2;
        (0..SIZE.0 * SIZE.1)
            .map(|k| (k % SIZE.0, k / SIZE.0))
            .map(|(x, y)| match (inside(x, y), letter(x, y)) {
                (true, _) => sky(),
                (_, true) => 220,
                _ => 45,
            })
            .collect()
    }

    #[test]
    fn the_sky_is_found_among_windows() {
        let part = SkyPart::of(&image(&screen())).expect("a part of it");
        assert_eq!((part.offset(), part.size()), ([94.0, 44.0], [252, 232]));
    }

    #[test]
    fn a_picture_without_windows_is_sky_all_over() {
        for levels in [1, 2, 30] {
            let mut sky = noise(levels);
            let data: Vec<u8> = (0..SIZE.0 * SIZE.1).map(|_| sky()).collect();
            assert_eq!(SkyPart::of(&image(&data)), None, "{levels}");
        }
    }

    /// A smoothed sky with a nebula whose noise is left.
    #[test]
    fn a_smooth_sky_around_a_nebula_is_sky() {
        let (mut fine, mut coarse) = (noise(3), noise(30));
        let data: Vec<u8> = (0..SIZE.0 * SIZE.1)
            .map(|k| (k % SIZE.0, k / SIZE.0))
            .map(|(x, y)| {
                let nebula = (150..300).contains(&x) && (100..220).contains(&y);
                let slope = (x / 40) as u8;
                // Blocks as a lossy picture has them.
                if nebula {
                    coarse()
                } else if x % 8 == 0 {
                    fine()
                } else {
                    60 + slope
                }
            })
            .collect();
        assert_eq!(SkyPart::of(&image(&data)), None);
    }
}
