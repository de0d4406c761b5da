//! Small pictures of the frames, in order of time.

use super::table::{class, state};
use super::{Facts, Grade, MOST_PICTURES, Pictures, Thumbnail, text};
use crate::track::Row;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, html};
use std::io::{self, Write};

/// Pictures asked for at a time: enough to share out among the cores.
const AT_A_TIME: usize = 32;

/// Rows that get a picture: all where there is room, else those that something is wrong with and
/// as many of the others as fit, evenly spread.
pub fn chosen(facts: &Facts<'_>) -> Vec<usize> {
    let shown: Vec<usize> = facts
        .order
        .iter()
        .copied()
        .filter(|i| facts.grades[*i] != Grade::Aside)
        .collect();
    if shown.len() <= MOST_PICTURES {
        return shown;
    }
    let spread = |all: Vec<usize>, most: usize| -> Vec<usize> {
        let n = all.len().min(most);
        (0..n).map(|k| all[k * all.len() / n]).collect()
    };
    let is_good = |i: &usize| facts.grades[*i] == Grade::Good;
    let (good, wrong): (Vec<usize>, Vec<usize>) = shown.into_iter().partition(is_good);
    // Room is kept for what a good frame of the night looks like.
    let wrong = spread(wrong, MOST_PICTURES * 9 / 10);
    let good = spread(good, MOST_PICTURES - wrong.len());
    let mut both = [wrong, good].concat();
    both.sort_by_key(|i| facts.number[*i]);
    both
}

/// Writes the pictures as they come.
pub fn write(
    out: &mut dyn Write,
    facts: &Facts<'_>,
    pictures: &mut Pictures<'_>,
) -> io::Result<()> {
    let chosen = chosen(facts);
    let all = facts.grades.iter().filter(|g| **g != Grade::Aside).count();
    if chosen.len() < all {
        let note = html! {
            p class="note" {
                "Pictures of " (chosen.len()) " of " (all) " frames: those that something is wrong \
                 with come first, the others evenly spread."
            }
        };
        out.write_all(note.into_string().as_bytes())?;
    }
    out.write_all(b"<ol class=\"strip\">")?;
    for some in chosen.chunks(AT_A_TIME) {
        let drawn = pictures(some);
        for (place, i) in some.iter().enumerate() {
            let item = item(facts, *i, drawn.get(place).and_then(Option::as_ref));
            out.write_all(item.into_string().as_bytes())?;
        }
    }
    out.write_all(b"</ol>")
}

/// What a pointer that rests on the picture is told.
fn title(row: &Row) -> String {
    match &row.shows {
        Some(shows) => format!("{}: {shows}", row.file),
        None => row.file.clone(),
    }
}

fn item(facts: &Facts<'_>, i: usize, picture: Option<&Thumbnail>) -> Markup {
    let (row, grade) = (&facts.night.rows[i], &facts.grades[i]);
    let number = facts.number[i];
    html! {
        li class=(class(grade)) {
            a href={ "#f" (number) } title=(title(row)) {
                @match picture {
                    Some(p) => {
                        img width=(p.width) height=(p.height) loading="lazy"
                            alt={ "Frame " (number) }
                            src={ "data:image/jpeg;base64," (STANDARD.encode(&p.jpeg)) };
                    },
                    None => { span class="blank" { "no picture" } },
                }
                b { (number) }
                @if let Some(jd) = row.mid_jd_utc { " " (text::clock(jd).get(..5).unwrap_or_default()) }
            }
            @if *grade != Grade::Good { span class="why" { (state(row, grade)) } }
        }
    }
}
