//! The page as a whole.

use super::chart::{Mark, Series};
use super::charts::{Figure, figures};
use super::mount::mount;
use super::{Facts, Grade, Pictures, strip, table, text};
use crate::robust::median;
use crate::track::{Row, RowStatus};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::collections::BTreeMap;
use std::io::{self, Write};

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");
/// The page may use what is in it, and load nothing.
const POLICY: &str =
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'";

/// Writes the page. The pictures are written as they come.
pub fn write(
    out: &mut dyn Write,
    facts: &Facts<'_>,
    pictures: &mut Pictures<'_>,
) -> io::Result<()> {
    let put = |markup: Markup, out: &mut dyn Write| out.write_all(markup.into_string().as_bytes());
    out.write_all(opening(facts).as_bytes())?;
    put(glance(facts), out)?;
    put(mount(facts), out)?;
    put(charts(facts), out)?;
    put(wrong(facts), out)?;
    out.write_all(b"<section><h2>Frames at a glance</h2>")?;
    strip::write(out, facts, pictures)?;
    out.write_all(b"</section>")?;
    put(
        html! {
            section {
                h2 { "All frames" }
                p class="note on-screen" { "A click on a heading sorts; another turns the order round." }
                (table::table(facts))
            }
        },
        out,
    )?;
    put(closing(facts), out)
}

/// From the doctype to the first section; what is opened here `closing` closes.
fn opening(facts: &Facts<'_>) -> String {
    let head = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                @if let Some(s) = facts.night.refresh_s {
                    meta http-equiv="refresh" content=(s);
                }
                title { (facts.night.title) " – night report" }
                link rel="icon" href="data:,";
                style { (PreEscaped(STYLE)) }
            }
            body {
                header {
                    h1 { (facts.night.title) }
                    p { (when(facts)) }
                }
                main { "\u{0}" }
            }
        }
    }
    .into_string();
    // Everything up to the mark: the tags that follow it are written at the end.
    head.split('\u{0}').next().unwrap_or_default().to_owned()
}

fn closing(facts: &Facts<'_>) -> Markup {
    let written = facts.night.written_jd_utc.map(text::date_time);
    PreEscaped(format!(
        "</main>{}<script>{SCRIPT}</script></body></html>\n",
        html! {
            footer {
                p {
                    "Written by nightfix"
                    @if let Some(written) = written { " on " (written) " UTC" }
                    ". Positions are ICRS (J2000) of frame centres, times UTC at mid-exposure. \
                     Drift in RA is times the cosine of Dec. Errors after ± are one standard error."
                }
            }
        }
        .into_string()
    ))
}

fn when(facts: &Facts<'_>) -> String {
    let times = || facts.night.rows.iter().filter_map(|r| r.mid_jd_utc);
    let (first, last) = (
        times().fold(f64::INFINITY, f64::min),
        times().fold(f64::NEG_INFINITY, f64::max),
    );
    if first > last {
        return "No frame says when it was taken.".into();
    }
    format!(
        "{} to {} UTC, {}",
        text::date_time(first),
        text::date_time(last),
        text::duration((last - first) * 1440.0)
    )
}

/// The numbers that come first.
fn glance(facts: &Facts<'_>) -> Markup {
    let rows = facts.night.rows;
    let grades = |want: fn(&Grade) -> bool| facts.grades.iter().filter(|g| want(g)).count();
    let aside = grades(|g| *g == Grade::Aside);
    let (good, odd) = (
        grades(|g| *g == Grade::Good),
        grades(|g| matches!(g, Grade::Odd(_))),
    );
    let lost = grades(|g| *g == Grade::Unusable);
    let solved = rows
        .iter()
        .filter(|r| r.status == RowStatus::Solved)
        .count();
    html! {
        section class="glance" aria-label="At a glance" {
            (tile("Frames", &(rows.len() - aside).to_string(),
                &if aside > 0 { format!("{aside} darks, flats, bias aside") } else { String::new() }))
            (tile("With a position", &solved.to_string(), &share(solved, rows.len() - aside)))
            (tile("Usable", &(good + odd).to_string(),
                &if odd > 0 { format!("{odd} of them with something odd") } else { String::new() }))
            (tile("Unusable", &lost.to_string(), &common_reason(facts)))
            @if let Some(worst) = worst_error(rows) {
                (tile("Farthest off", &text::angle(worst), "from the commanded position"))
            }
            @if let Some(width) = median(rows.iter().filter_map(|r| r.fwhm_px)) {
                (tile("Star width", &format!("{} px", text::number(width, 1)), &seeing(rows)))
            }
        }
    }
}

fn tile(name: &str, value: &str, note: &str) -> Markup {
    html! {
        div class="tile" {
            span class="tile-name" { (name) }
            strong { (value) }
            @if !note.is_empty() { span class="note" { (note) } }
        }
    }
}

fn share(part: usize, all: usize) -> String {
    if all == 0 {
        return String::new();
    }
    format!("{} %", text::number(100.0 * part as f64 / all as f64, 0))
}

fn worst_error(rows: &[Row]) -> Option<f64> {
    rows.iter()
        .filter_map(Row::pointing_error)
        .map(|e| 60.0 * e.separation_deg)
        .max_by(f64::total_cmp)
}

fn seeing(rows: &[Row]) -> String {
    let arcsec = rows
        .iter()
        .filter_map(|r| Some(r.fwhm_px? * r.scale_arcsec_per_px?));
    median(arcsec).map_or_else(String::new, |a| format!("{}″, median", text::number(a, 1)))
}

/// How often each diagnosis was made, the commonest first.
fn reasons(facts: &Facts<'_>) -> Vec<(String, usize)> {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for (row, grade) in facts.night.rows.iter().zip(&facts.grades) {
        if *grade == Grade::Unusable {
            *counts.entry(table::state(row, grade)).or_default() += 1;
        }
    }
    let mut counts: Vec<(String, usize)> = counts.into_iter().collect();
    counts.sort_by_key(|count| std::cmp::Reverse(count.1));
    counts
}

fn common_reason(facts: &Facts<'_>) -> String {
    reasons(facts)
        .first()
        .map_or_else(String::new, |(reason, n)| {
            format!("{n} × {}", reason.trim_start_matches("✕ "))
        })
}

fn charts(facts: &Facts<'_>) -> Markup {
    let drawn: Vec<(Figure, String)> = figures(facts)
        .into_iter()
        .filter_map(|f| f.chart.svg().map(|svg| (f, svg)))
        .collect();
    html! {
        @if !drawn.is_empty() {
            section {
                h2 { "Through the night" }
                div class="charts" {
                    @for (f, svg) in &drawn {
                        figure {
                            figcaption { b { (f.title) } " " span class="note" { (f.note) } }
                            (PreEscaped(labelled(svg, f.title)))
                            (legend(&f.chart.series))
                        }
                    }
                }
            }
        }
    }
}

/// The SVG with a role and a name for those who hear the page, and free to take any width.
fn labelled(svg: &str, title: &str) -> String {
    let label = html! { "role=\"img\" aria-label=\"Chart: " (title) "\" " };
    svg.replacen(
        "<svg ",
        &format!(
            "<svg {} ",
            PreEscaped(label.into_string().replace("&quot;", "\"")).0
        ),
        1,
    )
}

fn legend(series: &[Series]) -> Markup {
    let named = || series.iter().filter(|s| !s.name.is_empty());
    // More than a dozen names explain nothing.
    let many = named().count() > 12;
    html! {
        @if named().count() > 0 {
            p class="legend" {
                @for s in named().take(12) {
                    span { i class={ "key c" (s.colour % 5) } aria-hidden="true" { (sign(s.mark)) } " " (s.name) }
                }
                @if many { span { "…" } }
            }
        }
    }
}

fn sign(mark: Mark) -> &'static str {
    match mark {
        Mark::Dot => "●",
        Mark::Triangle => "▲",
        Mark::Cross => "✕",
        Mark::Line => "—",
    }
}

/// Frames that something is wrong with: why, and what to do.
fn wrong(facts: &Facts<'_>) -> Markup {
    /// Beyond this many the counts by reason and the table have to do.
    const MOST: usize = 60;
    let lost: Vec<usize> = facts
        .order
        .iter()
        .copied()
        .filter(|i| facts.grades[*i] == Grade::Unusable)
        .collect();
    html! {
        @if !lost.is_empty() {
            section {
                h2 { "Unusable frames" }
                p { @for (reason, n) in reasons(facts) { span class="chip" { (n) " × " (reason.trim_start_matches("✕ ")) } " " } }
                ul class="lost-list" {
                    @for i in lost.iter().take(MOST) {
                        @let row = &facts.night.rows[*i];
                        li {
                            a href={ "#f" (facts.number[*i]) } { (facts.number[*i]) } " "
                            span class="name" { (row.file) } ": "
                            (row.diagnosis.as_deref().or(row.reason.as_deref()).unwrap_or("No position was found."))
                            @if let Some(next) = row.next.first() { " " em { (next) } }
                        }
                    }
                }
                @if lost.len() > MOST { p class="note" { "and " (lost.len() - MOST) " more, in the table below" } }
            }
        }
    }
}
