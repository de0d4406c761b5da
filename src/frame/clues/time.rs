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

/// Reads `2017-12-19T18:33:43.317-0700`, `2017/12/19 18:33`, `29/11/51`, `20171219`, ...
pub(crate) fn parse_stamp(text: &str) -> Option<Stamp> {
    let text = text.trim();
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

/// Seconds since midnight and the offset of `18:33:43.317-0700`, `183343`, `18:33Z`.
pub(crate) fn parse_time(text: &str) -> Option<(f64, Option<f64>)> {
    let text = text.trim().to_ascii_uppercase();
    let text = text.trim_end_matches(['(', ')', ' ']);
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
    Some(number(hours, 24.0)? * 3600.0 + number(minutes, 60.0)? * 60.0 + seconds)
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
    names.iter().find_map(|name| parse_time(header.text(name)?))
}

/// Julian or modified Julian date, told apart by their size.
fn day_number(header: &Header, names: &[&str]) -> Option<f64> {
    names.iter().find_map(|name| {
        let value = header.number(name)?;
        let jd = if value < 1e6 {
            value + MJD_ZERO_JD
        } else {
            value
        };
        // The years 1840 to 2150.
        (2_393_000.0..2_507_000.0).contains(&jd).then_some(jd)
    })
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
        ] {
            assert!((jd(text) - expected).abs() < 1e-8, "{text}");
        }
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
        ] {
            assert_eq!(parse_stamp(text), None, "{text}");
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
    fn the_end_serves_where_the_exposure_is_missing() {
        let h = header(&[
            "DATE-OBS= '2020-01-01T00:00:00'",
            "DATE-END= '2020-01-01T00:02:00'",
        ]);
        let mid = times(&h, &mut Vec::new()).mid_jd_utc.unwrap_or(0.0);
        assert!((mid - (2_400_000.5 + 58849.0 + 60.0 / 86400.0)).abs() < 1e-8);
    }
}
