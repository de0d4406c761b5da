//! Pixel scales that a header claims, and the sensor and optics behind them.

use super::ScaleClue;
use crate::frame::fits::card::{Card, Header, parse_number};
use crate::sphere::arcsec_per_px;
use crate::wcs::Wcs;

/// Scales that are believed: a large telescope's to an all-sky lens's.
const BELIEVED_ARCSEC: std::ops::RangeInclusive<f64> = 0.01..=3600.0;

/// Optics and sensor.
#[derive(Debug, Clone, Default)]
pub(crate) struct Optics {
    /// Focal length, mm.
    pub focal_length_mm: Option<f64>,
    /// Pixel size in the file, micrometres, as the header's customary meaning has it.
    pub pixel_size_um: Option<f64>,
    /// Binning along x, 1 where none is stated.
    pub binning: f64,
}

/// Reads focal length, pixel size and binning.
pub(crate) fn optics(header: &Header) -> Optics {
    // The first of these keywords with a length, in units of `unit_m` metres.
    let first = |names: &[&str], unit_m: f64, range: std::ops::RangeInclusive<f64>| {
        let (value, stated_m) = names
            .iter()
            .find_map(|name| with_unit(header.card(name)?))?;
        let value = value * stated_m.unwrap_or(unit_m) / unit_m;
        range.contains(&value).then_some(value)
    };
    let pixel_names = [
        "XPIXSZ",
        "PIXSIZE1",
        "XPIXELSZ",
        "PIXSIZE",
        "PIXELSZ",
        "XPIXSIZE",
        "PIXSZ",
        "PIXELSIZE",
    ];
    Optics {
        focal_length_mm: first(
            &["FOCALLEN", "FOCLEN", "FOCAL", "TELFOCAL"],
            1e-3,
            1.0..=100_000.0,
        ),
        pixel_size_um: first(&pixel_names, 1e-6, 0.3..=500.0),
        binning: ["XBINNING", "CCDXBIN", "BINX", "XBIN", "BINNING"]
            .iter()
            .find_map(|name| binning(header.card(name)?))
            .unwrap_or(1.0),
    }
}

/// The number of a card and its unit in metres, where value or comment name one: `250`,
/// `'250 mm'`, `0.25 / [m] focal length`.
fn with_unit(card: &Card) -> Option<(f64, Option<f64>)> {
    let comment = card.comment.to_ascii_lowercase();
    let says = |words: &[&str]| words.iter().any(|w| comment.contains(w));
    let by_comment = if says(&["milli", "[mm]", "(mm)"]) {
        Some(1e-3)
    } else if says(&["micro", "[um]", "(um)"]) {
        Some(1e-6)
    } else if says(&["meter", "metre", "[m]", "(m)"]) {
        Some(1.0)
    } else {
        None
    };
    if let Some(value) = card.value.as_f64() {
        return Some((value, by_comment));
    }
    let text = card.value.to_text().to_lowercase();
    let letters = text.find(char::is_alphabetic).or_else(|| text.find('µ'))?;
    let (number, unit) = text.split_at(letters);
    let unit_m = match unit.trim() {
        "m" => 1.0,
        "cm" => 1e-2,
        "mm" => 1e-3,
        "um" | "µm" | "μm" | "micron" | "microns" => 1e-6,
        _ => return None,
    };
    Some((parse_number(number)?, Some(unit_m)))
}

/// Binning along x: `2`, `'2x2'`.
fn binning(card: &Card) -> Option<f64> {
    let value = card.value.as_f64().or_else(|| {
        let text = card.value.to_text().to_ascii_lowercase();
        parse_number(text.split(['x', '*', ' ']).next()?)
    });
    value.filter(|b| (1.0..=32.0).contains(b))
}

/// Every claimed scale, likeliest first; where two statements agree in no reading, a remark.
pub(crate) fn scales(
    header: &Header,
    optics: &Optics,
    wcs: Option<&Wcs>,
    remarks: &mut Vec<String>,
) -> Vec<ScaleClue> {
    let mut scales: Vec<ScaleClue> = Vec::new();
    let mut add = |arcsec_per_px: f64, source: String| {
        if BELIEVED_ARCSEC.contains(&arcsec_per_px) {
            scales.push(ScaleClue {
                arcsec_per_px,
                source,
            });
        }
    };
    if let Some(wcs) = wcs {
        add(wcs_scale_arcsec(wcs), "the WCS".into());
    }
    let stated = [
        "PIXSCALE", "SECPIX", "SECPIX1", "IM_SCALE", "PIXSCAL1", "XPIXSCAL", "SCALE", "PIXSCAL",
        "IMSCALE",
    ];
    for name in stated {
        if let Some(value) = header.number(name) {
            add(value.abs(), name.into());
        }
    }
    if let (Some(plate), Some(pixel)) = (header.number("PLTSCALE"), optics.pixel_size_um) {
        add(plate * pixel / 1000.0, "PLTSCALE and the pixel size".into());
    }
    if let (Some(focal), Some(pixel)) = (optics.focal_length_mm, optics.pixel_size_um) {
        let scale = arcsec_per_px(pixel, focal);
        add(scale, "focal length and pixel size".into());
        // Custom has the pixel size include the binning, but not everybody's custom.
        if optics.binning > 1.0 {
            add(
                scale * optics.binning,
                "focal length, pixel size and binning".into(),
            );
        }
    }
    remarks.extend(contradiction(&scales));
    scales
}

/// How far two scales may lie apart that are meant to be the same: pixel sizes and focal lengths
/// are rounded, lenses breathe. Common practice.
pub(crate) const SAME_SCALE: f64 = 0.05;

/// The first scale beside one that agrees with none of the others.
fn contradiction(scales: &[ScaleClue]) -> Option<String> {
    let differ =
        |a: &ScaleClue, b: &ScaleClue| (a.arcsec_per_px / b.arcsec_per_px).ln().abs() > SAME_SCALE;
    let by_optics = |clue: &ScaleClue| clue.source.starts_with("focal length");
    let optics: Vec<&ScaleClue> = scales.iter().filter(|c| by_optics(c)).collect();
    let stated: Vec<&ScaleClue> = scales.iter().filter(|c| !by_optics(c)).collect();
    let first = *stated.first()?;
    let other = stated.iter().copied().find(|other| differ(first, other));
    // The readings of the optics are one statement: one that agrees is enough.
    let all_differ = optics.iter().all(|other| differ(first, other));
    let other = other.or(optics.first().copied().filter(|_| all_differ))?;
    Some(format!(
        "the header contradicts itself: {:.4} arcsec per pixel by {}, {:.4} by {}",
        first.arcsec_per_px, first.source, other.arcsec_per_px, other.source
    ))
}

fn wcs_scale_arcsec(wcs: &Wcs) -> f64 {
    let [[a, b], [c, d]] = wcs.cd;
    (a * d - b * c).abs().sqrt() * 3600.0
}
