//! Positions that a header claims: the telescope's, the object's, an existing WCS.

use super::{EquinoxClue, PositionClue};
use crate::angle::{Angle, AngleUnit, parse_angle};
use crate::fit::wcs::Wcs;
use crate::frame::fits::card::{Card, Header};
use crate::sphere::{sky_to_vector, vector_to_sky};

/// Pairs of keywords, those that name the telescope's own position first.
const PAIRS: [(&str, &str); 14] = [
    ("RA", "DEC"),
    ("OBJCTRA", "OBJCTDEC"),
    ("TELRA", "TELDEC"),
    ("RA-TEL", "DEC-TEL"),
    ("RA_TEL", "DEC_TEL"),
    ("RA-MNT", "DEC-MNT"),
    ("RA_MNT", "DEC_MNT"),
    ("RA_PNT", "DEC_PNT"),
    ("RA-PNT", "DEC-PNT"),
    ("RA_DEG", "DEC_DEG"),
    ("RA_TARG", "DEC_TARG"),
    ("RA_OBJ", "DEC_OBJ"),
    ("CAT-RA", "CAT-DEC"),
    ("OBJRA", "OBJDEC"),
];

/// Every claimed position: first the likeliest reading of each pair, then an existing WCS, then
/// the other readings.
pub(crate) fn positions(
    header: &Header,
    wcs: Option<&(Wcs, [f64; 2])>,
    year: Option<f64>,
    remarks: &mut Vec<String>,
) -> Vec<PositionClue> {
    let (mut likely, mut unlikely) = (Vec::new(), Vec::new());
    for (ra_name, dec_name) in PAIRS {
        let (Some(ra), Some(dec)) = (header.card(ra_name), header.card(dec_name)) else {
            continue;
        };
        let Some(dec_deg) = declination_deg(dec) else {
            remarks.push(format!(
                "{dec_name} '{}' was not understood",
                dec.value.to_text()
            ));
            continue;
        };
        let readings = right_ascensions_deg(ra);
        if readings.is_empty() {
            remarks.push(format!(
                "{ra_name} '{}' was not understood",
                ra.value.to_text()
            ));
        }
        let unset = readings.first() == Some(&(0.0, "degrees")) && dec_deg == 0.0;
        if unset {
            remarks.push(format!(
                "{ra_name} and {dec_name} are both 0: probably never set"
            ));
        }
        for (rank, (ra_deg, unit)) in readings.into_iter().enumerate() {
            let mut source = format!("{ra_name}/{dec_name}");
            if rank > 0 {
                source = format!("{source} read in {unit}");
            }
            let clue = in_equinox(header, [ra, dec], [ra_deg, dec_deg], year, source);
            let list = if rank > 0 || unset {
                &mut unlikely
            } else {
                &mut likely
            };
            list.push(clue);
        }
    }
    likely.extend(wcs.map(|(_, centre)| wcs_clue(header, *centre, year)));
    likely.extend(unlikely);
    likely
}

fn wcs_clue(header: &Header, centre: [f64; 2], year: Option<f64>) -> PositionClue {
    let source = "CRVAL, at the frame's centre".to_owned();
    let mut clue = in_equinox(header, [], centre, year, source);
    // FITS 4.0, section 8.3: without EQUINOX or RADESYS a WCS is ICRS.
    if clue.equinox == EquinoxClue::Unstated {
        clue.equinox = EquinoxClue::J2000;
    }
    clue
}

fn declination_deg(card: &Card) -> Option<f64> {
    let angle = read_angle(card)?;
    let deg = match angle.unit {
        AngleUnit::Hours => return None,
        AngleUnit::Radians => angle.value.to_degrees(),
        _ => angle.value,
    };
    (-90.0..=90.0).contains(&deg).then_some(deg)
}

/// Readings of a right ascension in degrees, likeliest first, each with the unit assumed.
///
/// Sexagesimal text counts hours, a bare number degrees (FITS 4.0, section 9.3 keeps celestial
/// keywords in degrees); below 24 the other may be meant. OBJCTRA is by custom given in hours.
fn right_ascensions_deg(card: &Card) -> Vec<(f64, &'static str)> {
    let Some(angle) = read_angle(card) else {
        return Vec::new();
    };
    let turn = |deg: f64| {
        (-180.0..=360.0)
            .contains(&deg)
            .then(|| deg.rem_euclid(360.0) % 360.0)
    };
    let as_degrees = turn(angle.value).map(|deg| (deg, "degrees"));
    let as_hours = turn(angle.value * 15.0)
        .filter(|_| angle.value >= 0.0)
        .map(|deg| (deg, "hours"));
    let both = match angle.unit {
        AngleUnit::Radians => [
            turn(angle.value.to_degrees()).map(|deg| (deg, "radians")),
            None,
        ],
        AngleUnit::Hours => [as_hours, None],
        AngleUnit::Degrees => [as_degrees, None],
        AngleUnit::Unstated if angle.sexagesimal || card.keyword == "OBJCTRA" => {
            [as_hours, as_degrees]
        }
        AngleUnit::Unstated => [as_degrees, as_hours],
    };
    both.into_iter().flatten().collect()
}

/// The angle of a card; its comment may name the unit of a bare number.
pub(crate) fn read_angle(card: &Card) -> Option<Angle> {
    let mut angle = match card.value.as_f64() {
        Some(value) => Angle {
            value,
            sexagesimal: false,
            unit: AngleUnit::Unstated,
        },
        None => parse_angle(&card.value.to_text())?,
    };
    if angle.unit == AngleUnit::Unstated && !angle.sexagesimal {
        let comment = card.comment.to_ascii_lowercase();
        let says = |words: &[&str]| words.iter().any(|w| comment.contains(w));
        angle.unit = if says(&["deg"]) {
            AngleUnit::Degrees
        } else if says(&["hour]", "[h]", "[hr]", "hours", "(h)", "decimal hour"]) {
            AngleUnit::Hours
        } else if says(&["radian", "[rad]", "(rad)"]) {
            AngleUnit::Radians
        } else {
            AngleUnit::Unstated
        };
    }
    Some(angle)
}

/// What the header says about the equinox.
enum Stated {
    Nothing,
    OfDate,
    Year(f64),
}

fn stated_equinox<'a>(header: &Header, cards: impl IntoIterator<Item = &'a Card>) -> Stated {
    let mut by_comment = None;
    for card in cards {
        let comment = card.comment.to_ascii_uppercase();
        let says = |words: &[&str]| words.iter().any(|w| comment.contains(w));
        if says(&["J2000", "ICRS", "2000.0"]) {
            by_comment = Some(Stated::Year(2000.0));
        } else if says(&["JNOW", "OF DATE", "APPARENT", "TOPOCENTRIC"]) {
            by_comment = Some(Stated::OfDate);
        }
    }
    if let Some(stated) = by_comment {
        return stated;
    }
    if let Some(value) = header.get("EQUINOX") {
        let text = value.to_text().to_ascii_uppercase();
        let year = text.trim_start_matches(['J', 'B']).trim().parse().ok();
        if let Some(year) = year.filter(|y| (1800.0..2200.0).contains(y)) {
            return Stated::Year(year);
        }
        if ["NOW", "DATE", "APP", "TOPO"]
            .iter()
            .any(|word| text.contains(word))
        {
            return Stated::OfDate;
        }
    }
    let frame = header.text("RADESYS").or_else(|| header.text("RADECSYS"));
    match frame.map(str::to_ascii_uppercase).as_deref() {
        Some("ICRS" | "FK5") => return Stated::Year(2000.0),
        Some("FK4" | "FK4-NO-E") => return Stated::Year(1950.0),
        Some("GAPPT") => return Stated::OfDate,
        _ => {}
    }
    // EPOCH once meant the equinox; where it is another year, it dates the exposure.
    match header.number("EPOCH") {
        Some(year) if year == 1950.0 || year == 2000.0 => Stated::Year(year),
        _ => Stated::Nothing,
    }
}

/// A clue in the equinox that the header states. Other mean equinoxes than J2000 are precessed
/// to it; one of the year of exposure is 'of date'.
fn in_equinox<'a>(
    header: &Header,
    cards: impl IntoIterator<Item = &'a Card>,
    [ra_deg, dec_deg]: [f64; 2],
    year: Option<f64>,
    source: String,
) -> PositionClue {
    let clue = |position: [f64; 2], equinox, source| PositionClue {
        ra_deg: position[0],
        dec_deg: position[1],
        equinox,
        source,
    };
    match stated_equinox(header, cards) {
        Stated::Nothing => clue([ra_deg, dec_deg], EquinoxClue::Unstated, source),
        Stated::OfDate => clue([ra_deg, dec_deg], EquinoxClue::Date, source),
        // A tenth of a year of precession is 5 arcsec.
        Stated::Year(e) if (e - 2000.0).abs() < 0.1 => {
            clue([ra_deg, dec_deg], EquinoxClue::J2000, source)
        }
        Stated::Year(e) if year.is_some_and(|year| (e - year).abs() < 1.1) => {
            clue([ra_deg, dec_deg], EquinoxClue::Date, source)
        }
        Stated::Year(e) => clue(
            precess_to_j2000(ra_deg, dec_deg, e),
            EquinoxClue::J2000,
            format!("{source}, precessed from equinox {e}"),
        ),
    }
}

/// Mean place of equinox `year` to J2000: IAU 1976 precession (Lieske 1979), good to an
/// arcsecond here, since FK4's own differences are smaller than any pointing.
fn precess_to_j2000(ra_deg: f64, dec_deg: f64, year: f64) -> [f64; 2] {
    let mut matrix = [0.0; 9];
    let days = (year - 2000.0) * 365.25;
    erfars::precnutpolar::Pmat76(2_451_545.0, days, &mut matrix);
    let v = sky_to_vector(ra_deg, dec_deg);
    // The matrix leads from J2000 to the date: its transpose leads back.
    let column = |i: usize| matrix[i] * v[0] + matrix[i + 3] * v[1] + matrix[i + 6] * v[2];
    vector_to_sky([column(0), column(1), column(2)])
}
