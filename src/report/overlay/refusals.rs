//! The picture of what was not taken for a star: a letter at each place that was refused, and below
//! the frame what the letters stand for.

use super::canvas::Canvas;
use super::view::View;
use super::{MARKS_AT_MOST, Picture, draw_detections, marks, stretch};
use crate::detect::{Detections, Refusal};
use crate::frame::Frame;
use std::collections::BTreeMap;

/// Most letters of a kind: more would hide the frame.
const LETTERS_AT_MOST: usize = 400;
/// Height of a line of the legend, and of its text, in units of the picture.
const LINE: f32 = 26.0;
const TEXT: f32 = 18.0;
/// Columns of the legend, and the width of each.
const COLUMNS: usize = 2;
const COLUMN: f32 = 560.0;

/// Draws `frame` with its stars in circles and a letter at each place that was refused; `None`
/// where no picture of that shape can be had.
pub fn draw(frame: &Frame, detections: &Detections) -> Option<Picture> {
    let view = View::new(frame);
    let [width, height] = view.size();
    let unit = super::unit_of([width, height]);
    let counts = detections.refusals();
    let rows = (counts.len() + 1).div_ceil(COLUMNS);
    let panel = (rows as f32 * LINE * unit + 20.0 * unit) as u32;
    let whole = width.max((COLUMNS as f32 * COLUMN * unit) as u32);
    let mut canvas = Canvas::new(whole, height.checked_add(panel)?)?;
    stretch::draw(&mut canvas, frame, detections.mosaic, &view);
    draw_detections(&mut canvas, detections, &view, unit);
    draw_letters(&mut canvas, detections, &view, unit);
    draw_legend(&mut canvas, detections, &counts, [height as f32, unit]);
    Some(canvas.into_picture())
}

fn draw_letters(canvas: &mut Canvas, detections: &Detections, view: &View, unit: f32) {
    let size = 13.0 * unit;
    let mut drawn: BTreeMap<Refusal, usize> = BTreeMap::new();
    for refused in &detections.refused {
        let place = view.place(refused.x_px, refused.y_px);
        let drawn = drawn.entry(refused.why).or_default();
        if *drawn >= LETTERS_AT_MOST || !view.holds(place) {
            continue;
        }
        *drawn += 1;
        let letter = letter(refused.why);
        let half = 0.5 * canvas.text_width(letter, size);
        let corner = [place[0] - half, place[1] - 0.5 * size];
        canvas.text(letter, corner, size, marks::AMBER, true);
    }
}

fn draw_legend(
    canvas: &mut Canvas,
    detections: &Detections,
    counts: &BTreeMap<Refusal, usize>,
    [top, unit]: [f32; 2],
) {
    let found = detections.stars.len();
    let stars = format!("{found} stars{}", at_most(found, MARKS_AT_MOST));
    let reasons = counts.iter().map(|(why, count)| {
        let more = at_most(*count, LETTERS_AT_MOST);
        (letter(*why), format!("{count} {}{more}", words(*why)))
    });
    let entries: Vec<(&str, String)> = std::iter::once(("", stars)).chain(reasons).collect();
    let rows = entries.len().div_ceil(COLUMNS);
    for (k, (letter, text)) in entries.iter().enumerate() {
        let x = (16.0 + COLUMN * (k / rows) as f32) * unit;
        let y = top + (10.0 + LINE * (k % rows) as f32) * unit;
        let size = TEXT * unit;
        match letter.is_empty() {
            true => {
                let middle = [x + 8.0 * unit, y + 0.5 * size];
                marks::detection(canvas, middle, 8.0 * unit, unit);
            }
            false => canvas.text(letter, [x, y], size, marks::AMBER, false),
        }
        canvas.text(text, [x + 28.0 * unit, y], size, marks::WHITE, false);
    }
}

fn at_most(count: usize, most: usize) -> String {
    match count > most {
        true => format!(" ({most} shown)"),
        false => String::new(),
    }
}

/// The letter of a reason: in the order in which a maximum is judged.
fn letter(why: Refusal) -> &'static str {
    const LETTERS: [&str; 10] = ["A", "B", "C", "D", "E", "F", "G", "H", "J", "K"];
    let place = Refusal::ALL.iter().position(|other| *other == why);
    place.map_or("?", |place| LETTERS[place])
}

/// What a refused place is, in words that follow a number.
fn words(why: Refusal) -> &'static str {
    match why {
        Refusal::SharpPeak => "sharper than stars: hot pixels, particles",
        Refusal::Streak => "on streaks: trails, rows, columns",
        Refusal::Unmeasured => "fainter than those measured",
        Refusal::SteepCore => "saturated with a steep edge: letters, hot pixels",
        Refusal::Spike => "single pixels: hot ones, tracks of particles",
        Refusal::Shapeless => "without a centre or a width",
        Refusal::Faint => "too faint for the noise around them",
        Refusal::PartOfStar => "parts of brighter stars",
        Refusal::Broad => "broader than stars: nebula, galaxies, edges",
        Refusal::Long => "longer than stars: trails, spikes",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_reason_has_a_letter_and_words_of_its_own() {
        let letters: BTreeSet<_> = Refusal::ALL.into_iter().map(letter).collect();
        let words: BTreeSet<_> = Refusal::ALL.into_iter().map(words).collect();
        assert_eq!(
            (letters.len(), words.len()),
            (Refusal::ALL.len(), Refusal::ALL.len())
        );
    }
}
