//! The table of all frames. A click on a heading sorts it; without a script it stands in order
//! of time.

use super::{Facts, Grade, text};
use crate::track::{Row, RowStatus};
use maud::{Markup, html};

/// A column: heading, unit, and what a row holds.
struct Column {
    heading: &'static str,
    unit: &'static str,
    /// Number to sort by and decimals to show.
    value: fn(&Row) -> Option<f64>,
    decimals: usize,
}

const COLUMNS: [Column; 12] = [
    column("RA", "deg", |r| r.centre_deg().map(|c| c[0]), 4),
    column("Dec", "deg", |r| r.centre_deg().map(|c| c[1]), 4),
    column(
        "Off",
        "arcmin",
        |r| r.pointing_error().map(|e| 60.0 * e.separation_deg),
        1,
    ),
    column("Rotation", "deg", |r| r.rotation_deg, 2),
    column("Scale", "arcsec/px", |r| r.scale_arcsec_per_px, 3),
    column("FWHM", "px", |r| r.fwhm_px, 2),
    column("HFD", "px", |r| r.hfd_px, 2),
    column("Elongation", "", |r| r.elongation, 2),
    column("Sky", "", |r| r.sky_level, 0),
    column("Stars", "", |r| r.stars_detected.map(f64::from), 0),
    column("Limit", "mag", |r| r.limiting_magnitude, 1),
    column("Exposure", "s", |r| r.exposure_s, 1),
];

const fn column(
    heading: &'static str,
    unit: &'static str,
    value: fn(&Row) -> Option<f64>,
    decimals: usize,
) -> Column {
    Column {
        heading,
        unit,
        value,
        decimals,
    }
}

/// The table; columns that no row fills are left out.
pub fn table(facts: &Facts<'_>) -> Markup {
    let rows = facts.night.rows;
    let columns: Vec<&Column> = COLUMNS
        .iter()
        .filter(|c| rows.iter().any(|r| (c.value)(r).is_some()))
        .collect();
    let shows = rows.iter().any(|row| row.shows.is_some());
    html! {
        div class="scroll" tabindex="0" role="region" aria-label="All frames" {
            table id="frames" {
                thead { tr {
                    (heading("#", ""))
                    (heading("Frame", ""))
                    (heading("Time", "UTC"))
                    (heading("State", ""))
                    @for c in &columns { (heading(c.heading, c.unit)) }
                    @if shows { (heading("Shows", "")) }
                } }
                tbody {
                    @for i in &facts.order {
                        (row(facts, *i, &columns, shows))
                    }
                }
            }
        }
    }
}

fn heading(name: &str, unit: &str) -> Markup {
    html! {
        th scope="col" {
            button type="button" {
                (name)
                @if !unit.is_empty() { " " small { (unit) } }
            }
        }
    }
}

fn row(facts: &Facts<'_>, i: usize, columns: &[&Column], shows: bool) -> Markup {
    let row = &facts.night.rows[i];
    let number = facts.number[i];
    html! {
        tr id={ "f" (number) } class=(class(&facts.grades[i])) {
            td data-v=(number) { (number) }
            td class="name" data-v=(row.file) { (row.file) }
            @match row.mid_jd_utc {
                Some(jd) => td data-v=(jd) { (text::clock(jd)) },
                None => td {},
            }
            td class="state" data-v=(rank(&facts.grades[i])) { (state(row, &facts.grades[i])) }
            @for c in columns {
                @match (c.value)(row) {
                    Some(v) => td data-v=(v) { (text::number(v, c.decimals)) },
                    None => td {},
                }
            }
            @if shows {
                @match &row.shows {
                    Some(shows) => td class="name" data-v=(shows) { (shows) },
                    None => td {},
                }
            }
        }
    }
}

/// How the page's style knows a grade.
pub fn class(grade: &Grade) -> &'static str {
    match grade {
        Grade::Good => "good",
        Grade::Odd(_) => "odd",
        Grade::Unusable => "lost",
        Grade::Aside => "aside",
    }
}

fn rank(grade: &Grade) -> u8 {
    match grade {
        Grade::Good => 0,
        Grade::Odd(_) => 1,
        Grade::Unusable => 2,
        Grade::Aside => 3,
    }
}

/// A few words on how a frame is, with a sign for those who see no colours.
pub fn state(row: &Row, grade: &Grade) -> String {
    match grade {
        Grade::Good => "✓ usable".into(),
        Grade::Odd(why) => format!("△ {}", why.join(", ")),
        Grade::Unusable if row.status == RowStatus::Error => "✕ not read".into(),
        Grade::Unusable => match &row.diagnosis_code {
            Some(code) => format!("✕ {}", code.replace('-', " ")),
            None => "✕ no position".into(),
        },
        Grade::Aside => format!("– {}", kind(row)),
    }
}

fn kind(row: &Row) -> &'static str {
    use crate::track::FrameKind;
    match row.kind {
        FrameKind::Light => "not a picture of the sky",
        FrameKind::Dark => "dark",
        FrameKind::Flat => "flat",
        FrameKind::Bias => "bias",
    }
}
