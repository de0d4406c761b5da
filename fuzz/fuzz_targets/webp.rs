//! WebP, with and without loss.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    nightfix_fuzz::open(b"RIFF", data);
});
