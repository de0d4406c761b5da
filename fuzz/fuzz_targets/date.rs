//! Dates and times as headers write them.
#![no_main]

use nightfix_fuzz as _;

libfuzzer_sys::fuzz_target!(|text: &str| {
    if let Some(jd_utc) = nightfix::frame::fuzzing::date(text) {
        // Years -4700 to 9999 and a day more, as far as four digits reach.
        assert!((0.0..5_500_000.0).contains(&jd_utc), "{jd_utc}");
    }
});
