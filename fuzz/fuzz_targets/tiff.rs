//! TIFF and BigTIFF, either byte order, with their camera data.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let start: &[u8] = match data.get(..4) {
        Some(b"MM\0*") => b"MM\0*",
        Some(b"II+\0") => b"II+\0",
        Some(b"MM\0+") => b"MM\0+",
        _ => b"II*\0",
    };
    nightfix_fuzz::open(start, data);
});
