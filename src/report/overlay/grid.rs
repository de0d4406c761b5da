//! Which lines of right ascension and declination cross the frame, and where they run.
//!
//! Works for any field: a pole inside, right ascension 0 inside, a second of arc or half the sky.

use super::project::Projector;
use crate::sphere::sky_to_vector;

/// Tenths of an arcsecond in a degree; grid values are whole multiples of it, so that labels are
/// exact.
const TENTHS_PER_DEG: i64 = 36_000;
/// Tenths of a second of time in an hour.
const TENTHS_PER_HOUR: i64 = 36_000;
/// Tenths of a second of time in a degree.
const RA_TENTHS_PER_DEG: f64 = 2_400.0;

/// Steps between parallels, tenths of an arcsecond: 0.1 arcsec to 30 deg.
const DEC_STEPS: [i64; 26] = [
    1, 2, 5, 10, 20, 50, 100, 150, 200, 300, 600, 1_200, 3_000, 6_000, 9_000, 12_000, 18_000,
    36_000, 72_000, 108_000, 180_000, 216_000, 360_000, 540_000, 720_000, 1_080_000,
];

/// Steps between meridians, tenths of a second of time: 0.1 s to 3 h.
const RA_STEPS: [i64; 24] = [
    1, 2, 5, 10, 20, 50, 100, 150, 200, 300, 600, 1_200, 1_800, 3_000, 6_000, 9_000, 12_000,
    18_000, 24_000, 36_000, 54_000, 72_000, 90_000, 108_000,
];

/// Points that make one line of the grid.
const POINTS: i32 = 240;

/// A line of constant right ascension or declination.
#[derive(Debug, Clone)]
pub struct GridLine {
    /// Constant right ascension.
    pub meridian: bool,
    /// Its value as people write it.
    pub label: String,
    /// Connected pieces, places in the picture.
    pub pieces: Vec<Vec<[f32; 2]>>,
}

/// Part of the sky that the frame covers.
struct Extent {
    centre_ra_deg: f64,
    /// Largest distances in right ascension from the centre, west and east.
    ra_offsets_deg: [f64; 2],
    dec_deg: [f64; 2],
    pole: bool,
}

/// The grid of a frame of `stored` pixels whose longer side is `field_deg`.
pub fn grid(projector: &Projector, stored: [usize; 2], field_deg: f64) -> Vec<GridLine> {
    /// Lines over the longer side, roughly.
    const LINES: f64 = 5.0;
    let extent = Extent::new(projector, stored);
    let wanted_deg = field_deg / LINES;
    let dec_step = step(&DEC_STEPS, wanted_deg * TENTHS_PER_DEG as f64);
    let ra_step = if extent.pole {
        2 * TENTHS_PER_HOUR
    } else {
        let middle_deg = (extent.dec_deg[0] + extent.dec_deg[1]) / 2.0;
        let shrink = middle_deg.to_radians().cos().max(0.01);
        step(&RA_STEPS, wanted_deg / shrink * RA_TENTHS_PER_DEG)
    };
    let mut lines = parallels(projector, &extent, dec_step);
    lines.extend(meridians(projector, &extent, ra_step, dec_step));
    lines.retain(|line| !line.pieces.is_empty());
    lines
}

/// The first step that is not smaller than wanted, else the largest.
fn step<const N: usize>(steps: &[i64; N], wanted: f64) -> i64 {
    let fits = steps.iter().copied().find(|&s| s as f64 >= wanted);
    fits.unwrap_or(steps[N - 1])
}

impl Extent {
    fn new(projector: &Projector, [width, height]: [usize; 2]) -> Extent {
        const CELLS: i32 = 24;
        let (width, height) = (width as f64, height as f64);
        let centre = projector.sky((width + 1.0) / 2.0, (height + 1.0) / 2.0);
        let (mut offsets, mut dec) = ([0.0f64; 2], [centre[1]; 2]);
        for row in 0..=CELLS {
            for column in 0..=CELLS {
                let x = 0.5 + width * f64::from(column) / f64::from(CELLS);
                let y = 0.5 + height * f64::from(row) / f64::from(CELLS);
                let [ra, d] = projector.sky(x, y);
                let offset = (ra - centre[0] + 180.0).rem_euclid(360.0) - 180.0;
                offsets = [offsets[0].min(offset), offsets[1].max(offset)];
                dec = [dec[0].min(d), dec[1].max(d)];
            }
        }
        let poles = [-90.0, 90.0].map(|pole_deg| {
            let place = projector.place(sky_to_vector(0.0, pole_deg));
            place.is_some_and(|p| projector.view().holds(p))
        });
        if poles[0] {
            dec[0] = -90.0;
        }
        if poles[1] {
            dec[1] = 90.0;
        }
        let pole = poles[0] || poles[1];
        if pole {
            offsets = [-180.0, 180.0];
        }
        // Lines should reach the border although the samples stop short of the outermost value.
        let (ra_margin, dec_margin) = (0.03 * (offsets[1] - offsets[0]), 0.03 * (dec[1] - dec[0]));
        Extent {
            centre_ra_deg: centre[0],
            ra_offsets_deg: [
                (offsets[0] - ra_margin).max(-180.0),
                (offsets[1] + ra_margin).min(180.0),
            ],
            dec_deg: [
                (dec[0] - dec_margin).max(-90.0),
                (dec[1] + dec_margin).min(90.0),
            ],
            pole,
        }
    }
}

fn parallels(projector: &Projector, extent: &Extent, step: i64) -> Vec<GridLine> {
    let [west, east] = extent.ra_offsets_deg;
    multiples(extent.dec_deg, TENTHS_PER_DEG as f64, step)
        .filter(|tenths| tenths.abs() < 90 * TENTHS_PER_DEG)
        .map(|tenths| {
            let dec_deg = tenths as f64 / TENTHS_PER_DEG as f64;
            let points = (0..=POINTS).map(|i| {
                let share = f64::from(i) / f64::from(POINTS);
                let ra_deg = extent.centre_ra_deg + west + share * (east - west);
                projector.place(sky_to_vector(ra_deg, dec_deg))
            });
            GridLine {
                meridian: false,
                label: dec_label(tenths, step),
                pieces: visible_pieces(projector, points),
            }
        })
        .collect()
}

fn meridians(projector: &Projector, extent: &Extent, step: i64, dec_step: i64) -> Vec<GridLine> {
    let [west, east] = extent
        .ra_offsets_deg
        .map(|offset| offset + extent.centre_ra_deg);
    // A full circle must not draw its first line twice.
    let last = if east - west >= 360.0 {
        east - 1e-6
    } else {
        east
    };
    multiples([west, last], RA_TENTHS_PER_DEG, step)
        .map(|tenths| {
            let ra_deg = tenths as f64 / RA_TENTHS_PER_DEG;
            // Near a pole only every sixth hour goes on, else the lines run into a blot.
            let quarter = tenths.rem_euclid(6 * TENTHS_PER_HOUR) == 0;
            let limit = if quarter {
                90.0
            } else {
                90.0 - dec_step as f64 / TENTHS_PER_DEG as f64
            };
            let limit = if extent.pole { limit } else { 90.0 };
            let [low, high] = extent.dec_deg.map(|dec| dec.clamp(-limit, limit));
            let points = (0..=POINTS).map(|i| {
                let dec_deg = low + f64::from(i) / f64::from(POINTS) * (high - low);
                projector.place(sky_to_vector(ra_deg, dec_deg))
            });
            GridLine {
                meridian: true,
                label: ra_label(tenths, step),
                pieces: visible_pieces(projector, points),
            }
        })
        .collect()
}

/// Whole multiples of `step` in a range of degrees, in units of 1 / `per_deg` degrees.
fn multiples(range_deg: [f64; 2], per_deg: f64, step: i64) -> impl Iterator<Item = i64> {
    /// More lines than this are a blot; the steps keep far below it.
    const LINES_AT_MOST: usize = 100;
    let first = (range_deg[0] * per_deg / step as f64).ceil() as i64;
    let last = (range_deg[1] * per_deg / step as f64).floor() as i64;
    (first..=last).take(LINES_AT_MOST).map(move |k| k * step)
}

/// Cuts a run of points where they leave the picture; one point outside is kept on either side,
/// so that the line reaches the border.
fn visible_pieces(
    projector: &Projector,
    points: impl Iterator<Item = Option<[f32; 2]>>,
) -> Vec<Vec<[f32; 2]>> {
    let mut pieces = Vec::new();
    let mut piece: Vec<[f32; 2]> = Vec::new();
    let mut previous: Option<[f32; 2]> = None;
    for point in points {
        match point {
            Some(inside) if projector.view().holds(inside) => {
                if piece.is_empty() {
                    piece.extend(previous);
                }
                piece.push(inside);
            }
            outside => {
                if !piece.is_empty() {
                    piece.extend(outside);
                    pieces.push(std::mem::take(&mut piece));
                }
            }
        }
        previous = point;
    }
    pieces.push(piece);
    pieces.retain(|piece| piece.len() >= 2);
    pieces
}

/// Right ascension with as many parts as the step needs.
fn ra_label(tenths: i64, step: i64) -> String {
    let tenths = tenths.rem_euclid(24 * TENTHS_PER_HOUR);
    let (hours, minutes) = (tenths / TENTHS_PER_HOUR, tenths / 600 % 60);
    let (seconds, tenth) = (tenths / 10 % 60, tenths % 10);
    match step {
        s if s % TENTHS_PER_HOUR == 0 => format!("{hours}h"),
        s if s % 600 == 0 => format!("{hours}h{minutes:02}m"),
        s if s % 10 == 0 => format!("{hours}h{minutes:02}m{seconds:02}s"),
        _ => format!("{hours}h{minutes:02}m{seconds:02}.{tenth}s"),
    }
}

/// Declination with as many parts as the step needs.
fn dec_label(tenths: i64, step: i64) -> String {
    let sign = match tenths {
        0 => "",
        t if t < 0 => "\u{2212}",
        _ => "+",
    };
    let tenths = tenths.abs();
    let (degrees, minutes) = (tenths / TENTHS_PER_DEG, tenths / 600 % 60);
    let (seconds, tenth) = (tenths / 10 % 60, tenths % 10);
    match step {
        s if s % TENTHS_PER_DEG == 0 => format!("{sign}{degrees}\u{b0}"),
        s if s % 600 == 0 => format!("{sign}{degrees}\u{b0}{minutes:02}\u{2032}"),
        s if s % 10 == 0 => {
            format!("{sign}{degrees}\u{b0}{minutes:02}\u{2032}{seconds:02}\u{2033}")
        }
        _ => format!("{sign}{degrees}\u{b0}{minutes:02}\u{2032}{seconds:02}.{tenth}\u{2033}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_have_the_parts_that_the_step_needs() {
        assert_eq!(ra_label(-36_000, 36_000), "23h");
        assert_eq!(ra_label(24 * 36_000, 6_000), "0h00m");
        assert_eq!(ra_label(5 * 36_000 + 34 * 600 + 320, 20), "5h34m32s");
        assert_eq!(dec_label(-6_000, 6_000), "\u{2212}0\u{b0}10\u{2032}");
        assert_eq!(dec_label(0, 36_000), "0\u{b0}");
        assert_eq!(
            dec_label(22 * 36_000 + 52, 2),
            "+22\u{b0}00\u{2032}05.2\u{2033}"
        );
    }

    #[test]
    fn steps_rise_and_end() {
        assert!(DEC_STEPS.is_sorted() && RA_STEPS.is_sorted());
        assert_eq!(step(&DEC_STEPS, 0.0), 1);
        assert_eq!(step(&DEC_STEPS, 7_000.0), 9_000);
        assert_eq!(step(&RA_STEPS, f64::INFINITY), 108_000);
    }
}
