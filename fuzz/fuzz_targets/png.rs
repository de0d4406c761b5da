//! PNG. The decoding library leaves out checksums where it is fuzzed.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    nightfix_fuzz::open(b"\x89PNG\r\n\x1a\n", data);
});
