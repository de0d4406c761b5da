//! Angles as text. Rounding happens once, in the last digit's unit, so that it carries.

/// Right ascension as `05h34m31.94s`, any finite angle in degrees; never 60 s, never 24 h.
///
/// ```
/// assert_eq!(nightfix::angle::format_ra(83.633083), "05h34m31.94s");
/// assert_eq!(nightfix::angle::format_ra(359.9999999), "00h00m00.00s");
/// ```
pub fn format_ra(deg: f64) -> String {
    const CENTISECONDS_PER_DAY: u64 = 24 * 3600 * 100;
    if !deg.is_finite() {
        return "unknown".into();
    }
    let total = (deg.rem_euclid(360.0) / 15.0 * 360_000.0).round() as u64 % CENTISECONDS_PER_DAY;
    let (seconds, fraction) = (total / 100, total % 100);
    format!(
        "{:02}h{:02}m{:02}.{fraction:02}s",
        seconds / 3600,
        seconds / 60 % 60,
        seconds % 60
    )
}

/// Declination as `+22d00m52.2s`, degrees; never 60 s. What rounds to zero is `+`.
///
/// ```
/// assert_eq!(nightfix::angle::format_dec(22.0145), "+22d00m52.2s");
/// assert_eq!(nightfix::angle::format_dec(-0.9999999), "-01d00m00.0s");
/// ```
pub fn format_dec(deg: f64) -> String {
    if !deg.is_finite() {
        return "unknown".into();
    }
    let total = (deg.abs().min(360.0) * 36_000.0).round() as u64;
    let sign = if deg < 0.0 && total > 0 { '-' } else { '+' };
    let (seconds, fraction) = (total / 10, total % 10);
    format!(
        "{sign}{:02}d{:02}m{:02}.{fraction}s",
        seconds / 3600,
        seconds / 60 % 60,
        seconds % 60
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// astropy 8.0.2, `Angle(x, 'deg').to_string(unit, sep='hms' or 'dms', precision, pad=True)`.
    #[test]
    fn agrees_with_astropy() {
        assert_eq!(format_ra(279.234_734_79), "18h36m56.34s");
        assert_eq!(format_dec(38.783_688_96), "+38d47m01.3s");
        assert_eq!(format_ra(0.004_166_666), "00h00m01.00s");
        assert_eq!(format_dec(-0.002_777_777), "-00d00m10.0s");
        assert_eq!(format_dec(-90.0), "-90d00m00.0s");
    }

    /// Whole numbers of the text, and digits behind the point apart.
    fn numbers(text: &str) -> Vec<u32> {
        text.split(|c: char| !c.is_ascii_digit())
            .filter_map(|digits| digits.parse().ok())
            .collect()
    }

    proptest! {
        #[test]
        fn carries_and_comes_back(ra in 0.0..360.0_f64, dec in -90.0..=90.0_f64) {
            let text = format!("{} {}", format_ra(ra), format_dec(dec));
            prop_assert!(!text.contains("60.") && !text.contains("60m") && !text.contains("24h"));
            let back = crate::angle::parse_position(&text).map_err(|e| {
                TestCaseError::fail(format!("{text}: {e}"))
            })?;
            let turn = (back.ra_deg - ra + 180.0).rem_euclid(360.0) - 180.0;
            // Half a unit of the last digit.
            prop_assert!(turn.abs() <= 0.005 * 15.0 / 3600.0 + 1e-9);
            prop_assert!((back.dec_deg - dec).abs() <= 0.05 / 3600.0 + 1e-9);
        }

        /// Beside full minutes and degrees, where a carry goes wrong if anywhere.
        #[test]
        fn carries_beside_full_minutes(
            minutes in 0..21_600_i32,
            off in -1e-5..1e-5_f64,
            south in any::<bool>(),
        ) {
            let deg = f64::from(minutes) / 60.0 + off;
            let ra = numbers(&format_ra(deg));
            prop_assert!(matches!(ra[..], [0..24, 0..60, 0..60, 0..100]), "{ra:?}");
            let dec = if south { -deg / 4.0 } else { deg / 4.0 };
            let text = format_dec(dec);
            prop_assert!(matches!(numbers(&text)[..], [0..=90, 0..60, 0..60, 0..10]), "{text}");
            let back = crate::angle::parse_angle(&text).map_or(f64::NAN, |a| a.value);
            prop_assert!((back - dec).abs() <= 0.05 / 3600.0 + 1e-9, "{text}: {back} {dec}");
        }

        /// Whatever the number: one of the two forms, or the word for what is no angle.
        #[test]
        fn any_number_has_the_form(deg in prop::num::f64::ANY) {
            let (ra, dec) = (format_ra(deg), format_dec(deg));
            if !deg.is_finite() {
                prop_assert_eq!((ra, dec), ("unknown".to_owned(), "unknown".to_owned()));
                return Ok(());
            }
            prop_assert_eq!(ra.len(), "05h34m31.94s".len(), "{}", &ra);
            prop_assert!(matches!(numbers(&ra)[..], [0..24, 0..60, 0..60, 0..100]), "{ra}");
            prop_assert!(dec.starts_with(['+', '-']), "{dec}");
            prop_assert!(matches!(numbers(&dec)[..], [0..=360, 0..60, 0..60, 0..10]), "{dec}");
            prop_assert!(crate::angle::parse_angle(&dec).is_some(), "{dec}");
        }
    }
}
