//! JPEG, with its camera data.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    nightfix_fuzz::open(b"\xff\xd8\xff", data);
});
