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
    let value = |x: usize, y: usize| image.data[y * image.width + x].value();
    // Without the panels on two sides those on the other two are easier to tell.
    for least in LEAST_OF_KNOWN {
        columns = peeled(&columns, least, |x| Line::of(&rows, |y| value(x, y)))?;
        rows = peeled(&rows, least, |y| Line::of(&columns, |x| value(x, y)))?;
        if columns.len() == image.width && rows.len() == image.height {
            return None;
        }
    }
    Some((columns, rows))
}

/// Some pixels of a row or column.
struct Line(Vec<f32>);

impl Line {
    fn of(along: &Range<usize>, value: impl Fn(usize) -> f32) -> Line {
        // An odd step meets every part of the blocks that lossy compression makes.
        let step = (along.len() / SAMPLE) | 1;
        Line(along.clone().step_by(step).map(value).collect())
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
    // A smooth sky may pass for one more button.
    while let Some(end) =
        panel(edge..n, MOST_TONES, least, &line).or_else(|| panel(edge..n, 1, least, &line))
    {
        edge = end;
    }
    edge
}

/// Where the panel of at most `most_tones` ends that begins with the first of these lines.
fn panel(
    lines: Range<usize>,
    most_tones: usize,
    least: f64,
    line: &impl Fn(usize) -> Line,
) -> Option<usize> {
    let from = lines.start;
    let begin = line(lines.clone().next()?);
    let mut tones = vec![begin.commonest(&[])?];
    if from > 0 && begin.share(&tones, RIPPLE) < OF_NEXT_PANEL {
        return None;
    }
    let farthest = (MOST * lines.end as f64) as usize;
    let (mut end, mut shares) = (from, Vec::new());
    for k in lines.clone() {
        let line = line(k);
        let mut share = line.share(&tones, RIPPLE);
        if most_tones > 1 && (least..OF_PANEL).contains(&share) {
            // One more tone may be what it lacks.
            let more = [&tones[..], line.commonest(&tones).as_slice()].concat();
            let both = line.share(&more, RIPPLE);
            if both >= OF_TONES {
                (tones, share) = (more, both);
            }
        }
        shares.push(share);
        if share >= OF_PANEL {
            end = k + 1;
        }
        if tones.len() > most_tones || end > farthest {
            return None;
        }
        if k >= end + GAP {
            break;
        }
    }
    // At a drawn edge the tones go within a few lines.
    let inside = &shares[..end - from];
    let inside = mean(
        inside
            .iter()
            .copied()
            .skip(inside.len().saturating_sub(GAP)),
    )?;
    let beyond = |near: f32| {
        let lines = end..lines.end.min(end + GAP);
        mean(lines.map(|k| line(k).share(&tones, near)))
    };
    let is_drawn = inside - beyond(RIPPLE)? >= FALL && beyond(FADED)? < MOST_FADED;
    is_drawn.then_some(end)
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> Option<f64> {
    let count = values.len();
    (count > 0).then(|| values.sum::<f64>() / count as f64)
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
        left_by_panels(&Image::new(&data, width, height))
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
