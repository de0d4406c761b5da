//! Positions that a header claims: the telescope's, the object's, an existing WCS.

use super::{EquinoxClue, PositionClue};
use crate::angle::{Angle, AngleUnit, parse_angle};
use crate::frame::fits::card::{Card, Header};
use crate::sphere::{angle_between, sky_to_vector, vector_to_sky};
use crate::wcs::Wcs;

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

/// Two statements of one position differ by less: of date or J2000, object or centre of the
/// frame.
const SAME_DEG: f64 = 1.0;

/// The readings of one statement, likeliest first.
struct Statement {
    readings: Vec<PositionClue>,
    /// Both numbers are 0, as where nobody set them.
    unset: bool,
}

/// Every claimed position: first the likeliest reading of each pair, then an existing WCS, then
/// the other readings. Which reading of a pair is likeliest, the other statements help to decide.
pub(crate) fn positions(
    header: &Header,
    wcs: Option<&(Wcs, [f64; 2])>,
    year: Option<f64>,
    remarks: &mut Vec<String>,
) -> Vec<PositionClue> {
    let mut statements: Vec<Statement> = PAIRS
        .iter()
        .filter_map(|pair| statement(header, *pair, year, remarks))
        .collect();
    statements.extend(wcs.map(|(_, centre)| Statement {
        readings: vec![wcs_clue(header, *centre, year)],
        unset: false,
    }));
    choose_what_agrees(&mut statements, remarks);
    remarks.extend(contradiction(&statements));
    let (mut likely, mut unlikely) = (Vec::new(), Vec::new());
    for statement in statements {
        let mut readings = statement.readings.into_iter();
        if !statement.unset {
            likely.extend(readings.next());
        }
        unlikely.extend(readings);
    }
    likely.extend(unlikely);
    likely
}

/// What a pair of keywords states; `None` where one is missing or not understood.
fn statement(
    header: &Header,
    (ra_name, dec_name): (&str, &str),
    year: Option<f64>,
    remarks: &mut Vec<String>,
) -> Option<Statement> {
    let (ra, dec) = (header.card(ra_name)?, header.card(dec_name)?);
    let mut not_understood = |name: &str, card: &Card| {
        remarks.push(format!(
            "{name} '{}' was not understood",
            card.value.to_text()
        ));
    };
    let Some(dec_deg) = declination_deg(dec) else {
        not_understood(dec_name, dec);
        return None;
    };
    let readings = right_ascensions_deg(ra);
    let Some(first) = readings.first() else {
        not_understood(ra_name, ra);
        return None;
    };
    let unset = *first == (0.0, "degrees") && dec_deg == 0.0;
    if unset {
        remarks.push(format!(
            "{ra_name} and {dec_name} are both 0: probably never set"
        ));
    }
    let clue = |(rank, (ra_deg, unit)): (usize, (f64, &str))| {
        let mut source = format!("{ra_name}/{dec_name}");
        if rank > 0 {
            source = format!("{source} read in {unit}");
        }
        in_equinox(header, [ra, dec], [ra_deg, dec_deg], year, source)
    };
    Some(Statement {
        readings: readings.into_iter().enumerate().map(clue).collect(),
        unset,
    })
}

fn apart_deg(a: &PositionClue, b: &PositionClue) -> f64 {
    let [a, b] = [a, b].map(|clue| sky_to_vector(clue.ra_deg, clue.dec_deg));
    angle_between(a, b).to_degrees()
}

/// Where the likeliest reading of a pair agrees with no other statement and its second one does,
/// the second becomes the likeliest: a bare `RA = 5.5` beside `OBJCTRA = '05 30 00'` counts hours.
fn choose_what_agrees(statements: &mut [Statement], remarks: &mut Vec<String>) {
    let firsts: Vec<Option<PositionClue>> = statements
        .iter()
        .map(|s| s.readings.first().filter(|_| !s.unset).cloned())
        .collect();
    for (number, statement) in statements.iter_mut().enumerate() {
        let agrees = |reading: &PositionClue| {
            let others = firsts.iter().enumerate().filter(|(i, _)| *i != number);
            others
                .filter_map(|(_, first)| first.as_ref())
                .any(|first| apart_deg(first, reading) < SAME_DEG)
        };
        if let [first, second, ..] = statement.readings.as_mut_slice()
            && !statement.unset
            && !agrees(first)
            && agrees(second)
        {
            remarks.push(format!(
                "{} agrees with what else the header states, and is preferred",
                second.source
            ));
            std::mem::swap(first, second);
        }
    }
}

/// The first statement beside the one that lies farthest from it.
fn contradiction(statements: &[Statement]) -> Option<String> {
    let mut firsts = statements
        .iter()
        .filter(|s| !s.unset)
        .filter_map(|s| s.readings.first());
    let first = firsts.next()?;
    let farthest = firsts.max_by(|a, b| apart_deg(first, a).total_cmp(&apart_deg(first, b)))?;
    let apart_deg = apart_deg(first, farthest);
    (apart_deg > SAME_DEG).then(|| {
        format!(
            "the header contradicts itself: {} and {} are {apart_deg:.1} deg apart",
            first.source, farthest.source
        )
    })
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
