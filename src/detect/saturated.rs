//! Saturated cores: one star however large the clipped area, centred also where charge blooms.

use super::plane::{Image, Pixel};
use super::psf::Psf;

/// Half side of the area searched, pixels: blooming runs far.
const REACH: isize = 320;
/// Most saturated pixels of a star.
const MOST_PIXELS: usize = 30_000;

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
    /// Somewhere it is clearly wider than where it is long and thin.
    pub has_core: bool,
    /// It runs out of the searched area: no star.
    pub overflowed: bool,
}

/// Buffers.
#[derive(Default)]
pub(super) struct Scratch {
    seen: Vec<bool>,
    stack: Vec<(isize, isize)>,
    rows: Vec<(f64, f64)>,
}

impl Blob {
    /// A round core, with or without blooming: no lone pixel, no bar, no letter of a caption,
    /// no overexposed area.
    pub fn is_star(&self, psf: &Psf) -> bool {
        let outline = if self.blooms() {
            self.has_core
        } else {
            // A disc fills 0.785 of its box, an ellipse of 2 : 1 on the diagonal 0.63, letters less.
            let least_fill = if psf.elongation > 1.4 { 0.4 } else { 0.66 };
            self.area < 9 || self.area as f64 >= least_fill * self.width * self.height
        };
        !self.overflowed && outline && (self.area >= 2 || psf.sigma_px < 1.0)
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
    s.rows.resize(2 * side, (0.0, 0.0));
    s.stack.clear();
    s.stack.push(start);
    let (mut area, mut overflowed) = (0, false);
    while let Some((x, y)) = s.stack.pop() {
        let (i, j) = (x - start.0 + REACH, y - start.1 + REACH);
        if area > MOST_PIXELS || i < 0 || j < 0 || i as usize >= side || j as usize >= side {
            overflowed = true;
            break;
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
    let extent = |lines: &[(f64, f64)]| lines.iter().filter(|l| l.0 > 0.0).count() as f64;
    let (height, width) = (extent(rows), extent(columns));
    // The core is cut by lines across the direction of blooming: its longest cuts are in the
    // middle, and the bloomed tails are short cuts.
    let (x, y, has_core) = if height >= width {
        let core = Core::of(rows);
        (
            core.along,
            core.across + (start.1 - REACH) as f64,
            core.stands_out,
        )
    } else {
        let core = Core::of(columns);
        (
            core.across + (start.0 - REACH) as f64,
            core.along,
            core.stands_out,
        )
    };
    Blob {
        x,
        y,
        area,
        width,
        height,
        has_core,
        overflowed,
    }
}

/// The widest part of an area.
struct Core {
    along: f64,
    across: f64,
    stands_out: bool,
}

impl Core {
    /// From its cuts, (length, sum of positions along): those longer than half way between the
    /// typical and the longest.
    fn of(cuts: &[(f64, f64)]) -> Core {
        let mut lengths: Vec<f64> = cuts.iter().map(|c| c.0).filter(|l| *l > 0.0).collect();
        lengths.sort_unstable_by(f64::total_cmp);
        let longest = lengths.last().copied().unwrap_or(1.0);
        let typical = lengths.get(lengths.len() / 2).copied().unwrap_or(1.0);
        let least = (0.5 * (typical + longest)).max(0.6 * longest);
        let (mut n, mut along, mut across, mut count) = (0.0, 0.0, 0.0, 0.0);
        for (k, cut) in cuts.iter().enumerate() {
            if cut.0 >= least {
                n += cut.0;
                along += cut.1;
                across += cut.0 * k as f64;
                count += 1.0;
            }
        }
        // About as many cuts as they are long: round. A frame drawn into the picture is not.
        let round = count >= 0.4 * longest && count <= 2.5 * longest;
        Core {
            along: along / n,
            across: across / n,
            stands_out: round && longest >= 1.15 * typical + 0.8,
        }
    }
}
