//! Reads angles. The text is cut into numbers with their signs and units first; what the numbers
//! mean is decided afterwards.

use super::{AngleError, ParsedPosition, format_dec, format_ra};

/// What the leading number of an angle counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AngleUnit {
    /// The text does not say.
    Unstated,
    /// Hours, 15 degrees each.
    Hours,
    /// Degrees.
    Degrees,
    /// Radians.
    Radians,
}

/// One angle of a header.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Angle {
    /// In units of its leading number.
    pub value: f64,
    /// True where minutes were given apart.
    pub sexagesimal: bool,
    /// What the leading number counts.
    pub unit: AngleUnit,
}

/// One number of the text.
#[derive(Debug, Clone, Copy)]
struct Field {
    value: f64,
    /// The sign in front of it, true for minus.
    sign: Option<bool>,
    /// Digits behind a point.
    fractional: bool,
    /// `h`, `d`, `m`, `s` or `r` behind it.
    unit: Option<char>,
    /// A comma stands before it.
    after_comma: bool,
}

/// Most numbers that a position can have: three for each coordinate.
const MAX_FIELDS: usize = 6;

/// Reads a sky position: `05h34m31.9s +22d00m52s`, `5:34:31.9 +22:00:52`,
/// `05 34 31.9 +22 00 52` (the first number counts hours), or decimal degrees
/// `83.633 22.0145`. Commas between the coordinates, typographic minus signs and degree,
/// minute and second signs are understood.
///
/// # Errors
///
/// A sentence that says what was not understood or is out of range.
///
/// ```
/// let p = nightfix::angle::parse_position("5:34:31.9 +22:00:52")?;
/// assert!((p.ra_deg - 83.63291667).abs() < 1e-8);
/// # Ok::<(), nightfix::angle::AngleError>(())
/// ```
pub fn parse_position(text: &str) -> Result<ParsedPosition, AngleError> {
    let clean = normalise(text);
    let clean = ["right ascension", "declination", "ra", "dec", "α", "δ", "="]
        .iter()
        .fold(clean, |text, word| strip_word(&text, word));
    let read = |text: &str| position(&fields(text)?);
    let result = match decimal_commas(&clean) {
        Some(with_points) => read(&with_points).or_else(|_| read(&clean)),
        None => read(&clean),
    };
    result.map_err(|what| {
        AngleError(format!(
            "'{}' is no sky position: {what}; write it like '05h34m31.9s +22d00m52s' or, in \
             degrees, '83.633 22.0145'",
            text.trim()
        ))
    })
}

/// Reads one angle of a header; `None` for anything else. The range is not checked.
pub fn parse_angle(text: &str) -> Option<Angle> {
    let clean = normalise(text);
    let clean = decimal_commas_alone(&clean);
    let fields = fields(&clean).ok()?;
    let (value, unit) = group(&fields).ok()?;
    Some(Angle {
        value,
        sexagesimal: fields.len() > 1,
        unit,
    })
}

/// Lower case, plain signs, unit letters in place of unit signs.
fn normalise(text: &str) -> String {
    text.to_lowercase()
        .replace("''", "s")
        .chars()
        .map(|c| match c {
            '\u{2212}' | '\u{2010}'..='\u{2015}' | '\u{fe63}' | '\u{ff0d}' => '-',
            '\u{ff0b}' => '+',
            '°' | 'º' | '˚' => 'd',
            '\'' | '′' | '’' | '‘' | 'ʹ' | '´' => 'm',
            '"' | '″' | '”' | '“' | 'ʺ' => 's',
            ';' => ',',
            ':' => ' ',
            c if c.is_whitespace() => ' ',
            c => c,
        })
        .collect()
}

/// Blanks `word` where no letter touches it.
fn strip_word(text: &str, word: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find(word) {
        let (before, from) = rest.split_at(at);
        let after = &from[word.len()..];
        let letter_before = before.chars().next_back().is_some_and(char::is_alphabetic);
        let letter_after = after.chars().next().is_some_and(char::is_alphabetic);
        out.push_str(before);
        out.push_str(if letter_before || letter_after {
            word
        } else {
            " "
        });
        rest = after;
    }
    out + rest
}

/// The text with points for its commas, where these may be decimal commas: each between two
/// digits, no point anywhere, and blanks left to part the coordinates.
fn decimal_commas(text: &str) -> Option<String> {
    let bytes = text.trim().as_bytes();
    let digit = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_digit);
    let commas: Vec<usize> = (0..bytes.len()).filter(|&i| bytes[i] == b',').collect();
    let decimal = !commas.is_empty()
        && !bytes.contains(&b'.')
        && bytes.contains(&b' ')
        && commas
            .iter()
            .all(|&i| i > 0 && digit(i - 1) && digit(i + 1));
    decimal.then(|| text.replace(',', "."))
}

fn decimal_commas_alone(text: &str) -> String {
    if text.contains('.') {
        return text.to_owned();
    }
    text.replacen(',', ".", 1)
}

/// Cuts the text into numbers.
fn fields(text: &str) -> Result<Vec<Field>, String> {
    let mut fields: Vec<Field> = Vec::new();
    let (mut sign, mut comma) = (None, false);
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let mut taken = c.len_utf8();
        match c {
            ' ' => {}
            ',' if !comma && sign.is_none() && !fields.is_empty() => comma = true,
            '+' | '-' if sign.is_none() => sign = Some(c == '-'),
            '0'..='9' | '.' => {
                taken = run(rest, |c| c.is_ascii_digit() || c == '.');
                let number = &rest[..taken];
                // Hundreds of digits make an infinity.
                let value = number.parse().ok().filter(|v: &f64| v.is_finite());
                let value = value.ok_or_else(|| format!("'{number}' is no number"))?;
                fields.push(Field {
                    value,
                    sign: sign.take(),
                    fractional: number.contains('.'),
                    unit: None,
                    after_comma: std::mem::take(&mut comma),
                });
            }
            c if c.is_alphabetic() => {
                taken = run(rest, char::is_alphabetic);
                set_unit(fields.last_mut().filter(|_| sign.is_none()), &rest[..taken])?;
            }
            c => return Err(format!("'{c}' does not belong there")),
        }
        rest = &rest[taken..];
        if fields.len() > MAX_FIELDS {
            return Err("it has more than six numbers".into());
        }
    }
    if fields.is_empty() || comma || sign.is_some() {
        return Err("a number is missing".into());
    }
    Ok(fields)
}

fn run(text: &str, belongs: impl Fn(char) -> bool) -> usize {
    text.find(|c| !belongs(c)).unwrap_or(text.len())
}

fn set_unit(field: Option<&mut Field>, word: &str) -> Result<(), String> {
    let unit = match word {
        "h" | "hr" | "hrs" | "hour" | "hours" => 'h',
        "d" | "deg" | "degree" | "degrees" => 'd',
        "m" | "min" | "arcmin" | "minutes" => 'm',
        "s" | "sec" | "arcsec" | "seconds" => 's',
        "rad" | "radians" => 'r',
        _ => return Err(format!("'{word}' is not understood")),
    };
    match field {
        Some(field) if field.unit.is_none() => {
            field.unit = Some(unit);
            Ok(())
        }
        _ => Err(format!("'{word}' has no number before it")),
    }
}

/// Where the second coordinate begins.
fn split_at(fields: &[Field]) -> Result<usize, String> {
    let marks = |marked: fn(&Field) -> bool| -> Vec<usize> {
        (1..fields.len()).filter(|&i| marked(&fields[i])).collect()
    };
    let marked = marks(|f| f.after_comma || f.sign.is_some());
    let by_unit = marks(|f| matches!(f.unit, Some('h' | 'd' | 'r')));
    match (marked.as_slice(), by_unit.as_slice()) {
        ([one], _) | ([], [one]) => Ok(*one),
        ([], []) if fields.len().is_multiple_of(2) => Ok(fields.len() / 2),
        ([], []) if fields.len() == 1 => Err("the declination is missing".into()),
        _ => Err("it is not clear where the declination begins, so give it a sign".into()),
    }
}

/// Value and unit of one angle.
fn group(fields: &[Field]) -> Result<(f64, AngleUnit), String> {
    let (Some(first), true) = (fields.first(), fields.len() <= 3) else {
        return Err("an angle has one to three numbers".into());
    };
    let unit = match first.unit {
        None => AngleUnit::Unstated,
        Some('h') => AngleUnit::Hours,
        Some('d') => AngleUnit::Degrees,
        Some('r') if fields.len() == 1 => AngleUnit::Radians,
        Some(other) => return Err(format!("an angle cannot begin with '{other}'")),
    };
    let mut value = first.value;
    for (i, (field, (expected, size))) in fields[1..]
        .iter()
        .zip([('m', 60.0), ('s', 3600.0)])
        .enumerate()
    {
        let misplaced = field.sign.is_some()
            || field.after_comma
            || fields[i].fractional
            || field.unit.is_some_and(|unit| unit != expected);
        if misplaced {
            return Err("degrees, minutes and seconds are out of order".into());
        }
        if field.value >= 60.0 {
            return Err(format!("{} is 60 or more", field.value));
        }
        value += field.value / size;
    }
    Ok((
        if first.sign == Some(true) {
            -value
        } else {
            value
        },
        unit,
    ))
}

fn position(fields: &[Field]) -> Result<ParsedPosition, String> {
    let (ra_fields, dec_fields) = fields.split_at(split_at(fields)?);
    let (ra_value, ra_unit) = group(ra_fields)?;
    let mut dec_fields = dec_fields.to_vec();
    // The comma before it has done its service.
    if let Some(first) = dec_fields.first_mut() {
        first.after_comma = false;
    }
    let (dec_value, dec_unit) = group(&dec_fields)?;
    let hours = match ra_unit {
        AngleUnit::Hours => true,
        AngleUnit::Unstated => ra_fields.len() > 1,
        _ => false,
    };
    let ra_deg = match ra_unit {
        AngleUnit::Radians => ra_value.to_degrees(),
        _ if hours => ra_value * 15.0,
        _ => ra_value,
    };
    let dec_deg = match dec_unit {
        AngleUnit::Hours => return Err("a declination is not given in hours".into()),
        AngleUnit::Radians => dec_value.to_degrees(),
        _ => dec_value,
    };
    if !(0.0..=360.0).contains(&ra_deg) {
        return Err("a right ascension lies between 0 and 24 hours or 0 and 360 degrees".into());
    }
    if !(-90.0..=90.0).contains(&dec_deg) {
        return Err("a declination lies between -90 and +90 degrees".into());
    }
    // Minus zero would be printed with its sign.
    let ra_deg = if ra_deg >= 360.0 { 0.0 } else { ra_deg + 0.0 };
    let dec_deg = dec_deg + 0.0;
    Ok(ParsedPosition {
        ra_deg,
        dec_deg,
        understood: format!(
            "RA {} Dec {} ({ra_deg:.5} {dec_deg:+.5} degrees; right ascension read in {})",
            format_ra(ra_deg),
            format_dec(dec_deg),
            if hours { "hours" } else { "degrees" }
        ),
        name: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(text: &str) -> (f64, f64) {
        match parse_position(text) {
            Ok(p) => (p.ra_deg, p.dec_deg),
            Err(e) => panic!("{e}"),
        }
    }

    /// astropy 8.0.2, `SkyCoord('05h34m31.9s +22d00m52s')`: 83.63291667, 22.01444444.
    #[test]
    fn one_position_in_many_spellings() {
        for text in [
            "05h34m31.9s +22d00m52s",
            "5:34:31.9 +22:00:52",
            "05 34 31.9 +22 00 52",
            "05 34 31.9 22 00 52",
            "05h34m31.9s+22d00m52s",
            "05:34:31.9, 22:00:52",
            "5:34:31,9 +22:00:52",
            "05 h 34 m 31.9 s, +22° 00′ 52″",
            "05h34'31.9\" +22d00'52''",
            "RA 05:34:31.9 Dec +22:00:52",
            "ra=5h34m31.9s dec=22d0m52s",
            "83d37m58.5s 22d00m52s",
        ] {
            let (ra, dec) = at(text);
            assert!((ra - 83.632_916_67).abs() < 1e-8, "{text}: {ra}");
            assert!((dec - 22.014_444_44).abs() < 1e-8, "{text}: {dec}");
        }
    }

    #[test]
    fn decimal_degrees() {
        assert_eq!(at("83.633 22.0145"), (83.633, 22.0145));
        assert_eq!(at("83.633,22.0145"), (83.633, 22.0145));
        assert_eq!(at("83,633 22,0145"), (83.633, 22.0145));
        assert_eq!(at("10,5 22,1"), (10.5, 22.1));
        assert_eq!(at("83,22"), (83.0, 22.0));
        assert_eq!(at("10.5\u{a0}\u{2212}0.25"), (10.5, -0.25));
        assert_eq!(at("10.5deg -0.25deg"), (10.5, -0.25));
        assert_eq!(at("5.5h -0.25"), (82.5, -0.25));
        assert_eq!(at("360 -90"), (0.0, -90.0));
    }

    #[test]
    fn minus_zero_degrees_stays_south() {
        assert_eq!(at("0:0:0 -00:30:00").1, -0.5);
    }

    #[test]
    fn refuses_what_is_out_of_range_or_unclear() {
        for text in [
            "",
            "   ",
            "83.6",
            "24:00:01 +10",
            "361 10",
            "-5 10",
            "10 91",
            "10 -90.1",
            "5:60:00 +10:00:00",
            "5:34:60 +10:00:00",
            "5:34.5:20 +10:00:00",
            "1 2 3",
            "1 2 3 4 5 6 7",
            "M 31",
            "5h 10h",
            "+-5 10",
            "5,,10",
            "1e400 2",
            "5h34m 10d 20d",
            "nan inf",
        ] {
            let error = parse_position(text).map(|p| p.understood);
            assert!(error.is_err(), "{text}: {error:?}");
        }
    }

    #[test]
    fn header_angles() {
        let angle = |text| parse_angle(text).map(|a| (a.value, a.sexagesimal));
        assert_eq!(angle("31.312099"), Some((31.312099, false)));
        assert_eq!(angle("-00 30 00"), Some((-0.5, true)));
        assert_eq!(
            angle("08 51 20.100"),
            Some((8.0 + 51.0 / 60.0 + 20.1 / 3600.0, true))
        );
        assert_eq!(
            angle("-116:51:48.00"),
            Some((-(116.0 + 51.0 / 60.0 + 48.0 / 3600.0), true))
        );
        assert_eq!(angle("02:05.25"), Some((2.0 + 5.25 / 60.0, true)));
        assert_eq!(angle("12,5"), Some((12.5, false)));
        assert_eq!(angle("unknown"), None);
        assert_eq!(parse_angle("5h30m").map(|a| a.unit), Some(AngleUnit::Hours));
    }

    /// A position to the hundredth of a second of time and the tenth of an arcsecond.
    #[derive(Debug, Clone, Copy)]
    struct Spot {
        hours: u32,
        ra_minutes: u32,
        ra_centiseconds: u32,
        south: bool,
        degrees: u32,
        dec_minutes: u32,
        dec_deciseconds: u32,
    }

    impl Spot {
        fn ra_hours(self) -> f64 {
            f64::from(self.hours)
                + f64::from(self.ra_minutes) / 60.0
                + f64::from(self.ra_centiseconds) / 360_000.0
        }

        fn dec_deg(self) -> f64 {
            let size = f64::from(self.degrees)
                + f64::from(self.dec_minutes) / 60.0
                + f64::from(self.dec_deciseconds) / 36_000.0;
            if self.south { -size } else { size }
        }

        /// Both coordinates with `marks` behind degrees (or hours), minutes and seconds.
        fn sexagesimal(self, ra: [&str; 3], between: &str, dec: [&str; 3]) -> String {
            format!(
                "{:02}{}{:02}{}{:05.2}{}{between}{}{:02}{}{:02}{}{:04.1}{}",
                self.hours,
                ra[0],
                self.ra_minutes,
                ra[1],
                f64::from(self.ra_centiseconds) / 100.0,
                ra[2],
                if self.south { '-' } else { '+' },
                self.degrees,
                dec[0],
                self.dec_minutes,
                dec[1],
                f64::from(self.dec_deciseconds) / 10.0,
                dec[2],
            )
        }
    }

    fn spot() -> impl Strategy<Value = Spot> {
        let ra = (0..24_u32, 0..60_u32, 0..6000_u32);
        let dec = (any::<bool>(), 0..90_u32, 0..60_u32, 0..600_u32);
        (ra, dec).prop_map(|(ra, dec)| Spot {
            hours: ra.0,
            ra_minutes: ra.1,
            ra_centiseconds: ra.2,
            south: dec.0,
            degrees: dec.1,
            dec_minutes: dec.2,
            dec_deciseconds: dec.3,
        })
    }

    /// What holds of every answer, whatever the text was.
    fn check_answer(text: &str) -> Result<(), TestCaseError> {
        if let Some(angle) = parse_angle(text) {
            prop_assert!(angle.value.is_finite(), "{text:?}: {angle:?}");
        }
        match parse_position(text) {
            Ok(p) => {
                prop_assert!((0.0..360.0).contains(&p.ra_deg), "{text:?}: {p:?}");
                prop_assert!((-90.0..=90.0).contains(&p.dec_deg), "{text:?}: {p:?}");
                let minus_zero = |deg: f64| deg == 0.0 && deg.is_sign_negative();
                prop_assert!(!minus_zero(p.ra_deg) && !minus_zero(p.dec_deg), "{text:?}");
                prop_assert_eq!(p.understood.lines().count(), 1);
                // What is shown to the user means what was understood.
                let shown = format!("{} {}", format_ra(p.ra_deg), format_dec(p.dec_deg));
                let again = parse_position(&shown)
                    .map_err(|e| TestCaseError::fail(format!("{text:?}: {e}")))?;
                let turn = (again.ra_deg - p.ra_deg + 180.0).rem_euclid(360.0) - 180.0;
                prop_assert!(
                    turn.abs() <= 0.005 * 15.0 / 3600.0 + 1e-9,
                    "{text:?}: {shown}"
                );
                let off = (again.dec_deg - p.dec_deg).abs();
                prop_assert!(off <= 0.05 / 3600.0 + 1e-9, "{text:?}: {shown}");
            }
            Err(error) => {
                let error = error.to_string();
                prop_assert!(error.contains("write it like"), "{error}");
            }
        }
        Ok(())
    }

    proptest! {
        #[test]
        fn any_text_is_refused_or_lies_on_the_sky(text in any::<String>()) {
            check_answer(&text)?;
        }

        #[test]
        fn likely_text_is_refused_or_lies_on_the_sky(
            text in "[0-9hdms:., +\u{2212}\u{b0}'\"rae-]{0,40}",
        ) {
            check_answer(&text)?;
        }

        /// Numbers and marks in an order that is often right: most of these are accepted.
        #[test]
        fn numbers_and_marks_are_refused_or_lie_on_the_sky(
            text in "(-|\\+)?[0-9]{1,3}([ :hd][0-9]{1,2}([ :m][0-9]{1,2}(\\.[0-9]{0,3})?s?)?)?(, ?| | ?[+-])[0-9]{1,3}([ :d][0-9]{1,2}([ :m][0-9]{1,2}s?)?)?",
        ) {
            check_answer(&text)?;
        }

        #[test]
        fn digits_without_end_are_refused_or_lie_on_the_sky(
            ra in "[0-9]{1,400}(\\.[0-9]{0,400})?",
            dec in "[0-9]{1,400}",
        ) {
            check_answer(&format!("{ra} {dec}"))?;
        }

        /// Two or three numbers to the right ascension count hours, whatever parts them.
        #[test]
        fn sexagesimal_right_ascensions_count_hours(spot in spot()) {
            let (plain, letters) = ([" ", " ", ""], ["d", "m", "s"]);
            let forms = [
                spot.sexagesimal(["h", "m", "s"], " ", letters),
                spot.sexagesimal(["h", "m", "s"], "", letters),
                spot.sexagesimal(["H ", "M ", "S"], ", ", ["° ", "′ ", "″"]),
                spot.sexagesimal(["h", "'", "\""], " ", ["º", "'", "''"]),
                spot.sexagesimal([":", ":", ""], " ", [":", ":", ""]),
                spot.sexagesimal([":", ":", ""], ",", [":", ":", ""]),
                spot.sexagesimal(plain, " ", plain),
                spot.sexagesimal([" ", " ", ""], ", ", letters).replace('-', "\u{2212}"),
                spot.sexagesimal(plain, " ", plain).replace('.', ","),
                format!("RA={} DEC={}", &spot.sexagesimal(plain, "|", plain).split('|').next().unwrap_or(""),
                    spot.sexagesimal(plain, "|", plain).split('|').nth(1).unwrap_or("")),
                format!("  {}\t", spot.sexagesimal(["hours", "min", "sec"], "\u{a0}", ["deg", "arcmin", "arcsec"])),
            ];
            for text in forms {
                let (ra, dec) = at(&text);
                prop_assert!((ra - spot.ra_hours() * 15.0).abs() < 1e-9, "{text}: {ra}");
                prop_assert!((dec - spot.dec_deg()).abs() < 1e-9, "{text}: {dec}");
            }
        }

        /// One number to the right ascension counts degrees, unless it says hours.
        #[test]
        fn a_single_number_counts_degrees(
            ra_micro in 0..360_000_000_u32,
            dec_micro in -90_000_000..=90_000_000_i32,
        ) {
            let (ra, dec) = (f64::from(ra_micro) / 1e6, f64::from(dec_micro) / 1e6);
            let forms = [
                format!("{ra:.6} {dec:.6}"),
                format!("{ra:.6},{dec:.6}"),
                format!("{ra:.6}{dec:+.6}"),
                format!("{ra:.6}d {dec:+.6}d"),
                format!("{ra:.6}° {dec:+.6}°"),
                format!("{ra:.6} deg, {dec:.6} deg"),
                format!("{:.6} {:.6}", ra, dec).replace('.', ","),
            ];
            for text in forms {
                prop_assert_eq!(at(&text), (ra, dec), "{}", text);
            }
            let hours = format!("{:.9}h {dec:+.6}", ra / 15.0);
            prop_assert!((at(&hours).0 - ra).abs() < 15.0 * 0.6e-9, "{hours}");
            let radians = format!("{:.12}rad {:+.12}rad", ra.to_radians(), dec.to_radians());
            if let Ok(p) = parse_position(&radians) {
                // The last digit may carry over the pole's 90 degrees or the full turn.
                prop_assert!((p.ra_deg - ra).abs() < 1e-9 && (p.dec_deg - dec).abs() < 1e-9);
            } else {
                prop_assert!(dec.abs() > 89.999_999, "{radians}");
            }
        }

        /// Degrees, minutes and seconds of a right ascension that says degrees.
        #[test]
        fn a_degree_mark_keeps_right_ascension_in_degrees(spot in spot(), turn in 0..360_u32) {
            let dec = spot.sexagesimal(["d", "m", "s"], "|", ["d", "m", "s"]);
            let dec = dec.split('|').nth(1).unwrap_or_default();
            let (minutes, seconds) = (spot.ra_minutes, f64::from(spot.ra_centiseconds) / 100.0);
            let (ra, _) = at(&format!("{turn}d{minutes}m{seconds:.2}s {dec}"));
            let expected = f64::from(turn) + f64::from(minutes) / 60.0 + seconds / 3600.0;
            prop_assert!((ra - expected).abs() < 1e-9);
        }

        /// Minutes and seconds from 60 up, and coordinates off the sky, are refused.
        #[test]
        fn what_is_off_the_scale_is_refused(spot in spot(), over in 60..1000_u32, far in 91..360_u32) {
            let Spot { hours, ra_minutes, degrees, dec_minutes, .. } = spot;
            for text in [
                format!("{hours}:{over}:00 +{degrees}:{dec_minutes}:00"),
                format!("{hours}:{ra_minutes}:{over} +{degrees}:{dec_minutes}:00"),
                format!("{hours}:{ra_minutes}:00 -{degrees}:{over}:00"),
                format!("{hours}:{ra_minutes}:00 -{degrees}:{dec_minutes}:{over}"),
                format!("{hours}:{ra_minutes}:00 -{far}:{dec_minutes}:00"),
                format!("{}:{ra_minutes}:01 +{degrees}", hours + 24),
                format!("-{}:{ra_minutes}:01 +{degrees}", hours),
                format!("{}.5 {degrees}", far + 360),
                format!("{hours} {}.1", far),
            ] {
                let read = parse_position(&text);
                prop_assert!(read.is_err(), "{text}: {read:?}");
            }
        }

        /// A header's angle has the size of its parts and the sign before them, minus zero too.
        #[test]
        fn header_angles_add_up(
            minus in any::<bool>(),
            whole in 0..400_u32,
            minutes in 0..60_u32,
            milliseconds in 0..60_000_u32,
            mark in prop::sample::select(vec![[":", ":", ""], [" ", " ", ""], ["d", "m", "s"], ["h", "m", "s"]]),
        ) {
            let seconds = f64::from(milliseconds) / 1000.0;
            let size = f64::from(whole) + f64::from(minutes) / 60.0 + seconds / 3600.0;
            let sign = if minus { "-" } else { "" };
            let text = format!(
                "{sign}{whole:02}{}{minutes:02}{}{seconds:06.3}{}", mark[0], mark[1], mark[2]
            );
            let read = parse_angle(&text);
            let expected = if minus { -size } else { size };
            prop_assert!(read.is_some_and(|a| (a.value - expected).abs() < 1e-9), "{text}: {read:?}");
            prop_assert!(read.is_some_and(|a| a.sexagesimal));
            let unit = match mark[0] {
                "d" => AngleUnit::Degrees,
                "h" => AngleUnit::Hours,
                _ => AngleUnit::Unstated,
            };
            prop_assert_eq!(read.map(|a| a.unit), Some(unit));
            // Fewer parts, and a comma for the point.
            let decimal = format!("{sign}{size:.6}").replace('.', ",");
            prop_assert!(parse_angle(&decimal).is_some_and(|a| (a.value - expected).abs() < 1e-6));
            let short = format!("{sign}{whole}:{:.5}", f64::from(minutes) + seconds / 60.0);
            if let Some(angle) = parse_angle(&short) {
                prop_assert!((angle.value - expected).abs() < 1e-6, "{short}");
            } else {
                prop_assert!(short.ends_with(":60.00000"), "{short}");
            }
        }
    }
}
