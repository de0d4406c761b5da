//! What the frame says of itself, without what tells who took it, where and with what.
//!
//! Only what is listed here goes out: keywords of FITS 4.0 and of common practice that say how the
//! pixels are stored, when they were exposed, for how long, through which focal length, and where the
//! camera was thought to point. Local time, hour angle and altitude would tell the site.

use crate::Deadline;
use crate::frame::budget::Budget;
use crate::frame::fits::{self, card::Header};
use crate::frame::open::Format;
use crate::frame::source::Source;
use crate::frame::{Clues, FrameFile};
use std::fmt::Write;

/// Keywords that go out as they are.
const WHOLE: [&str; 58] = [
    "SIMPLE", "XTENSION", "BITPIX", "NAXIS", "EXTEND", "PCOUNT", "GCOUNT", "BZERO", "BSCALE",
    "BLANK", "DATE-OBS", "DATE-BEG", "DATE-AVG", "DATE-END", "MJD-OBS", "TIMESYS", "EXPTIME",
    "EXPOSURE", "GAIN", "OFFSET", "EGAIN", "CCD-TEMP", "XPIXSZ", "YPIXSZ", "PIXSIZE1", "PIXSIZE2",
    "XBINNING", "YBINNING", "CCDXBIN", "CCDYBIN", "FOCALLEN", "FOCAL", "APTDIA", "FOCRATIO",
    "SCALE", "SECPIX", "PIXSCALE", "RA", "DEC", "OBJCTRA", "OBJCTDEC", "EQUINOX", "EPOCH",
    "RADESYS", "RADECSYS", "BAYERPAT", "CFAPAT", "COLORTYP", "XBAYROFF", "YBAYROFF", "ROWORDER",
    "IMAGETYP", "ZIMAGE", "ZCMPTYPE", "ZBITPIX", "ZNAXIS", "ZQUANTIZ", "ZDITHER0",
];

/// Keywords that go out with digits and underscores behind them.
const NUMBERED: [&str; 19] = [
    "NAXIS", "ZNAXIS", "ZTILE", "ZNAME", "ZVAL", "TFORM", "TTYPE", "CTYPE", "CRPIX", "CRVAL",
    "CDELT", "CROTA", "CUNIT", "CD", "PC", "A_", "B_", "AP_", "BP_",
];

/// The header of a FITS file, listed; `None` for any other.
pub(super) fn of_file(file: &FrameFile) -> Option<String> {
    let (format, bytes) = file.recognised().ok()?;
    let budget = Budget::new(file.identity().bytes, Deadline::NONE);
    let source = match format {
        Format::Fits => Source::plain(bytes, budget),
        Format::Gzip | Format::Bzip2 => Source::packed(bytes, budget, format),
        _ => return None,
    };
    fits::header(&source).ok().map(|header| listed(&header))
}

fn listed(header: &Header) -> String {
    let mut text = String::new();
    let mut left_out = 0;
    for card in header.cards() {
        if goes_out(&card.keyword) {
            let _ = writeln!(text, "{:<8} = {}", card.keyword, card.value.to_text());
        } else {
            left_out += 1;
        }
    }
    let _ = writeln!(text, "\n{left_out} other keywords are left out.");
    text
}

fn goes_out(keyword: &str) -> bool {
    let is_number =
        |rest: &str| !rest.is_empty() && rest.bytes().all(|b| b.is_ascii_digit() || b == b'_');
    let numbered = |name: &&str| keyword.strip_prefix(*name).is_some_and(is_number);
    WHOLE.contains(&keyword) || NUMBERED.iter().any(numbered)
}

/// What was made of the metadata, in any format.
pub(super) fn claims(clues: &Clues) -> String {
    let mut text = String::new();
    for position in &clues.positions {
        let _ = writeln!(
            text,
            "position {:.6} {:+.6} deg, {:?}, from {}",
            position.ra_deg, position.dec_deg, position.equinox, position.source
        );
    }
    for scale in &clues.scales {
        let _ = writeln!(
            text,
            "scale {} arcsec/px, from {}",
            scale.arcsec_per_px, scale.source
        );
    }
    for (what, unit, value) in [
        ("focal length", "mm", clues.focal_length_mm),
        ("pixel size", "um", clues.pixel_size_um),
        ("middle of the exposure", "JD UTC", clues.mid_jd_utc),
        ("exposure", "s", clues.exposure_s),
    ] {
        if let Some(value) = value {
            let _ = writeln!(text, "{what} {value} {unit}");
        }
    }
    let site = if clues.site.is_some() {
        "stated"
    } else {
        "not stated"
    };
    let _ = writeln!(text, "site {site}");
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_listed_goes_out() {
        let cards = [
            "BITPIX  =                   16",
            "CD1_2   = 0.00027 / written by A. Person",
            "A_0_2   = 1.0E-06",
            "DATE-OBS= '2025-11-18T22:10:00'",
            "DATE-LOC= '2025-11-18T23:10:00'",
            "OBSERVER= 'A. Person'",
            "SITELAT = '+47 30 00'",
            "LST     = '01 02 03'",
            "CENTALT = 45.2",
            "CDELTA  = 'A. Person'",
            "PCOUNTRY= 'Far Away'",
            "TELESCOP= 'Heron'",
        ];
        let bytes: String = cards.iter().map(|card| format!("{card:<80}")).collect();
        let text = listed(&Header::parse(bytes.as_bytes()));
        let keywords: Vec<&str> = text
            .lines()
            .filter_map(|l| l.split_once(" ="))
            .map(|(k, _)| k.trim())
            .collect();
        assert_eq!(keywords, ["BITPIX", "CD1_2", "A_0_2", "DATE-OBS"]);
        assert!(!text.contains("Person"), "{text}");
        assert!(text.ends_with("8 other keywords are left out.\n"), "{text}");
    }
}
