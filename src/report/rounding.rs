//! Digits that mean something: output carries a margin below the error, and no noise.

/// `value` to `decimals` places after the point. Never yields -0.
pub fn decimals(value: f64, decimals: i32) -> f64 {
    let factor = 10f64.powi(decimals);
    let rounded = (value * factor).round() / factor;
    // Adding 0 turns -0 into 0 and leaves all else alone.
    if rounded.is_finite() {
        rounded + 0.0
    } else {
        value
    }
}

/// An angle of a full circle to `places` decimals, 0 to below 360 after rounding too.
pub fn turn(angle_deg: f64, places: i32) -> f64 {
    let rounded = decimals(angle_deg.rem_euclid(360.0), places);
    if rounded >= 360.0 { 0.0 } else { rounded }
}

/// `value` to `digits` significant digits.
pub fn significant(value: f64, digits: usize) -> f64 {
    let text = format!("{value:.*e}", digits.saturating_sub(1));
    text.parse().unwrap_or(value) + 0.0
}

/// `value` to the digit that `step` lies in: 12.345 is 12.35 by a step of 0.03.
pub fn to_step(value: f64, step: f64) -> f64 {
    let digits = value.abs().log10().floor() - step.log10().floor() + 1.0;
    if !(step > 0.0 && value.is_finite()) {
        value
    } else if digits >= 1.0 {
        significant(value, digits as usize)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounds_without_surprises() {
        assert_eq!(decimals(83.633_083_33, 4), 83.6331);
        assert!(decimals(-0.000_01, 2).is_sign_positive());
        assert_eq!(turn(359.999_999_9, 3), 0.0);
        assert_eq!(turn(-1e-20, 3), 0.0);
        assert_eq!(significant(-0.001_434_343_843_9, 6), -0.001_434_34);
        assert_eq!(significant(0.0, 6), 0.0);
        assert_eq!(to_step(12.345, 0.03), 12.35);
        assert_eq!(to_step(-1.234_567e-9, 2e-14), -1.234_57e-9);
        assert_eq!(to_step(0.0, 1e-3), 0.0);
        assert_eq!(to_step(4e-5, 1e-3), 0.0);
        assert!(decimals(f64::NAN, 3).is_nan());
    }
}
