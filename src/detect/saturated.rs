//! Saturated cores: one star however large the clipped area, centred also where charge blooms.

use super::plane::{Image, Pixel};

/// Half side of the area searched, pixels.
const REACH: isize = 150;

/// A connected area of saturated pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Blob {
    /// Centre of the core without its blooming, frame pixels.
    pub x: f64,
    /// See `x`.
    pub y: f64,
    /// Pixels in it.
    pub area: usize,
    /// Extent along x and y, pixels.
    pub width: f64,
    /// See `width`.
    pub height: f64,
    /// It runs out of the searched area: no star.
    pub overflowed: bool,
}

/// Buffers.
#[derive(Default)]
pub(super) struct Scratch {
    seen: Vec<bool>,
    stack: Vec<(isize, isize)>,
    rows: Vec<(f64, f64, f64)>,
}

impl Blob {
    /// Neither a lone pixel among unsaturated ones nor an overexposed area.
    pub fn is_star(&self, sigma_px: f64) -> bool {
        !self.overflowed && (self.area >= 2 || sigma_px < 1.0)
    }

    /// Radius of the core, blooming left out.
    pub fn core_radius(&self) -> f64 {
        let round = (self.area as f64 / std::f64::consts::PI).sqrt();
        round.min(0.5 * self.width.min(self.height)).max(0.5)
    }

    /// Far longer along one axis than across: charge has run along rows or columns.
    pub fn blooms(&self) -> bool {
        let (long, short) = (self.width.max(self.height), self.width.min(self.height));
        long > 1.5 * short + 2.0
    }

    /// Half extents.
    pub fn half_sides(&self) -> (f64, f64) {
        (0.5 * self.width, 0.5 * self.height)
    }
}

/// The saturated area nearest to (x, y), within `reach`.
pub(super) fn blob_at<P: Pixel>(
    image: &Image<'_, P>,
    saturation: f32,
    (x, y): (f64, f64),
    reach: f64,
    mosaic: bool,
    scratch: &mut Scratch,
) -> Option<Blob> {
    let (cx, cy) = (x.round() as isize, y.round() as isize);
    let r = reach.ceil() as isize;
    let start = (cy - r..=cy + r)
        .flat_map(|y| (cx - r..=cx + r).map(move |x| (x, y)))
        .filter(|(x, y)| image.at(*x, *y) >= saturation)
        .min_by_key(|(x, y)| ((x - cx).pow(2) + (y - cy).pow(2), *y, *x))?;
    let step = if mosaic { 2 } else { 1 };
    Some(flood(image, saturation, start, step, scratch))
}

/// Collects the area around `start`.
fn flood<P: Pixel>(
    image: &Image<'_, P>,
    saturation: f32,
    start: (isize, isize),
    step: isize,
    s: &mut Scratch,
) -> Blob {
    let side = (2 * REACH + 1) as usize;
    s.seen.clear();
    s.seen.resize(side * side, false);
    s.rows.clear();
    s.rows.resize(2 * side, (0.0, 0.0, 0.0));
    s.stack.clear();
    s.stack.push(start);
    let (mut area, mut overflowed) = (0, false);
    while let Some((x, y)) = s.stack.pop() {
        let (i, j) = (x - start.0 + REACH, y - start.1 + REACH);
        if i < 0 || j < 0 || i as usize >= side || j as usize >= side {
            overflowed = true;
            continue;
        }
        let (i, j) = (i as usize, j as usize);
        if s.seen[j * side + i] || !(image.at(x, y) >= saturation) {
            continue;
        }
        s.seen[j * side + i] = true;
        area += 1;
        for (line, along) in [(j, x), (side + i, y)] {
            let line = &mut s.rows[line];
            line.0 += 1.0;
            line.1 += along as f64;
        }
        // In a mosaic the colours saturate at different light: the next pixel of the same
        // colour is two away.
        s.stack
            .extend((1..=step).flat_map(|k| [(x + k, y), (x - k, y), (x, y + k), (x, y - k)]));
        s.stack.extend([
            (x + 1, y + 1),
            (x - 1, y + 1),
            (x + 1, y - 1),
            (x - 1, y - 1),
        ]);
    }
    let (rows, columns) = s.rows.split_at(side);
    let extent = |lines: &[(f64, f64, f64)]| lines.iter().filter(|l| l.0 > 0.0).count() as f64;
    let (height, width) = (extent(rows), extent(columns));
    // The core is cut by lines across the direction of blooming: its longest cuts are in the
    // middle, and the bloomed tails are short cuts.
    let (x, y) = if height >= width {
        let (along, across) = core_centre(rows);
        (along, across + (start.1 - REACH) as f64)
    } else {
        let (along, across) = core_centre(columns);
        (across + (start.0 - REACH) as f64, along)
    };
    Blob {
        x,
        y,
        area,
        width,
        height,
        overflowed,
    }
}

/// Centre along and across lines of (length, sum of positions along): of those at least 0.6
/// times as long as the longest.
fn core_centre(lines: &[(f64, f64, f64)]) -> (f64, f64) {
    let longest = lines.iter().map(|l| l.0).fold(0.0, f64::max);
    let (mut n, mut along, mut across) = (0.0, 0.0, 0.0);
    for (k, line) in lines.iter().enumerate() {
        if line.0 > 0.0 && line.0 >= 0.6 * longest {
            n += line.0;
            along += line.1;
            across += line.0 * k as f64;
        }
    }
    (along / n, across / n)
}
