//! Numbers, times and angles as people read them.

use crate::mount::{Moment, compass_word};
use crate::track::Estimate;

/// With a true minus and this number of decimals; no sign for what rounds to zero.
pub fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().all(|c| c == '0' || c == '.') => digits.to_owned(),
        Some(digits) => format!("\u{2212}{digits}"),
        None => text,
    }
}

/// With its sign, plus too.
pub fn signed(value: f64, decimals: usize) -> String {
    let text = number(value, decimals);
    if value > 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        format!("+{text}")
    } else {
        text
    }
}

/// Decimals that show two digits of `error`, or of `value` where the error says nothing; three at
/// most: what is better known than that matters to nobody.
pub fn decimals_for(value: f64, error: f64) -> usize {
    let measure = if error.is_finite() && error > 0.0 {
        error
    } else {
        value.abs() / 10.0
    };
    if !(measure > 0.0 && measure.is_finite()) {
        return 2;
    }
    (1.0 - measure.log10().floor()).clamp(0.0, 3.0) as usize
}

/// A number with its standard error: `−3.67 ± 0.12`.
pub fn estimate(e: Estimate) -> String {
    let decimals = decimals_for(e.value, e.error);
    if e.error.is_finite() {
        format!(
            "{} ± {}",
            signed(e.value, decimals),
            number(e.error, decimals)
        )
    } else {
        signed(e.value, decimals)
    }
}

/// The same without the sign.
pub fn size(e: Estimate) -> String {
    estimate(Estimate {
        value: e.value.abs(),
        error: e.error,
    })
    .trim_start_matches('+')
    .to_owned()
}

/// An angle on the sky in the unit that suits it.
pub fn angle(arcmin: f64) -> String {
    match arcmin.abs() {
        a if a < 1.0 => format!("{}″", number(arcmin * 60.0, if a < 0.1 { 1 } else { 0 })),
        a if a < 60.0 => format!("{}′", number(arcmin, if a < 10.0 { 1 } else { 0 })),
        _ => format!("{}°", number(arcmin / 60.0, 2)),
    }
}

/// One of eight directions on the sky: `north-west`.
pub fn towards(east: f64, north: f64) -> &'static str {
    compass_word(east.atan2(north).to_degrees())
}

/// `2017-12-20 01:34`, UTC.
pub fn date_time(jd_utc: f64) -> String {
    iso(jd_utc).map_or_else(
        || "?".into(),
        |iso| format!("{} {}", &iso[..10], &iso[11..16]),
    )
}

/// `01:34:13`, UTC.
pub fn clock(jd_utc: f64) -> String {
    iso(jd_utc).map_or_else(|| "?".into(), |iso| iso[11..19].to_owned())
}

/// The date and time that machines read.
pub fn iso(jd_utc: f64) -> Option<String> {
    let text = Moment::from_jd_utc(jd_utc)?.iso_utc();
    (text.len() >= 19 && text.is_ascii()).then_some(text)
}

/// `6 h 53 min`, `47 min`.
pub fn duration(minutes: f64) -> String {
    let whole = minutes.round().max(0.0) as u64;
    match (whole / 60, whole % 60) {
        (0, m) => format!("{m} min"),
        (h, m) => format!("{h} h {m:02} min"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_well() {
        assert_eq!(number(-0.001, 2), "0.00");
        assert_eq!(number(-1.5, 1), "\u{2212}1.5");
        assert_eq!(signed(2.0, 1), "+2.0");
        assert_eq!(signed(0.001, 1), "0.0");
        let e = |value, error| Estimate { value, error };
        assert_eq!(estimate(e(-3.669, 0.12)), "\u{2212}3.67 ± 0.12");
        assert_eq!(estimate(e(3.6, f64::NAN)), "+3.60");
        assert_eq!(size(e(-25.3, 1.3)), "25.3 ± 1.3");
        assert_eq!(angle(0.5), "30″");
        assert_eq!(angle(23.4), "23′");
        assert_eq!(angle(90.0), "1.50°");
        assert_eq!(duration(413.4), "6 h 53 min");
        assert_eq!(date_time(2_458_107.565_431_9), "2017-12-20 01:34");
        assert_eq!(date_time(f64::NAN), "?");
        assert_eq!(towards(-1.0, 0.1), "west");
        assert_eq!(towards(1.0, -1.0), "south-east");
    }
}
