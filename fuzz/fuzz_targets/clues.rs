//! The clues of a FITS header.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    nightfix_fuzz::check(&nightfix::frame::fuzzing::header(data));
});
