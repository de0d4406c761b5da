//! Positions as people type them, angles as headers write them.
#![no_main]

use nightfix_fuzz as _;

use nightfix::angle::{format_dec, format_ra, parse_angle, parse_position};

libfuzzer_sys::fuzz_target!(|text: &str| {
    if let Some(angle) = parse_angle(text) {
        assert!(angle.value.is_finite());
        let _ = (format_ra(angle.value), format_dec(angle.value));
    }
    if let Ok(p) = parse_position(text) {
        assert!((0.0..360.0).contains(&p.ra_deg) && (-90.0..=90.0).contains(&p.dec_deg));
        let printed = format!("{} {}", format_ra(p.ra_deg), format_dec(p.dec_deg));
        let again = parse_position(&printed).expect("what is printed can be read");
        let turn = (again.ra_deg - p.ra_deg + 180.0).rem_euclid(360.0) - 180.0;
        // Half of the last digit.
        assert!(turn.abs() <= 0.005 * 15.0 / 3600.0 + 1e-9, "{printed}");
        assert!(
            (again.dec_deg - p.dec_deg).abs() <= 0.05 / 3600.0 + 1e-9,
            "{printed}"
        );
    }
});
