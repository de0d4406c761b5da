//! When a frame was exposed: dates in every form that headers use, to a Julian date of UTC.
//!
//! Sources: FITS 4.0, section 4.4.2.1 and 9 (`YYYY-MM-DD[Thh:mm:ss]`; `DD/MM/YY` means 19YY);
//! day numbers after Fliegel & Van Flandern 1968 (CACM 11, 657).

use crate::frame::fits::card::Header;

/// Julian date of the beginning of modified Julian day 0.
const MJD_ZERO_JD: f64 = 2_400_000.5;

/// Seconds per day.
const DAY_S: f64 = 86_400.0;

/// Years in which a photograph of the sky can have been taken by anyone who asks.
const YEARS: std::ops::RangeInclusive<i64> = 1840..=2150;

/// Longest exposure that is believed, days.
const MAX_EXPOSURE_S: f64 = 30.0 * DAY_S;

/// A date with what is known of its time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stamp {
    /// Modified Julian day number.
    pub mjd: i64,
    /// Seconds since midnight, where a time is given.
    pub time_s: Option<f64>,
    /// Seconds that local time is ahead of UTC, where that is given.
    pub offset_s: Option<f64>,
}

impl Stamp {
    /// Julian date UTC; noon where there is no time.
    pub(crate) fn jd_utc(&self) -> f64 {
        let seconds = self.time_s.unwrap_or(DAY_S / 2.0) - self.offset_s.unwrap_or(0.0);
        MJD_ZERO_JD + self.mjd as f64 + seconds / DAY_S
    }
}

/// Reads `2017-12-19T18:33:43.317-0700`, `2017/12/19 18:33`, `29/11/51`, `20171219`,
/// `Tue Dec 19 18:33:43 2017`, `2017-12-19.774`, `2017 12 19 18 33 43`, `2458107.565`, ...
pub(crate) fn parse_stamp(text: &str) -> Option<Stamp> {
    let text = text.trim();
    date_and_time(text)
        .or_else(|| with_month_name(text))
        .or_else(|| in_blanks(text))
        .or_else(|| fraction_of_day(text))
}

/// `19-Dec-2017 18:33:43`, `Dec 19, 2017`, `Tue Dec 19 18:33:43 2017`.
fn with_month_name(text: &str) -> Option<Stamp> {
    const MONTHS: [&str; 12] = [
        "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec",
    ];
    let mut text = text.to_ascii_lowercase();
    // The T between date and time, and not that of a month.
    let parting = text
        .as_bytes()
        .windows(3)
        .position(|w| w[0].is_ascii_digit() && w[1] == b't' && w[2].is_ascii_digit());
    if let Some(before) = parting {
        text.replace_range(before + 1..before + 2, " ");
    }
    let is_word = |part: &str| part.bytes().all(|b| b.is_ascii_alphabetic());
    let (mut month, mut numbers, mut clock) = (None, Vec::new(), String::new());
    for word in text.split([' ', ',', '_']).filter(|w| !w.is_empty()) {
        if !clock.is_empty() || word.contains(':') {
            // What stands behind a clock belongs to it, except a year.
            if word.len() == 4 && word.bytes().all(|b| b.is_ascii_digit()) {
                numbers.push(word);
            } else {
                clock.push_str(word);
            }
            continue;
        }
        for part in word.split(['-', '/', '.']).filter(|p| !p.is_empty()) {
            let name = part.get(..3).unwrap_or("");
            match MONTHS.iter().position(|m| *m == name) {
                Some(number) if month.is_none() && is_word(part) => month = Some(number as i64 + 1),
                _ if part.bytes().all(|b| b.is_ascii_digit()) => numbers.push(part),
                // A day of the week.
                _ if is_word(part) => {}
                _ => return None,
            }
        }
    }
    let (day, year) = day_and_year(&numbers)?;
    let (time_s, offset_s) = match clock.as_str() {
        "" => (None, None),
        clock => parse_time(clock).map(|(time_s, offset_s)| (Some(time_s), offset_s))?,
    };
    Some(Stamp {
        mjd: mjd(year, month?, day)?,
        time_s,
        offset_s,
    })
}

/// From the two numbers of a date with a named month; the one with four digits is the year.
fn day_and_year(numbers: &[&str]) -> Option<(i64, i64)> {
    let &[first, second] = numbers else {
        return None;
    };
    let (day, year) = if first.len() == 4 {
        (second, first)
    } else {
        (first, second)
    };
    let digits = year.len();
    let year = match (digits, year.parse::<i64>().ok()?) {
        // The custom of POSIX.
        (2, year @ 0..=68) => 2000 + year,
        (2, year) => 1900 + year,
        (_, year) => year,
    };
    Some((day.parse().ok()?, year))
}

/// `2017 12 19 18 33 43.5`.
fn in_blanks(text: &str) -> Option<Stamp> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let (date, clock) = words.split_at_checked(3)?;
    if date.first()?.len() != 4 {
        return None;
    }
    date_and_time(format!("{}T{}", date.join("-"), clock.join(":")).trim_end_matches('T'))
}

/// `2017-12-19.774`, `2458107.274`, `58106.774`.
fn fraction_of_day(text: &str) -> Option<Stamp> {
    if let Some(number) = crate::frame::fits::card::parse_number(text) {
        let in_days = text.contains(['.', ',']) && number > 10_000.0;
        let days = julian_date(number).filter(|_| in_days)? - MJD_ZERO_JD;
        return Some(Stamp {
            mjd: days.floor() as i64,
            time_s: Some(days.rem_euclid(1.0) * DAY_S),
            offset_s: None,
        });
    }
    let (date, fraction) = text.rsplit_once('.')?;
    let digits = !fraction.is_empty() && fraction.bytes().all(|b| b.is_ascii_digit());
    let fraction: f64 = format!("0.{fraction}").parse().ok().filter(|_| digits)?;
    Some(Stamp {
        mjd: parse_date(date)?,
        time_s: Some(fraction * DAY_S),
        offset_s: None,
    })
}

fn date_and_time(text: &str) -> Option<Stamp> {
    let cut = text.find(['T', 't', ' ', '_']).unwrap_or(text.len());
    let (date, time) = text.split_at(cut);
    let mjd = parse_date(date)?;
    let time = time.trim_start_matches(['T', 't', ' ', '_']);
    if time.is_empty() {
        return Some(Stamp {
            mjd,
            time_s: None,
            offset_s: None,
        });
    }
    let (time_s, offset_s) = parse_time(time)?;
    Some(Stamp {
        mjd,
        time_s: Some(time_s),
        offset_s,
    })
}

fn parse_date(text: &str) -> Option<i64> {
    let parts: Vec<&str> = text.split(['-', '/', '.', ':']).collect();
    let number = |part: &str| -> Option<i64> {
        let digits =
            !part.is_empty() && part.len() <= 4 && part.bytes().all(|b| b.is_ascii_digit());
        digits.then(|| part.parse().ok())?
    };
    match parts.as_slice() {
        [compact] if compact.len() == 8 && compact.is_ascii() => mjd(
            number(&compact[..4])?,
            number(&compact[4..6])?,
            number(&compact[6..])?,
        ),
        [y, m, d] if y.len() == 4 => mjd(number(y)?, number(m)?, number(d)?),
        [d, m, y] => {
            let year = number(y)?;
            let year = if y.len() <= 2 { 1900 + year } else { year };
            let (d, m) = (number(d)?, number(m)?);
            // The month first: only where it cannot be the day.
            if m > 12 {
                mjd(year, d, m)
            } else {
                mjd(year, m, d)
            }
        }
        _ => None,
    }
}

/// Modified Julian day of a Gregorian date; `None` for one that does not exist.
pub(crate) fn mjd(year: i64, month: i64, day: i64) -> Option<i64> {
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let days = match month {
        2 if leap => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => return None,
    };
    if !YEARS.contains(&year) || !(1..=days).contains(&day) {
        return None;
    }
    let a = (month - 14) / 12;
    let jdn = (1461 * (year + 4800 + a)) / 4 + (367 * (month - 2 - 12 * a)) / 12
        - (3 * ((year + 4900 + a) / 100)) / 4
        + day
        - 32075;
    Some(jdn - 2_400_001)
}

/// Seconds since midnight and the offset of `18:33:43.317-0700`, `183343`, `18:33Z`,
/// `06:33:43 PM`, `18h33m43.5s`, `18 33 43`.
pub(crate) fn parse_time(text: &str) -> Option<(f64, Option<f64>)> {
    let text = text.trim().to_ascii_uppercase();
    let text = text.trim_end_matches(['(', ')', ' ']);
    for (half, begin_s) in [("AM", 0.0), ("PM", DAY_S / 2.0)] {
        if let Some(clock) = text.strip_suffix(half) {
            let time_s = parse_clock(clock.trim())?;
            // Twelve stands for nought.
            let in_half = (3600.0..13.0 * 3600.0).contains(&time_s);
            return in_half.then_some((time_s % (DAY_S / 2.0) + begin_s, None));
        }
    }
    let zulu = ["UTC", "GMT", "UT", "Z"]
        .iter()
        .find_map(|z| text.strip_suffix(z));
    let (clock, offset_s) = match (zulu, text.find(['+', '-'])) {
        (Some(clock), _) => (clock, Some(0.0)),
        (None, Some(at)) if at > 0 => {
            let (clock, offset) = text.split_at(at);
            (clock, Some(parse_offset(offset)?))
        }
        _ => (text, None),
    };
    Some((parse_clock(clock.trim())?, offset_s))
}

fn parse_offset(text: &str) -> Option<f64> {
    let (sign, digits) = text.split_at(1);
    let digits: String = digits.chars().filter(|c| *c != ':').collect();
    if digits.len() > 4 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let value: u32 = digits.parse().ok()?;
    let (hours, minutes) = if digits.len() <= 2 {
        (value, 0)
    } else {
        (value / 100, value % 100)
    };
    if hours > 15 || minutes > 59 {
        return None;
    }
    let seconds = f64::from(hours * 3600 + minutes * 60);
    Some(if sign == "-" { -seconds } else { seconds })
}

fn parse_clock(text: &str) -> Option<f64> {
    let text = text.replace(',', ".");
    let text = text.strip_suffix('S').unwrap_or(&text);
    let text = text.replace(['H', 'M', ' '], ":");
    let text = text.trim_end_matches(':');
    let mut parts: Vec<&str> = text.split(':').collect();
    if let [whole] = parts.as_slice()
        && whole.len() >= 6
        && whole.is_ascii()
        && whole.bytes().take(6).all(|b| b.is_ascii_digit())
    {
        let (hours, rest) = text.split_at(2);
        let (minutes, seconds) = rest.split_at(2);
        parts = vec![hours, minutes, seconds];
    }
    let [hours, minutes, ..] = parts.as_slice() else {
        return None;
    };
    let number = |part: &str, below: f64| -> Option<f64> {
        let plain = part.bytes().all(|b| b.is_ascii_digit() || b == b'.');
        let value: f64 = if plain {
            part.trim().parse().ok()?
        } else {
            return None;
        };
        (value < below).then_some(value)
    };
    let seconds = match parts.get(2) {
        // A leap second is a second.
        Some(seconds) => number(seconds, 61.0)?,
        None => 0.0,
    };
    (parts.len() <= 3).then_some(())?;
    // ISO 8601 lets a day end at 24:00:00.
    let time_s = number(hours, 25.0)? * 3600.0 + number(minutes, 60.0)? * 60.0 + seconds;
    // The second above is for leap seconds.
    (time_s < DAY_S + 1.0).then_some(time_s)
}

/// Beginning and middle of the exposure.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Times {
    /// Beginning, Julian date UTC.
    pub start_jd_utc: Option<f64>,
    /// Middle, Julian date UTC.
    pub mid_jd_utc: Option<f64>,
    /// Exposure, seconds.
    pub exposure_s: Option<f64>,
}

/// Reads beginning, middle and length of the exposure.
pub(crate) fn times(header: &Header, remarks: &mut Vec<String>) -> Times {
    let exposure_s = exposure_s(header);
    let start = start(header, remarks);
    let end = first_stamp(header, &["DATE-END", "DATEEND", "DATE_END"]).map(|(_, s)| s.jd_utc());
    let half_d = exposure_s.unwrap_or(0.0) / 2.0 / DAY_S;
    let by_end = match (start, end, exposure_s) {
        (Some(start), Some(end), None) if (0.0..1.0).contains(&(end - start)) => {
            Some((start + end) / 2.0)
        }
        (None, Some(end), _) => Some(end - half_d),
        _ => None,
    };
    let stated = first_stamp(header, &["DATE-AVG", "DATE-MID"])
        .filter(|(_, s)| s.time_s.is_some())
        .map(|(_, s)| s.jd_utc())
        .or_else(|| day_number(header, &["MJD-AVG", "MJD-MID"]));
    let mid_jd_utc = stated.or(by_end).or(start.map(|start| start + half_d));
    Times {
        start_jd_utc: start.or(mid_jd_utc.map(|mid| mid - half_d)),
        mid_jd_utc,
        exposure_s,
    }
}

fn start(header: &Header, remarks: &mut Vec<String>) -> Option<f64> {
    let utc = first_stamp(header, &["DATE-UTC", "UT-OBS", "DATE_UTC"]).filter(has_time);
    let mjd = day_number(
        header,
        &[
            "MJD-OBS", "MJD-BEG", "MJD_OBS", "MJD", "JD-OBS", "JD_OBS", "JD",
        ],
    );
    let names = ["DATE-OBS", "DATE-BEG", "DATE_OBS", "DATEOBS", "DATE-STA"];
    let Some((keyword, mut stamp)) = first_stamp(header, &names) else {
        return utc.map(|(_, s)| s.jd_utc()).or(mjd);
    };
    if stamp.time_s.is_none() {
        let names = [
            "TIME-OBS", "UT", "UTC", "TIME_OBS", "UTSTART", "UTC-OBS", "UT-START", "TIME-BEG",
        ];
        if let Some((time_s, offset_s)) = first_time(header, &names) {
            (stamp.time_s, stamp.offset_s) = (Some(time_s), offset_s);
        }
    }
    if stamp.offset_s.is_some() {
        return Some(stamp.jd_utc());
    }
    let better = utc
        .map(|(_, s)| s.jd_utc())
        .or(mjd.filter(|jd| (jd + 0.5).fract() != 0.0));
    let Some(better) = better else {
        if stamp.time_s.is_none() {
            remarks.push(format!("{keyword} has no time: noon UTC was assumed"));
        } else if says_local(header, keyword) {
            remarks.push(format!(
                "{keyword} is called local time, without an offset: it was taken as UTC"
            ));
        }
        return Some(stamp.jd_utc());
    };
    // Half an hour: the smallest step of time zones. A day and more is another night.
    let apart_d = (better - stamp.jd_utc()).abs();
    if stamp.time_s.is_none() || (0.02..0.7).contains(&apart_d) {
        if stamp.time_s.is_some() {
            remarks.push(format!(
                "{keyword} is {:.1} h off the universal time beside it, so it is local time",
                apart_d * 24.0
            ));
        }
        return Some(better);
    }
    // More than any time zone: one of them is of another night.
    if apart_d > 1.0 {
        remarks.push(format!(
            "{keyword} is {apart_d:.1} days off the universal time beside it: {keyword} was taken"
        ));
    }
    Some(stamp.jd_utc())
}

fn says_local(header: &Header, keyword: &str) -> bool {
    let comment = header.card(keyword).map_or("", |c| c.comment.as_str());
    comment.to_ascii_lowercase().contains("local")
}

fn has_time(stamp: &(&'static str, Stamp)) -> bool {
    stamp.1.time_s.is_some()
}

fn first_stamp(header: &Header, names: &[&'static str]) -> Option<(&'static str, Stamp)> {
    names.iter().find_map(|name| {
        let text = header.get(name)?.to_text();
        Some((*name, parse_stamp(&text)?))
    })
}

fn first_time(header: &Header, names: &[&'static str]) -> Option<(f64, Option<f64>)> {
    names.iter().find_map(|name| match header.text(name) {
        Some(text) => parse_time(text),
        // A plain number counts hours up to 24, seconds of the day above.
        None => match header.number(name)? {
            hours if (0.0..24.0).contains(&hours) => Some((hours * 3600.0, None)),
            seconds if (24.0..DAY_S).contains(&seconds) => Some((seconds, None)),
            _ => None,
        },
    })
}

/// Julian or modified Julian date, told apart by their size.
fn day_number(header: &Header, names: &[&str]) -> Option<f64> {
    names
        .iter()
        .find_map(|name| julian_date(header.number(name)?))
}

/// The Julian date of a Julian or modified Julian one; `None` outside the years 1840 to 2150.
fn julian_date(value: f64) -> Option<f64> {
    let jd = if value < 1e6 {
        value + MJD_ZERO_JD
    } else {
        value
    };
    (2_393_000.0..2_507_000.0).contains(&jd).then_some(jd)
}

fn exposure_s(header: &Header) -> Option<f64> {
    let names = [
        "EXPTIME", "EXPOSURE", "EXP_TIME", "EXPOSE", "XPOSURE", "TELAPSE", "ITIME", "EXPOINUS",
    ];
    names.iter().find_map(|name| {
        let card = header.card(name)?;
        let value = card.value.as_f64().or_else(|| {
            // `20 s`, `20s`.
            let text = card.value.to_text();
            text.trim_end_matches(|c: char| c.is_alphabetic() || c == ' ')
                .parse()
                .ok()
        })?;
        let comment = card.comment.to_ascii_lowercase();
        let unit_s = if *name == "EXPOINUS" || comment.contains("microsec") {
            1e-6
        } else if comment.contains("millisec") || comment.contains("[ms]") {
            1e-3
        } else if comment.contains("minute") {
            60.0
        } else {
            1.0
        };
        let seconds = value * unit_s;
        (0.0..=MAX_EXPOSURE_S).contains(&seconds).then_some(seconds)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// pyerfa 2.0.1.5: `erfa.cal2jd(y, m, d)[1]`.
    #[test]
    fn day_numbers() {
        assert_eq!(mjd(2017, 12, 20), Some(58107));
        assert_eq!(mjd(1951, 11, 29), Some(33979));
        assert_eq!(mjd(2000, 2, 29), Some(51603));
        assert_eq!(mjd(1858, 11, 17), Some(0));
        assert_eq!(mjd(2100, 2, 29), None);
        assert_eq!(mjd(2017, 13, 1), None);
    }

    fn jd(text: &str) -> f64 {
        parse_stamp(text).map_or(f64::NAN, |s| s.jd_utc())
    }

    #[test]
    fn one_instant_in_many_spellings() {
        let expected = 2_400_000.5 + 58107.0 + (3600.0 + 33.0 * 60.0 + 43.5) / 86400.0;
        for text in [
            "2017-12-20T01:33:43.5",
            "2017-12-20T01:33:43,5Z",
            "2017-12-19T18:33:43.5-0700",
            "2017-12-19T18:33:43.5-07:00",
            "2017-12-19T18:33:43.5-07",
            "2017-12-20 01:33:43.5 UTC",
            "2017/12/20 01:33:43.5",
            "20/12/2017 01:33:43.5",
            "12/20/2017 01:33:43.5",
            "20171220T013343.5",
            "2017-12-20T03:33:43.5+0200",
            "Wed Dec 20 01:33:43.5 2017",
            "20-Dec-2017 01:33:43.5",
            "20 december 2017, 01:33:43.5",
            "2017-DEC-20T01:33:43.5",
            "20 Dec 17 01:33:43.5 UT",
            "2017 12 20 01 33 43.5",
            "2017-12-20 01h33m43.5s",
            "2017-12-20 01:33:43.5 AM",
            "12/20/2017 1:33:43.5 am",
            "2017-12-20.06508680556",
            "58107.06508680556",
            "2458107.56508680556",
        ] {
            assert!((jd(text) - expected).abs() < 1e-8, "{text}");
        }
    }

    #[test]
    fn noon_and_midnight_by_twelve_hours() {
        for (text, hours) in [("12:30 AM", 0.5), ("12:30 pm", 12.5), ("06:30:00PM", 18.5)] {
            assert_eq!(parse_time(text), Some((hours * 3600.0, None)), "{text}");
        }
        assert_eq!(parse_time("24:00:00"), Some((86_400.0, None)));
        assert_eq!(parse_time("00:30 AM"), None);
    }

    #[test]
    fn two_digit_years_are_of_the_last_century() {
        assert_eq!(
            parse_stamp("29/11/51").map(|s| (s.mjd, s.time_s)),
            Some((33979, None))
        );
    }

    #[test]
    fn nonsense_has_no_date() {
        for text in [
            "",
            "T",
            "unknown",
            "2017-02-30",
            "2017-12-20T25:00:00",
            "99999999",
            "1/2",
            "2017-12-20T01:02:03+9900",
            "é/é/é",
            "2017-12-20Té:é",
            "éééé",
            "Decé 20 2017",
            "20 Foo 2017",
            "31 Feb 2017",
            "2017-12-20 13:00 PM",
            "2017-12-20T24:00:01",
            "2017",
            "58107",
            "12.5",
            "-58107.5",
            "1e300",
        ] {
            assert_eq!(parse_stamp(text), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn never_panics(text in "\\PC*") {
            let _ = (parse_stamp(&text), parse_time(&text));
        }

        /// Everything that is read lies in a year and a day that exist.
        #[test]
        fn ranges_are_kept(text in "[0-9TtZz:/., +\\-hmsadecpuJn_]{0,30}") {
            if let Some(stamp) = parse_stamp(&text) {
                prop_assert!((-7000..=106_600).contains(&stamp.mjd), "{stamp:?}");
                prop_assert!(stamp.time_s.is_none_or(|s| (0.0..86_401.0).contains(&s)));
                prop_assert!(stamp.offset_s.is_none_or(|s| s.abs() < 16.0 * 3600.0));
            }
        }

        /// Whatever is written is read back, in every form.
        #[test]
        fn round_trip(
            day in -5000..100_000_i64,
            ms in 0..86_400_000_i64,
            quarters in -48..=56_i64,
        ) {
            let Ok(((year, month, date, _), _)) = erfars::calendar::Jd2cal(MJD_ZERO_JD, day as f64) else {
                return Err(TestCaseError::fail("no such day"));
            };
            let (h, m, s) = (ms / 3_600_000, ms / 60_000 % 60, (ms % 60_000) as f64 / 1000.0);
            let clock = format!("{h:02}:{m:02}:{s:06.3}");
            let expected = MJD_ZERO_JD + day as f64 + ms as f64 / 86_400_000.0;
            let name = ["jan", "FEB", "Mar", "apr", "May", "jun", "Jul", "aug", "Sep", "oct", "Nov", "dec"]
                [month as usize - 1];
            let forms = [
                format!("{year}-{month:02}-{date:02}T{clock}"),
                format!("{year}-{month:02}-{date:02} {clock} UTC"),
                format!("{year}/{month:02}/{date:02} {}", clock.replace('.', ",")),
                format!("{year}{month:02}{date:02}T{}", clock.replace(':', "")),
                format!("{date} {name} {year} {clock}"),
                format!("{name} {date}, {year} {clock}"),
                format!("{year} {month} {date} {}", clock.replace(':', " ")),
                format!("{:.9}", expected - MJD_ZERO_JD + MJD_ZERO_JD),
            ];
            for text in forms {
                let found = parse_stamp(&text).map_or(f64::NAN, |s| s.jd_utc());
                prop_assert!((found - expected).abs() < 1e-8, "{text}: {found} {expected}");
            }
            let sign = if quarters < 0 { '-' } else { '+' };
            let ahead = quarters.abs();
            let text = format!(
                "{year}-{month:02}-{date:02}T{clock}{sign}{:02}:{:02}",
                ahead / 4,
                ahead % 4 * 15
            );
            let found = parse_stamp(&text).map_or(f64::NAN, |s| s.jd_utc());
            prop_assert!((found + quarters as f64 / 96.0 - expected).abs() < 1e-8, "{text}");
        }
    }

    fn header(cards: &[&str]) -> Header {
        let text: String = cards.iter().map(|c| format!("{c:<80}")).collect();
        Header::parse(text.as_bytes())
    }

    #[test]
    fn plate_with_minutes() {
        let h = header(&[
            "DATE-OBS= '29/11/51          ' /UT date of Observation",
            "UT      = '12:07:00.00       ' /UT time of observation",
            "EXPOSURE=  5.0000000000000E+01 /Exposure time minutes",
        ]);
        let times = times(&h, &mut Vec::new());
        let expected = 2_400_000.5 + 33979.0 + (12.0 + 32.0 / 60.0) / 24.0;
        assert_eq!(times.exposure_s, Some(3000.0));
        assert!((times.mid_jd_utc.unwrap_or(0.0) - expected).abs() < 1e-8);
    }

    #[test]
    fn local_time_gives_way_to_universal_time_beside_it() {
        let h = header(&[
            "DATE-OBS= '2017-12-19T18:33:43'",
            "MJD-OBS = 58107.065081",
            "EXPTIME = 60",
        ]);
        let mut remarks = Vec::new();
        let times = times(&h, &mut remarks);
        let expected = 2_400_000.5 + 58107.065081 + 30.0 / 86400.0;
        assert!((times.mid_jd_utc.unwrap_or(0.0) - expected).abs() < 1e-6);
        assert_eq!(remarks.len(), 1);
    }

    #[test]
    fn another_night_beside_it_is_said() {
        let h = header(&["DATE-OBS= '1970-01-01T00:01:43'", "MJD-OBS = 58107.065081"]);
        let mut remarks = Vec::new();
        let mid = times(&h, &mut remarks).mid_jd_utc.unwrap_or(0.0);
        assert!((mid - 2_440_587.5).abs() < 0.01);
        assert!(remarks[0].contains("17520.1 days off"), "{remarks:?}");
    }

    #[test]
    fn the_end_serves_where_the_exposure_is_missing() {
        let h = header(&[
            "DATE-OBS= '2020-01-01T00:00:00'",
            "DATE-END= '2020-01-01T00:02:00'",
        ]);
        let mid = times(&h, &mut Vec::new()).mid_jd_utc.unwrap_or(0.0);
        assert!((mid - (2_400_000.5 + 58849.0 + 60.0 / 86400.0)).abs() < 1e-8);
    }
}
