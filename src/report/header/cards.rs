//! Cards: the new ones, and which old ones would contradict them.

pub(super) use crate::frame::fits::card::CARD_BYTES;
pub use crate::frame::fits::card::{Card, Value};
use crate::wcs::{Sip, Wcs};

/// One card as it stands in the file.
pub(super) type RawCard = [u8; CARD_BYTES];

impl Card {
    /// A card to be written: a keyword of at most eight of `A-Z 0-9 - _`, its value, and what it
    /// means. Text and comment are cut off where the card ends.
    pub fn new(keyword: &str, value: impl Into<Value>, comment: &str) -> Card {
        Card {
            keyword: keyword.to_owned(),
            value: value.into(),
            comment: comment.to_owned(),
        }
    }

    /// The 80 bytes of the card in fixed format (FITS 4.0, section 4.2). `None` where keyword or
    /// value cannot stand in a header.
    pub(super) fn to_bytes(&self) -> Option<RawCard> {
        let legal = |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit() || b"-_".contains(&b);
        if self.keyword.is_empty() || self.keyword.len() > 8 || !self.keyword.bytes().all(legal) {
            return None;
        }
        let printable = |text: &str| -> String {
            text.chars()
                .map(|c| if (' '..='~').contains(&c) { c } else { '?' })
                .collect()
        };
        let value = match &self.value {
            Value::Text(text) => {
                let mut text = printable(text);
                // 68 characters lie between the quotes of a full card.
                while text.replace('\'', "''").len() > 68 {
                    text.pop();
                }
                format!("{:<20}", format!("'{:<8}'", text.replace('\'', "''")))
            }
            Value::Logical(flag) => format!("{:>20}", if *flag { "T" } else { "F" }),
            Value::Integer(i) => format!("{i:>20}"),
            Value::Real(r) => format!("{:>20}", real(*r)?),
        };
        let mut card = format!("{:<8}= {value}", self.keyword);
        if !self.comment.is_empty() {
            card = format!("{card} / {}", printable(&self.comment));
        }
        let mut bytes = [b' '; CARD_BYTES];
        for (to, from) in bytes.iter_mut().zip(card.bytes()) {
            *to = from;
        }
        Some(bytes)
    }
}

/// The shortest text that gives back the same number, with a point and a capital E.
fn real(value: f64) -> Option<String> {
    if !value.is_finite() {
        return None;
    }
    let plain = format!("{value:?}");
    if !plain.contains(['e', 'E']) && plain.len() <= 20 {
        return Some(plain);
    }
    let text = format!("{value:E}");
    Some(match text.split_once('E') {
        Some((digits, exponent)) if !digits.contains('.') => format!("{digits}.0E{exponent}"),
        _ => text,
    })
}

/// The cards of `wcs` for an image of `axes` axes, in the order in which they are written.
///
/// Axes behind the second keep what `old` says of them: their type, unit, reference and step.
/// Without that they are numbered from 1.
pub(super) fn wcs_cards(wcs: &Wcs, axes: usize, old: &[RawCard]) -> Vec<Card> {
    let suffix = if wcs.sip.is_some() { "-SIP" } else { "" };
    let [ra, dec] =
        ["RA---", "DEC--"].map(|axis| format!("{axis}{}{suffix}", wcs.projection.code()));
    let name = wcs.projection.name();
    let pixel = "reference pixel, first pixel = 1";
    let mut cards = vec![
        Card::new("WCSAXES", axes.max(2) as i64, "number of axes described"),
        Card::new(
            "CTYPE1",
            &*ra,
            &format!("right ascension, {name} projection"),
        ),
        Card::new("CTYPE2", &*dec, &format!("declination, {name} projection")),
        Card::new("CUNIT1", "deg", ""),
        Card::new("CUNIT2", "deg", ""),
        Card::new("CRPIX1", wcs.crpix[0], pixel),
        Card::new("CRPIX2", wcs.crpix[1], pixel),
        Card::new("CRVAL1", wcs.crval[0], "[deg] right ascension there"),
        Card::new("CRVAL2", wcs.crval[1], "[deg] declination there"),
        Card::new("CD1_1", wcs.cd[0][0], "[deg/pixel]"),
        Card::new("CD1_2", wcs.cd[0][1], "[deg/pixel]"),
        Card::new("CD2_1", wcs.cd[1][0], "[deg/pixel]"),
        Card::new("CD2_2", wcs.cd[1][1], "[deg/pixel]"),
    ];
    cards.extend((3..=axes).flat_map(|axis| further_axis(axis, old)));
    cards.push(Card::new("RADESYS", "ICRS", "frame of the position"));
    cards.push(Card::new("EQUINOX", 2000.0, "equinox of the position"));
    cards.extend(wcs.sip.iter().flat_map(sip_cards));
    cards
}

fn sip_cards(sip: &Sip) -> Vec<Card> {
    let mut cards = Vec::new();
    for (name, order, terms) in [
        ("A", sip.order, &sip.a),
        ("B", sip.order, &sip.b),
        ("AP", sip.inverse_order, &sip.ap),
        ("BP", sip.inverse_order, &sip.bp),
    ] {
        let keyword = format!("{name}_ORDER");
        cards.push(Card::new(
            &keyword,
            order as i64,
            "order of the SIP polynomial",
        ));
        let term = |&(p, q, value): &(_, _, f64)| Card::new(&format!("{name}_{p}_{q}"), value, "");
        cards.extend(terms.iter().map(term));
    }
    cards
}

fn further_axis(axis: usize, old: &[RawCard]) -> Vec<Card> {
    let header = crate::frame::fits::card::Header::parse(old.as_flattened());
    let number = |name: &str| header.number(&format!("{name}{axis}"));
    let text = |name: &str| header.text(&format!("{name}{axis}"));
    let card = |name: &str, value: Value| Card::new(&format!("{name}{axis}"), value, "");
    let step = number(&format!("CD{axis}_")).or(number("CDELT"));
    let mut cards = vec![card("CTYPE", text("CTYPE").unwrap_or("LINEAR").into())];
    cards.extend(text("CUNIT").map(|unit| card("CUNIT", unit.into())));
    cards.extend([
        card("CRPIX", number("CRPIX").unwrap_or(1.0).into()),
        card("CRVAL", number("CRVAL").unwrap_or(1.0).into()),
        card(
            &format!("CD{axis}_"),
            step.filter(|s| *s != 0.0).unwrap_or(1.0).into(),
        ),
    ]);
    cards
}

/// True for a keyword that describes a world coordinate system, of whatever convention: the
/// standard's (with its alternates `A` to `Z`), its drafts', SIP and other distortions, the
/// polynomial of digitised plates. (XPIXELSZ and YPIXELSZ belong to that polynomial: WCSLIB as in
/// astropy 8.0.2 takes them for one and refuses the whole header, even when nothing else of it
/// is there.)
pub(super) fn contradicts(keyword: &str) -> bool {
    let keyword = keyword.to_ascii_uppercase();
    let one_of = |list: &[&str], text: &str| list.contains(&text);
    let whole = [
        "RADECSYS", "LONGPOLE", "A_ORDER", "B_ORDER", "AP_ORDER", "BP_ORDER", "A_DMAX", "B_DMAX",
        "AP_DMAX", "BP_DMAX", "PLTRAH", "PLTRAM", "PLTRAS", "PLTDECSN", "PLTDECD", "PLTDECM",
        "PLTDECS", "XPIXELSZ", "YPIXELSZ",
    ];
    if one_of(&whole, &keyword) {
        return true;
    }
    // What is left of the keyword once its numbers are `#`, and without the letter of an
    // alternate.
    let shape = shape(&keyword);
    let shape = shape.as_str();
    let base = match shape.as_bytes() {
        [.., last] if last.is_ascii_uppercase() => &shape[..shape.len() - 1],
        _ => shape,
    };
    let with_alternates = [
        "WCSAXES", "WCSNAME", "RADESYS", "EQUINOX", "LONPOLE", "LATPOLE", "CTYPE#", "CUNIT#",
        "CRVAL#", "CRPIX#", "CDELT#", "CROTA#", "CNAME#", "CRDER#", "CSYER#", "PC#_#", "CD#_#",
        "PV#_#", "PS#_#", "CPDIS#", "CQDIS#", "DP#", "DQ#", "CPERR#", "CQERR#", "DVERR",
    ];
    let plain = [
        "A_#_#", "B_#_#", "AP_#_#", "BP_#_#", "PC#", "CD#", "PV#", "WAT#_#", "AMDX#", "AMDY#",
        "PPO#", "CNPIX#", "AMDREX#", "AMDREY#", "D#IMDIS#", "D#IMARR#", "D#IMERR#", "PROJP#",
        "CROTA",
    ];
    one_of(&with_alternates, shape) || one_of(&with_alternates, base) || one_of(&plain, shape)
}

/// The keyword with each run of digits replaced by `#`.
fn shape(keyword: &str) -> String {
    let mut shape = String::new();
    for c in keyword.chars() {
        if !c.is_ascii_digit() {
            shape.push(c);
        } else if !shape.ends_with('#') {
            shape.push('#');
        }
    }
    shape
}

/// The keyword of a card.
pub(super) fn keyword(card: &[u8]) -> String {
    let name = card.get(..8).unwrap_or(card);
    // A dotted record keyword (`DP1.EXTVER`) has its name before the point.
    let text: String = name.iter().map(|&b| char::from(b)).collect();
    text.trim_end().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(card: &Card) -> String {
        card.to_bytes().map_or(String::new(), |b| {
            String::from_utf8_lossy(&b).trim_end().into()
        })
    }

    /// Layout of FITS 4.0, section 4.2: values right-aligned to column 30, text from column 11.
    #[test]
    fn fixed_format() {
        let real = |v| Card::new("CD1_1", Value::Real(v), "[deg/pixel]");
        assert_eq!(
            line(&real(-0.0014343438439979872)),
            "CD1_1   = -1.4343438439979872E-3 / [deg/pixel]"
        );
        assert_eq!(
            line(&real(1.5)),
            "CD1_1   =                  1.5 / [deg/pixel]"
        );
        assert_eq!(
            line(&real(1e-7)),
            "CD1_1   =               1.0E-7 / [deg/pixel]"
        );
        assert_eq!(real(f64::NAN).to_bytes(), None);
        let text = Card::new("OBJECT", Value::Text("Barnard's \u{2605}".into()), "");
        assert_eq!(line(&text), "OBJECT  = 'Barnard''s ?'");
        let logical = Card::new("EXTEND", Value::Logical(true), "c");
        assert_eq!(line(&logical), "EXTEND  =                    T / c");
        let too_long = Card::new("TOOLONGKEY", Value::Integer(1), "");
        assert_eq!(too_long.to_bytes(), None);
    }

    #[test]
    fn every_form_of_a_wcs_is_recognised() {
        for keyword in [
            "CRVAL1", "CRVAL2A", "ctype1", "CD1_1", "CD1_2Z", "PC1_1", "PC001002", "CDELT2",
            "CROTA2", "PV2_1", "PV1_10A", "A_ORDER", "A_0_2", "BP_1_1", "LONPOLE", "LATPOLEB",
            "LONGPOLE", "EQUINOX", "RADESYSA", "RADECSYS", "WCSAXES", "WCSNAMEP", "WAT1_001",
            "AMDX13", "AMDY1", "PPO3", "PLTRAH", "PLTDECSN", "CNPIX1", "CPDIS1", "DP1", "CUNIT1",
        ] {
            assert!(contradicts(keyword), "{keyword}");
        }
        for keyword in [
            "RA", "DEC", "OBJCTRA", "EPOCH", "PIXSCALE", "CDS", "CD-TEMP", "CCD-TEMP", "PCOUNT",
            "NAXIS1", "BITPIX", "PLTLABEL", "PLTSCALE", "DATE-OBS", "DPC", "LTM1_1", "COMMENT",
            "HISTORY", "", "PVT", "WATER", "ALTITUDE", "AIRMASS", "PSF1_1",
        ] {
            assert!(!contradicts(keyword), "{keyword}");
        }
    }
}
