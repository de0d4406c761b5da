//! The result as text, to be read at a glance at night: the verdict first, then what to do, then
//! the figures. Written from the [`Record`], so that text and JSON always agree.
//!
//! The only emphasis is bold (an SGR sequence on the verdict), never a hue: a red lamp hides
//! hues. Whoever prints the block drops the sequences where they do not belong.

use super::objects::in_words;
use super::record::{FrameStatus, Record};
pub use super::words::{chance_words, mending, small_angle};
use super::words::{size, three_decimals};
use crate::angle::{format_dec, format_ra};
use crate::mount::{Equinox, Origin, compass_word};
use std::fmt::Write;

/// Columns of the label and of the whole block.
const LABEL_COLUMNS: usize = 14;
const BLOCK_COLUMNS: usize = 80;

/// The block of lines for one frame, ending in a line end.
pub fn block(record: &Record) -> String {
    let mut block = Block::default();
    match record.status {
        FrameStatus::Solved => solved(&mut block, record),
        FrameStatus::Unsolved => unsolved(&mut block, record),
        FrameStatus::Error => block.verdict("NOT USED", &record.file, record.reason.as_deref()),
    }
    for caution in &record.cautions {
        block.line("Caution", caution);
    }
    block.0
}

/// Lines with labels in a column of their own.
#[derive(Default)]
pub(super) struct Block(pub(super) String);

impl Block {
    /// First line: the verdict, then what it is about.
    pub(super) fn verdict(&mut self, word: &str, file: &str, detail: Option<&str>) {
        let _ = writeln!(self.0, "\u{1b}[1m{word}\u{1b}[0m  {file}");
        if let Some(detail) = detail {
            self.line("Reason", detail);
        }
    }

    /// A labelled line; longer text is wrapped under its beginning.
    pub(super) fn line(&mut self, label: &str, text: &str) {
        let mut label = label;
        let mut rest = text;
        while !rest.is_empty() {
            let (head, tail) = wrap(rest, BLOCK_COLUMNS - LABEL_COLUMNS);
            let _ = writeln!(self.0, "  {label:<width$}{head}", width = LABEL_COLUMNS - 2);
            (label, rest) = ("", tail);
        }
    }
}

/// Splits `text` at the last space that keeps the head within `columns`; a word longer than that
/// stays whole.
fn wrap(text: &str, columns: usize) -> (&str, &str) {
    let Some((limit, _)) = text.char_indices().nth(columns) else {
        return (text, "");
    };
    let space = text[..limit]
        .rfind(' ')
        .or_else(|| text[limit..].find(' ').map(|at| at + limit));
    match space {
        Some(at) => (text[..at].trim_end(), text[at..].trim_start()),
        None => (text, ""),
    }
}

fn solved(block: &mut Block, record: &Record) {
    block.verdict("SOLVED", &record.file, None);
    pointing(block, record);
    if let Some(centre) = &record.centre {
        block.line(
            "Centre",
            &format!(
                "{}  {}  ({:.5} {:+.5})  ICRS, +-{}",
                centre.ra,
                centre.dec,
                centre.ra_deg,
                centre.dec_deg,
                small_angle(centre.uncertainty_arcsec / 3600.0)
            ),
        );
    }
    if let Some(of_date) = &record.centre_of_date {
        block.line(
            "Of date",
            &format!(
                "{}  {}  ({:.5} {:+.5})",
                of_date.ra, of_date.dec, of_date.ra_deg, of_date.dec_deg
            ),
        );
        block.line("Taken", &format!("{} (mid-exposure)", of_date.time_utc));
    }
    super::guide_text::guide(block, record);
    field(block, record);
    if let Some(objects) = record.objects.as_deref().and_then(in_words) {
        block.line("Shows", &objects);
    }
    stars(block, record);
    quality(block, record);
    if let Some(log10_chance) = record.log10_chance_of_false_match {
        block.line("Certainty", &chance_words(log10_chance));
    }
    took(block, record);
}

/// What the mount is off by and the move that mends it: what most people look for first.
fn pointing(block: &mut Block, record: &Record) {
    let Some(commanded) = &record.commanded else {
        return;
    };
    if let Some(error) = &record.pointing_error {
        block.line(
            "Pointing",
            &format!(
                "{} {} of where it should be",
                small_angle(error.separation_arcmin / 60.0),
                compass_word(error.position_angle_deg)
            ),
        );
        block.line(
            "To mend it",
            &mending(error.east_arcmin, error.north_arcmin),
        );
    }
    let equinox = match (commanded.equinox, commanded.equinox_assumed) {
        (Equinox::J2000, false) => "J2000",
        (Equinox::J2000, true) => "J2000?",
        (Equinox::Date, _) => "of date",
    };
    let origin = match (commanded.from, &commanded.name) {
        (Origin::Option, Some(name)) => name,
        (Origin::Option, None) => "--at",
        (Origin::Header, _) => "header",
    };
    block.line(
        "Commanded",
        &format!(
            "{}  {}  ({:.5} {:+.5})  {equinox}, {origin}",
            format_ra(commanded.ra_deg),
            format_dec(commanded.dec_deg),
            commanded.ra_deg,
            commanded.dec_deg
        ),
    );
}

fn field(block: &mut Block, record: &Record) {
    if let (Some(scale), Some([width, height])) = (record.scale_arcsec_per_px, record.field_deg) {
        block.line(
            "Field",
            &format!(
                "{} x {}, {} arcsec per pixel",
                size(width),
                size(height),
                three_decimals(scale)
            ),
        );
    }
    if let (Some(rotation), Some(mirrored)) = (record.rotation_deg, record.mirrored) {
        let mirror = match mirrored {
            true => "mirrored (east clockwise from north)",
            false => "not mirrored",
        };
        block.line(
            "Rotation",
            &format!("up is {rotation:.2} deg from north through east, {mirror}"),
        );
    }
}

fn stars(block: &mut Block, record: &Record) {
    let stars = &record.stars;
    let mut text = match (stars.detected, stars.matched) {
        (Some(detected), Some(matched)) if record.status == FrameStatus::Solved => {
            format!("{matched} matched of {detected} found")
        }
        (Some(detected), _) => format!("{detected} found"),
        _ => return,
    };
    if let (Some(px), Some(arcsec)) = (stars.rms_px, stars.rms_arcsec) {
        let _ = write!(text, ", rms {px:.2} px ({arcsec} arcsec)");
    }
    if let Some(fwhm_px) = stars.fwhm_px {
        let _ = write!(text, ", {fwhm_px:.1} px wide");
    }
    block.line("Stars", &text);
}

/// From this elongation on its direction means something.
const OBLONG: f64 = 1.1;
/// Less than this rounds to 0.00 %.
const LEAST_SHARE: f64 = 0.000_05;

/// What focus, guiding and sky are judged by.
fn quality(block: &mut Block, record: &Record) {
    let Some(quality) = &record.quality else {
        return;
    };
    if let (Some(hfd_px), Some(fwhm_px), Some(elongation), Some(angle)) = (
        quality.hfd_px,
        quality.fwhm_px,
        quality.elongation,
        quality.elongation_angle_deg,
    ) {
        let on_sky = |arcsec: Option<f64>| match arcsec {
            Some(arcsec) => format!(" ({})", small_angle(arcsec / 3600.0)),
            None => String::new(),
        };
        let mut text = format!(
            "HFD {hfd_px:.2} px{}, FWHM {fwhm_px:.2} px{}, {elongation:.2} times as long as wide",
            on_sky(quality.hfd_arcsec),
            on_sky(quality.fwhm_arcsec)
        );
        if elongation >= OBLONG {
            let _ = write!(text, " at {angle:.0} deg");
        }
        block.line("Star shape", &text);
    }
    if let Some(trend) = &quality.trend {
        block.line(
            "Over frame",
            &format!(
                "HFD tilt {:.2} +- {:.2} px, corners {:+.2} px from the centre",
                trend.tilt_px, trend.tilt_error_px, trend.curvature_px
            ),
        );
    }
    let mut sky = format!("level {}, noise {}", quality.sky_level, quality.sky_noise);
    if let Some(magnitude) = quality.limiting_magnitude {
        let _ = write!(sky, ", stars to magnitude {magnitude:.1}");
    }
    if quality.saturated_share >= LEAST_SHARE {
        let _ = write!(sky, ", {:.2} % saturated", 100.0 * quality.saturated_share);
    }
    block.line("Sky", &sky);
}

fn took(block: &mut Block, record: &Record) {
    let times = &record.elapsed_ms;
    let Some(total) = times.total else {
        return;
    };
    let parts: Vec<String> = [
        ("read", times.read),
        ("stars", times.detect),
        ("match", times.matching),
        ("fit", times.fit),
        ("quality", times.judge),
    ]
    .into_iter()
    .filter_map(|(name, ms)| Some(format!("{name} {:.0} ms", ms?)))
    .collect();
    block.line(
        "Took",
        &format!("{:.2} s ({})", total / 1000.0, parts.join(", ")),
    );
}

fn unsolved(block: &mut Block, record: &Record) {
    block.verdict("NOT SOLVED", &record.file, record.reason.as_deref());
    if let Some(diagnosis) = &record.diagnosis {
        block.line("Why", &diagnosis.sentence);
        for step in &diagnosis.next {
            block.line("Next", step);
        }
    }
    stars(block, record);
    quality(block, record);
    let tried = record.search.candidates.unwrap_or(0);
    // Without a pattern of stars there was nothing to search with.
    if let (Some(order), Some(radius)) = (record.search.order, record.search.radius_deg)
        && record.search.cells != Some(0)
    {
        let place = match (order, radius) {
            ("spiral", radius) if radius < 179.9 => {
                format!("out to {radius:.1} deg from the commanded position")
            }
            _ => "the whole sky".into(),
        };
        block.line(
            "Searched",
            &format!("{place}; {tried} places looked at closely"),
        );
    }
    if let Some(commanded) = &record.commanded {
        block.line(
            "From",
            &format!(
                "{}  {}",
                format_ra(commanded.ra_deg),
                format_dec(commanded.dec_deg)
            ),
        );
    }
    took(block, record);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wraps_at_spaces_and_never_inside_a_word() {
        assert_eq!(wrap("short", 10), ("short", ""));
        assert_eq!(wrap("one two three", 8), ("one two", "three"));
        assert_eq!(wrap("unbreakable", 4), ("unbreakable", ""));
        assert_eq!(wrap("unbreakable word", 4), ("unbreakable", "word"));
        assert_eq!(wrap("äöü äöü", 5), ("äöü", "äöü"));
    }
}
