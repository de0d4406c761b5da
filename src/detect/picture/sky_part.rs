//! Where in a picture the sky is: a screenshot has windows around it, with numbers that look more
//! like stars than most stars.

use super::panels::left_by_panels;
use crate::detect::pixels::{Image, Pixel};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::ops::Range;

/// A row or column is drawn, not photographed, where this share of its pixels are exactly like
/// their neighbours; numbers in a window leave half of it alone.
const ALIKE: f64 = 0.5;
/// Gaps in the picture of so many rows or columns are none.
const GAP: usize = 4;
/// Shorter stretches are rows of letters ...
const LEAST: usize = 48;
/// ... or belong to what is around the longest one, whose share they do not reach.
const SHARE_OF_LONGEST: f64 = 0.25;
/// A picture takes this share of either side of the screen; else it is one without noise.
const LEAST_SIDE: f64 = 0.2;
/// What is around it is a window where this share of it has a single shade: a sky smoothed by
/// whoever made the picture has several.
const ONE_SHADE: f64 = 0.75;
/// The picture's edge looks like a row of stars: so many pixels belong to what is around.
const EDGE_PX: usize = 4;

/// The part of a picture that shows the sky.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::detect) struct SkyPart {
    columns: Range<usize>,
    rows: Range<usize>,
}

impl SkyPart {
    /// The whole frame.
    pub fn whole<P>(image: &Image<'_, P>) -> SkyPart {
        SkyPart {
            columns: 0..image.width,
            rows: 0..image.height,
        }
    }

    /// The sky in a picture that may be one of a screen; the whole picture where it is not.
    pub fn of<P: Pixel>(image: &Image<'_, P>) -> SkyPart {
        let whole = SkyPart::whole(image);
        let large = |left: &Range<usize>, all: usize| left.len() as f64 >= LEAST_SIDE * all as f64;
        if !off("panels")
            && let Some((columns, rows)) = left_by_panels(image)
            && large(&columns, image.width)
            && large(&rows, image.height)
        {
            return SkyPart { columns, rows }.without_edges(image);
        }
        if off("windows") {
            return whole;
        }
        let mut part = whole.clone();
        // Without the windows on two sides those on the other two are easier to tell.
        for _ in 0..2 {
            let Some(columns) = stretch(&part.columns, |x| alike(image, &part.rows, x, true))
            else {
                return whole;
            };
            part.columns = columns;
            let Some(rows) = stretch(&part.rows, |y| alike(image, &part.columns, y, false)) else {
                return whole;
            };
            part.rows = rows;
        }
        if part == whole || one_shade(image, &part) < ONE_SHADE {
            return whole;
        }
        part.without_edges(image)
    }

    /// The same without the pixels beside what is around it.
    fn without_edges<P>(self, image: &Image<'_, P>) -> SkyPart {
        let inside = |range: &Range<usize>, size: usize| {
            let from = if range.start > 0 { EDGE_PX } else { 0 };
            let to = if range.end < size { EDGE_PX } else { 0 };
            range.start + from..range.end.saturating_sub(to)
        };
        SkyPart {
            columns: inside(&self.columns, image.width),
            rows: inside(&self.rows, image.height),
        }
    }

    /// Columns and rows to the left of it and before it.
    pub fn offset(&self) -> (usize, usize) {
        (self.columns.start, self.rows.start)
    }

    /// Pixels along x and y.
    pub fn size(&self) -> (usize, usize) {
        (self.columns.len(), self.rows.len())
    }

    /// Its pixels.
    pub fn cut<P: Pixel>(&self, image: &Image<'_, P>) -> Vec<P> {
        let row = |y: usize| {
            let start = y * image.width;
            image
                .data
                .get(start + self.columns.start..start + self.columns.end)
                .unwrap_or_default()
        };
        self.rows.clone().flat_map(row).copied().collect()
    }
}

#[cfg(feature = "rule-switches")]
fn off(name: &str) -> bool {
    crate::detect::switches::is_off(name)
}
#[cfg(not(feature = "rule-switches"))]
fn off(_: &str) -> bool {
    false
}

/// Share of the pixels of a column (or row) that are exactly like the next one in it.
fn alike<P: Pixel>(image: &Image<'_, P>, along: &Range<usize>, at: usize, column: bool) -> f64 {
    let value = |k: usize| {
        let place = if column {
            k * image.width + at
        } else {
            at * image.width + k
        };
        image.data.get(place).map(|p| p.value())
    };
    let pairs = along.clone().skip(1).step_by(2);
    let count = pairs.len().max(1);
    let equal = pairs.filter(|&k| value(k) == value(k - 1)).count();
    equal as f64 / count as f64
}

/// From the first to the last long stretch of rows or columns in `range` that are photographed;
/// `None` where they are too few.
fn stretch(range: &Range<usize>, alike: impl Fn(usize) -> f64 + Sync) -> Option<Range<usize>> {
    let drawn: Vec<bool> = (range.start..range.end)
        .into_par_iter()
        .map(|at| alike(at) >= ALIKE)
        .collect();
    let mut runs: Vec<Range<usize>> = Vec::new();
    for (k, _) in drawn.iter().enumerate().filter(|(_, drawn)| !**drawn) {
        match runs.last_mut() {
            Some(run) if k <= run.end + GAP => run.end = k + 1,
            _ => runs.push(k..k + 1),
        }
    }
    let longest = runs.iter().map(Range::len).max()?;
    if (longest as f64) < LEAST_SIDE * range.len() as f64 {
        return None;
    }
    let least = LEAST.max((SHARE_OF_LONGEST * longest as f64) as usize);
    runs.retain(|run| run.len() >= least);
    let (first, last) = (runs.first()?, runs.last()?);
    Some(range.start + first.start..range.start + last.end)
}

/// Share of the pixels around `part` that have the commonest value of their side.
fn one_shade<P: Pixel>(image: &Image<'_, P>, part: &SkyPart) -> f64 {
    let SkyPart { columns, rows } = part;
    let sides = [
        (0..image.width, 0..rows.start),
        (0..image.width, rows.end..image.height),
        (0..columns.start, rows.clone()),
        (columns.end..image.width, rows.clone()),
    ];
    let (mut common, mut all) = (0, 0);
    for (xs, ys) in sides {
        let mut shades: BTreeMap<u32, usize> = BTreeMap::new();
        // An odd step meets all columns.
        for y in ys {
            let row = image
                .data
                .get(y * image.width + xs.start..y * image.width + xs.end);
            for pixel in row.unwrap_or_default().iter().step_by(3) {
                *shades.entry(pixel.value().to_bits()).or_default() += 1;
                all += 1;
            }
        }
        common += shades.into_values().max().unwrap_or(0);
    }
    common as f64 / f64::from(all.max(1))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: (usize, usize) = (400, 300);

    fn image(data: &[u8]) -> Image<'_, u8> {
        Image {
            data,
            width: SIZE.0,
            height: SIZE.1,
        }
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
        let part = SkyPart::of(&image(&screen()));
        assert_eq!(
            (part.columns.clone(), part.rows.clone()),
            (94..346, 44..276)
        );
        assert_eq!((part.offset(), part.size()), ((94, 44), (252, 232)));
    }

    #[test]
    fn a_picture_without_windows_is_sky_all_over() {
        for levels in [1, 2, 30] {
            let mut sky = noise(levels);
            let data: Vec<u8> = (0..SIZE.0 * SIZE.1).map(|_| sky()).collect();
            let image = image(&data);
            assert_eq!(SkyPart::of(&image), SkyPart::whole(&image), "{levels}");
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
        let image = image(&data);
        assert_eq!(SkyPart::of(&image), SkyPart::whole(&image));
    }
}
