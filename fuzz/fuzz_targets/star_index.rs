//! The reader of star-indexes (.nfsky), behind its checksums: these are made right first.
#![no_main]

use star_index::StarIndex;

#[path = "../../tests/support/index_file.rs"]
mod index_file;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let mut bytes = data.to_vec();
    index_file::sign(&mut bytes, data);
    if let Ok(index) = StarIndex::open(&nightfix_fuzz::file(&bytes)) {
        index_file::read_all(&index);
    }
});
