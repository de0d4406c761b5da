//! Camera data of every container: a tree by itself, in JPEG, RAF, CR3, ORF and RW2.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let Some((first, rest)) = data.split_first() else {
        return;
    };
    nightfix_fuzz::check(&nightfix::frame::fuzzing::camera_data(*first, rest));
});
