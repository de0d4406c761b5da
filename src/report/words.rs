//! Angles, chances and moves in words.

/// The chance of a false match in words.
pub fn chance_words(log10_chance: f64) -> String {
    let power = (-log10_chance).floor();
    // NaN ends here too.
    if power.is_nan() || power < 1.0 {
        return "none: this may well be a chance match".into();
    }
    let odds = match power as u32 {
        power @ 1..=5 => format!("1 in {}", 10u64.pow(power)),
        6 => "1 in a million".into(),
        7 => "1 in 10 million".into(),
        8 => "1 in 100 million".into(),
        9..=11 => "1 in a thousand million".into(),
        _ => "1 in a million million".into(),
    };
    format!("chance of a false match under {odds} (10^{log10_chance:.0})")
}

/// An angle in the unit that suits it: degrees, arcminutes or arcseconds.
pub fn small_angle(angle_deg: f64) -> String {
    let arcsec = angle_deg.abs() * 3600.0;
    match arcsec {
        // A radius of nothing does not exist.
        a if a < 0.095 => format!("{a:.2}\""),
        a if a < 10.0 => format!("{a:.1}\""),
        a if a < 59.5 => format!("{a:.0}\""),
        a if a < 600.0 => format!("{:.2}'", a / 60.0),
        a if a < 5400.0 => format!("{:.1}'", a / 60.0),
        a if a < 36_000.0 => format!("{:.2} deg", a / 3600.0),
        a => format!("{:.1} deg", a / 3600.0),
    }
}

/// The same of a side of a field.
pub fn size(angle_deg: f64) -> String {
    match angle_deg {
        a if a < 0.2 => format!("{:.1}'", a * 60.0),
        a if a < 10.0 => format!("{a:.2} deg"),
        a => format!("{a:.1} deg"),
    }
}

/// A pixel scale.
pub fn three_decimals(scale: f64) -> String {
    if scale < 10.0 {
        format!("{scale:.4}")
    } else {
        format!("{scale:.2}")
    }
}

/// The opposite of a pointing error (so far too far east and north, arcmin), in words.
pub fn mending(east_arcmin: f64, north_arcmin: f64) -> String {
    // Below a tenth of an arcsecond there is nothing to move.
    const NOTHING_ARCMIN: f64 = 0.1 / 60.0;
    let part = |off_arcmin: f64, if_positive: &str, if_negative: &str| {
        (off_arcmin.abs() >= NOTHING_ARCMIN).then(|| {
            let word = if off_arcmin > 0.0 {
                if_positive
            } else {
                if_negative
            };
            format!("{} {word}", small_angle(off_arcmin.abs() / 60.0))
        })
    };
    let parts: Vec<String> = [
        part(east_arcmin, "west", "east"),
        part(north_arcmin, "south", "north"),
    ]
    .into_iter()
    .flatten()
    .collect();
    match parts.is_empty() {
        true => "nothing to move".into(),
        false => format!("move {}", parts.join(" and ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn angles_in_the_unit_that_suits() {
        assert_eq!(small_angle(0.034 / 3600.0), "0.03\"");
        assert_eq!(small_angle(0.5 / 3600.0), "0.5\"");
        assert_eq!(small_angle(42.0 / 3600.0), "42\"");
        assert_eq!(small_angle(12.34 / 60.0), "12.3'");
        assert_eq!(small_angle(2.345), "2.35 deg");
    }

    #[test]
    fn chances_are_never_overstated() {
        assert!(chance_words(-7.9).contains("1 in 10 million"));
        assert!(chance_words(-123.4).contains("million million"));
        assert!(chance_words(-0.2).contains("may well"));
        assert!(chance_words(f64::NAN).contains("may well"));
        assert!(chance_words(f64::NEG_INFINITY).contains("million million"));
    }
}
