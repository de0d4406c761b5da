//! Saturated cores: one star however large the clipped area, centred also where charge blooms.

use crate::detect::pixels::{Image, Pixel, View};
use crate::robust::quantile;

/// Half side of the area searched, pixels: blooming runs far.
const REACH: isize = 320;
/// Side of the area searched.
const SIDE: usize = (2 * REACH + 1) as usize;
/// Most saturated pixels of a star: a disc of 195 pixels across.
const MOST_PIXELS: usize = 30_000;

/// A connected area of saturated pixels.
#[derive(Debug, Clone, Copy)]
pub(in crate::detect) struct Blob {
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
    /// Mean of the pixels right beside the core, frame units; NaN where there are none.
    pub beside: f32,
    /// It runs out of the searched area: no star.
    pub overflowed: bool,
}

/// Buffers.
#[derive(Default)]
pub(super) struct Scratch {
    seen: Vec<bool>,
    touched: Vec<usize>,
    stack: Vec<(isize, isize)>,
    cuts: Vec<Cut>,
}

/// What a line across the area meets.
#[derive(Clone, Copy, Default)]
struct Cut {
    /// Pixels of the area, and the sum of their positions along the line.
    length: f64,
    along: f64,
    /// Pixels right outside, and the sum of their values.
    outside: f64,
    light: f64,
}

impl Blob {
    /// Large enough for its outline to mean something, and as wide as high: few letters are.
    pub fn is_round(&self) -> bool {
        // A disc of four pixels across; one more pixel on one side of it.
        const LEAST_PIXELS: usize = 12;
        const MOST_OBLONG: f64 = 1.25;
        let (long, short) = (self.width.max(self.height), self.width.min(self.height));
        self.area >= LEAST_PIXELS && long <= MOST_OBLONG * short
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
    view: &View<'_, P>,
    saturation: f32,
    (x, y): (f64, f64),
    reach: f64,
    scratch: &mut Scratch,
) -> Option<Blob> {
    let (cx, cy) = (x.round() as isize, y.round() as isize);
    let r = reach.ceil() as isize;
    let start = (cy - r..=cy + r)
        .flat_map(|y| (cx - r..=cx + r).map(move |x| (x, y)))
        .filter(|(x, y)| view.image.at(*x, *y) >= saturation)
        .min_by_key(|(x, y)| ((x - cx).pow(2) + (y - cy).pow(2), *y, *x))?;
    let step = if view.mosaic { 2 } else { 1 };
    Some(flood(view.image, saturation, start, step, scratch))
}

/// Collects the area around `start`.
fn flood<P: Pixel>(
    image: &Image<'_, P>,
    saturation: f32,
    start: (isize, isize),
    step: isize,
    s: &mut Scratch,
) -> Blob {
    s.seen.resize(SIDE * SIDE, false);
    s.cuts.clear();
    s.cuts.resize(2 * SIDE, Cut::default());
    s.stack.clear();
    // Only what the last area has touched: the square is large, most areas are small.
    for k in s.touched.drain(..) {
        s.seen[k] = false;
    }
    s.stack.push(start);
    let (mut area, mut overflowed) = (0, false);
    while let Some((x, y)) = s.stack.pop() {
        let (i, j) = (x - start.0 + REACH, y - start.1 + REACH);
        let span = 0..SIDE as isize;
        if area > MOST_PIXELS || !span.contains(&i) || !span.contains(&j) {
            overflowed = true;
            break;
        }
        let (i, j) = (i as usize, j as usize);
        if std::mem::replace(&mut s.seen[j * SIDE + i], true) {
            continue;
        }
        s.touched.push(j * SIDE + i);
        let value = image.at(x, y);
        let inside = value >= saturation;
        for (line, along) in [(j, x), (SIDE + i, y)] {
            let cut = &mut s.cuts[line];
            if inside {
                cut.length += 1.0;
                cut.along += along as f64;
            } else if value.is_finite() {
                cut.outside += 1.0;
                cut.light += f64::from(value);
            }
        }
        if !inside {
            continue;
        }
        area += 1;
        // In a mosaic the colours saturate at different light: the next pixel of the same
        // colour is two away.
        s.stack
            .extend((1..=step).flat_map(|k| [(x + k, y), (x - k, y), (x, y + k), (x, y - k)]));
        let diagonals = [(1, 1), (-1, 1), (1, -1), (-1, -1)];
        s.stack.extend(diagonals.map(|(i, j)| (x + i, y + j)));
    }
    s.blob(start, (area, overflowed))
}

impl Scratch {
    /// What the cuts through the area around `start` say of it.
    fn blob(&self, start: (isize, isize), (area, overflowed): (usize, bool)) -> Blob {
        let (rows, columns) = self.cuts.split_at(SIDE);
        let extent = |cuts: &[Cut]| cuts.iter().filter(|c| c.length > 0.0).count() as f64;
        let (height, width) = (extent(rows), extent(columns));
        // The core is cut by lines across the direction of blooming: its longest cuts are in the
        // middle, and the bloomed tails are short cuts.
        let (core, x, y);
        if height >= width {
            core = Core::of(rows);
            (x, y) = (core.along, core.across + (start.1 - REACH) as f64);
        } else {
            core = Core::of(columns);
            (x, y) = (core.across + (start.0 - REACH) as f64, core.along);
        }
        Blob {
            x,
            y,
            area,
            width,
            height,
            beside: core.beside,
            overflowed,
        }
    }
}

/// The widest part of an area.
struct Core {
    along: f64,
    across: f64,
    beside: f32,
}

impl Core {
    /// From its cuts: those longer than half way between the typical and the longest.
    fn of(cuts: &[Cut]) -> Core {
        let lengths = cuts.iter().map(|c| c.length).filter(|l| *l > 0.0);
        let longest = lengths.clone().fold(0.0, f64::max);
        let typical = quantile(lengths, (1, 2)).unwrap_or(longest);
        let least = (0.5 * (typical + longest)).max(0.6 * longest);
        let (mut sum, mut across) = (Cut::default(), 0.0);
        for (k, cut) in cuts.iter().enumerate().filter(|(_, c)| c.length >= least) {
            sum.length += cut.length;
            sum.along += cut.along;
            sum.outside += cut.outside;
            sum.light += cut.light;
            across += cut.length * k as f64;
        }
        Core {
            along: sum.along / sum.length,
            across: across / sum.length,
            beside: (sum.light / sum.outside) as f32,
        }
    }
}
