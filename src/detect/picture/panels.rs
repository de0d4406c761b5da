//! The panels around a picture on a screen: each side of the screen has a few tones up to a straight
//! edge, whatever sky comes after it.

use crate::detect::pixels::{Image, Pixel};
use std::collections::BTreeMap;
use std::ops::Range;

/// A line (row or column) belongs to a panel where this share of its pixels has the panel's tones:
/// letters take less than half of it ...
const OF_PANEL: f64 = 0.5;
/// ... and where a further panel begins, all but a few.
const OF_NEXT_PANEL: f64 = 0.9;
/// A panel has up to this many tones: its own, those of buttons and fields on it ...
const MOST_TONES: usize = 4;
/// ... where the tones known take at least this share of a line, at the first and the second time,
/// when the panels across no longer have one in each line of the picture ...
const LEAST_OF_KNOWN: [f64; 2] = [0.3, 0.12];
/// ... and with the next one more than half of it.
const OF_TONES: f64 = 0.6;
/// Levels around a tone that count as the same: lossy compression leaves ripples.
const RIPPLE: f32 = 2.0;
/// A smooth sky leaves a tone at once too, but most of it not as far.
const FADED: f32 = 8.0;
const MOST_FADED: f64 = 0.7;
/// Lines between two panels, or those of an edge.
const GAP: usize = 4;
/// At a drawn edge the share of the tones falls by so much within a few lines; where the sky of a
/// picture fades to black, it does not.
const FALL: f64 = 0.35;
/// What takes more than this of the screen's side is no panel but a smooth sky.
const MOST: f64 = 0.45;
/// Pixels of a line that are looked at.
const SAMPLE: usize = 400;

/// The columns and rows that panels leave; `None` where there are no panels, or nothing but panels.
pub(super) fn left_by_panels<P: Pixel>(
    image: &Image<'_, P>,
) -> Option<(Range<usize>, Range<usize>)> {
    let (mut columns, mut rows) = (0..image.width, 0..image.height);
    // Without the panels on two sides those on the other two are easier to tell.
    for least in LEAST_OF_KNOWN {
        columns = peeled(&columns, least, |at| Line::column(image, at, &rows))?;
        rows = peeled(&rows, least, |at| Line::row(image, at, &columns))?;
        if columns.len() == image.width && rows.len() == image.height {
            return None;
        }
    }
    Some((columns, rows))
}

/// Some pixels of a row or column.
struct Line(Vec<f32>);

impl Line {
    fn row<P: Pixel>(image: &Image<'_, P>, y: usize, columns: &Range<usize>) -> Line {
        Line::of(columns, |x| image.data.get(y * image.width + x))
    }

    fn column<P: Pixel>(image: &Image<'_, P>, x: usize, rows: &Range<usize>) -> Line {
        Line::of(rows, |y| image.data.get(y * image.width + x))
    }

    fn of<'a, P: Pixel + 'a>(along: &Range<usize>, pixel: impl Fn(usize) -> Option<&'a P>) -> Line {
        // An odd step meets every part of the blocks that lossy compression makes.
        let step = (along.len() / SAMPLE) | 1;
        let pixels = along.clone().step_by(step).filter_map(pixel);
        Line(pixels.map(|p| p.value()).collect())
    }

    /// The commonest value besides these tones.
    fn commonest(&self, tones: &[f32]) -> Option<f32> {
        let mut counts: BTreeMap<u32, usize> = BTreeMap::new();
        for v in self.0.iter().filter(|v| !has(tones, **v, RIPPLE)) {
            *counts.entry(v.to_bits()).or_default() += 1;
        }
        let commonest = counts.into_iter().max_by_key(|(_, count)| *count)?;
        Some(f32::from_bits(commonest.0))
    }

    /// Share of the pixels that have one of these tones, or come so near it.
    fn share(&self, tones: &[f32], near: f32) -> f64 {
        let same = self.0.iter().filter(|v| has(tones, **v, near));
        same.count() as f64 / self.0.len().max(1) as f64
    }
}

fn has(tones: &[f32], v: f32, near: f32) -> bool {
    tones.iter().any(|tone| (v - tone).abs() <= near)
}

/// `range` without the panels at its beginning and its end.
fn peeled(range: &Range<usize>, least: f64, line: impl Fn(usize) -> Line) -> Option<Range<usize>> {
    let n = range.len();
    let first = panels(n, least, |k| line(range.start + k));
    let last = panels(n, least, |k| line(range.end - 1 - k));
    (first + last < n).then(|| range.start + first..range.end - last)
}

/// Lines that the panels take from the first of `n` on.
fn panels(n: usize, least: f64, line: impl Fn(usize) -> Line) -> usize {
    let mut edge = 0;
    loop {
        let found = match panel(edge, n, MOST_TONES, least, &line) {
            // A smooth sky may pass for one more button.
            Panel {
                end: None,
                buttons: true,
            } => panel(edge, n, 1, least, &line).end,
            found => found.end,
        };
        match found {
            Some(next) => edge = next,
            None => return edge,
        }
    }
}

/// What seems to be a panel.
#[derive(Default)]
struct Panel {
    /// The line after it; `None` where it is no panel.
    end: Option<usize>,
    /// It has tones besides the first one.
    buttons: bool,
}

/// Lines from one on that have the same tones.
struct Alike {
    /// The line after the last of them.
    end: usize,
    tones: Vec<f32>,
    /// Share of each line that has these tones, those beyond the end included.
    shares: Vec<f64>,
}

/// The panel of at most `most_tones` that begins at `from`.
fn panel(
    from: usize,
    n: usize,
    most_tones: usize,
    least: f64,
    line: &impl Fn(usize) -> Line,
) -> Panel {
    if from >= n {
        return Panel::default();
    }
    let begin = line(from);
    let Some(first) = begin.commonest(&[]) else {
        return Panel::default();
    };
    if from > 0 && begin.share(&[first], RIPPLE) < OF_NEXT_PANEL {
        return Panel::default();
    }
    let farthest = (MOST * n as f64) as usize;
    let mut alike = Alike {
        end: from,
        tones: vec![first],
        shares: Vec::new(),
    };
    let mut fits = true;
    for k in from..n {
        alike.add(k, line(k), most_tones > 1, least);
        fits = alike.tones.len() <= most_tones && alike.end <= farthest;
        if !fits || k >= alike.end + GAP {
            break;
        }
    }
    Panel {
        end: (fits && alike.ends_at_once(from, n, line)).then_some(alike.end),
        buttons: alike.tones.len() > 1,
    }
}

impl Alike {
    /// Looks at the next line, `k`; one more tone may be what it lacks.
    fn add(&mut self, k: usize, line: Line, more_tones: bool, least: f64) {
        let mut share = line.share(&self.tones, RIPPLE);
        if more_tones && (least..OF_PANEL).contains(&share) {
            self.tones.extend(line.commonest(&self.tones));
            match line.share(&self.tones, RIPPLE) {
                both if both >= OF_TONES => share = both,
                _ => drop(self.tones.pop()),
            }
        }
        self.shares.push(share);
        if share >= OF_PANEL {
            self.end = k + 1;
        }
    }

    /// Whether the tones go within a few lines, as at a drawn edge.
    fn ends_at_once(&self, from: usize, n: usize, line: &impl Fn(usize) -> Line) -> bool {
        let length = self.end - from;
        let inside = mean(&self.shares[length.saturating_sub(GAP)..length]);
        let beyond = |near: f32| {
            let lines = self.end..n.min(self.end + GAP);
            let shares = lines.map(|k| line(k).share(&self.tones, near));
            mean(&shares.collect::<Vec<_>>())
        };
        let falls = inside.zip(beyond(RIPPLE));
        falls.is_some_and(|(inside, beyond)| inside - beyond >= FALL)
            && beyond(FADED).is_some_and(|faded| faded < MOST_FADED)
    }
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: (usize, usize) = (300, 240);

    /// What panels leave of a picture of these pixels.
    fn left(pixel: impl Fn(usize, usize) -> u8) -> Option<(Range<usize>, Range<usize>)> {
        let (width, height) = SIZE;
        let data: Vec<u8> = (0..width * height)
            .map(|k| pixel(k % width, k / width))
            .collect();
        left_by_panels(&Image {
            data: &data,
            width,
            height,
        })
    }

    /// Panels with buttons and letters on them, around what `sky` says.
    fn screen(sky: impl Fn(usize, usize) -> u8) -> impl Fn(usize, usize) -> u8 {
        move |x, y| {
            let button = (6..64).contains(&x) && y % 30 < 20;
            let letter = (8..40).contains(&x) && (4..12).contains(&(y % 30)) && (3 * x + y) % 5 < 2;
            match (70..270).contains(&x) && (25..215).contains(&y) {
                true => sky(x, y),
                false if letter => 230,
                false if button => 95,
                false => 60,
            }
        }
    }

    #[test]
    fn panels_are_peeled_off_any_sky() {
        // A sky as smooth as the panels, one that falls to their tone, and one without light.
        for sky in [|_, _| 30, |_, y| (60 + y / 3) as u8, |_, _| 0_u8] {
            assert_eq!(left(screen(sky)), Some((70..270, 25..215)));
        }
    }

    #[test]
    fn a_sky_that_fades_to_black_is_not_peeled() {
        let vignetted = |x: usize, y: usize| {
            let (dx, dy) = (x as f64 - 150.0, y as f64 - 120.0);
            (160.0 - 1.2 * dx.hypot(dy)).max(0.0) as u8
        };
        assert_eq!(left(vignetted), None);
        assert_eq!(left(|_, _| 12), None);
        assert_eq!(left(|x, y| (x * 7 + y * 13) as u8), None);
    }
}
