//! Camera raw files, decoded in a process of its own: a hundredth of the speed of the others, and
//! what the child does is not seen by the fuzzer. What the parent makes of it is.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(init: nightfix_fuzz::use_helper(), |data: &[u8]| {
    nightfix_fuzz::open(b"", data);
});
