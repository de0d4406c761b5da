//! Tile-compressed FITS. Rice and gzip tiles are decoded here, the rare algorithms by the C library
//! in a process of its own.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(init: nightfix_fuzz::use_helper(), |data: &[u8]| {
    nightfix_fuzz::open(b"SIMPLE", data);
});
