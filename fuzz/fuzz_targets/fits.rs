//! FITS headers and uncompressed images, plain and packed by gzip.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let start: &[u8] = if data.starts_with(b"\x1f\x8b") {
        b"\x1f\x8b"
    } else {
        b"SIMPLE"
    };
    nightfix_fuzz::open(start, data);
});
