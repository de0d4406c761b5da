//! What the page says of the mount: runs of frames, causes, advice.

use super::advice::advice;
use super::motion::{Standing, beginning, drift_sentence, findings, minutes};
use super::{Facts, text};
use crate::report::mount::{open, told};
use crate::track::Run;
use maud::{Markup, html};
use std::collections::BTreeMap;

/// What the mount did and what to do about it.
pub fn mount(facts: &Facts<'_>) -> Markup {
    let runs = &facts.track.runs;
    let longest = runs.iter().max_by(|a, b| minutes(a).total_cmp(&minutes(b)));
    let all_advice: Vec<String> = facts.track.motions.iter().flat_map(advice).collect();
    html! {
        section {
            h2 { "What the mount did" }
            @match longest.and_then(drift_sentence) {
                Some(says) => p class="lead" { @if runs.len() > 1 { "In the longest run: " } (says) },
                None => p class="lead" { "Too few frames with a position and a time to tell." },
            }
            @if let Some(remark) = &facts.track.place.remark { p class="note" { (remark) } }
            @if !all_advice.is_empty() {
                div class="todo" {
                    h3 { "To do" }
                    ul { @for says in &all_advice { li { (says) } } }
                }
            }
            @if !runs.is_empty() { (run_table(facts)) }
            @for motion in &facts.track.motions {
                @if facts.track.motions.len() > 1 { h3 { (motion.camera) } }
                @else { h3 { "Causes" } }
                dl class="causes" {
                    @for f in findings(motion, &facts.track) {
                        dt { (f.name) " " span class={ "standing " (standing(f.standing)) } { (f.standing.word()) } }
                        dd { (f.says) }
                    }
                }
                @if let Some(left) = &motion.remainder {
                    p class="note" {
                        "What the causes leave unexplained: " (text::number(left.centre_arcsec, 1)) "″ per axis"
                        @if left.smooth { ", and it changes slowly: something else moved as well" }
                        "."
                    }
                }
            }
            (across(facts))
        }
    }
}

/// What the fields say together of the mount.
fn across(facts: &Facts<'_>) -> Markup {
    html! {
        @for mount in facts.mounts.iter().filter(|m| m.fields > 1 || m.axis.is_some()) {
            h3 {
                "From field to field"
                @if facts.mounts.len() > 1 { ": " (mount.camera) }
            }
            p class="note" {
                "From where the mount was sent, and how the camera lay, on " (mount.fields)
                " fields (" (mount.frames) " frames), apart from what it did while it tracked."
            }
            dl class="causes" {
                @for (name, says) in told(mount) {
                    dt { (name) }
                    dd { (says) }
                }
            }
            @for says in open(mount) { p class="note" { (says) } }
        }
    }
}

fn standing(standing: Standing) -> &'static str {
    match standing {
        Standing::Seen => "seen",
        Standing::NotSeen => "not-seen",
        Standing::CannotTell => "cannot-tell",
    }
}

fn run_table(facts: &Facts<'_>) -> Markup {
    let runs = &facts.track.runs;
    let cameras = runs.iter().any(|r| r.camera != runs[0].camera);
    html! {
        div class="scroll" tabindex="0" role="region" aria-label="Runs" {
            table class="runs" {
                thead { tr {
                    th scope="col" { "Run" }
                    @if cameras { th scope="col" { "Camera" } }
                    th scope="col" { "Target" }
                    th scope="col" { "From – to " small { "UTC" } }
                    th scope="col" { "Frames" }
                    th scope="col" { "Drift in RA " small { "arcsec/min" } }
                    th scope="col" { "Drift in Dec " small { "arcsec/min" } }
                    th scope="col" { "Rotation " small { "arcmin/h" } }
                } }
                tbody {
                    @for (number, run) in runs.iter().enumerate() {
                        (run_row(number, run, cameras, shown(facts, run)))
                    }
                }
            }
        }
    }
}

/// The deep-sky objects that most frames of a run show.
fn shown<'a>(facts: &Facts<'a>, run: &Run) -> Option<&'a str> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    let frames = run.frames.iter().map(|i| &facts.night.rows[*i]);
    for shows in frames.filter_map(|row| row.shows.as_deref()) {
        *counts.entry(shows).or_default() += 1;
    }
    let most = counts.into_iter().max_by_key(|(_, count)| *count);
    most.map(|(shows, _)| shows)
}

fn run_row(number: usize, run: &Run, cameras: bool, shown: Option<&str>) -> Markup {
    let drift = run.drift.as_ref();
    html! {
        tr {
            td { (number + 1) }
            @if cameras { td class="name" { (run.camera) } }
            td class="name" {
                (run.target.as_deref().unwrap_or("–"))
                @if let Some(shown) = shown { br; small { "shows " (shown) } }
                @if let Some(why) = beginning(run.begins) { br; small { (why) } }
            }
            td { (&text::clock(run.span_jd[0])) " – " (&text::clock(run.span_jd[1])) }
            td {
                (run.frames.len())
                @if !run.strays.is_empty() { small { " + " (run.strays.len()) " astray" } }
            }
            @match drift {
                Some(d) => {
                    td { (text::estimate(d.ra_arcsec_per_min)) }
                    td { (text::estimate(d.dec_arcsec_per_min)) }
                    td { (text::estimate(d.rotation_arcmin_per_h)) }
                },
                None => { td { "–" } td { "–" } td { "–" } },
            }
        }
    }
}
