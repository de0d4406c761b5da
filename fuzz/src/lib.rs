//! What the fuzz targets share: a file for each input, and what must hold for whatever opens.

mod driver;

use nightfix::frame::{Clues, Frame, Pixels};
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// The program that decodes in a process of its own.
const HELPER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../target/release/nightfix");

static FOLDER: LazyLock<tempfile::TempDir> = LazyLock::new(|| {
    let in_memory = Path::new("/dev/shm");
    let folder = if in_memory.is_dir() {
        tempfile::tempdir_in(in_memory)
    } else {
        tempfile::tempdir()
    };
    folder.expect("a temporary folder")
});

/// Has camera raw decoded as the program does it, in a process of its own.
pub fn use_helper() {
    assert!(
        Path::new(HELPER).is_file(),
        "{HELPER} is missing: run `cargo build --release` in the folder above first"
    );
    nightfix::itself::set_program(HELPER.into(), Vec::new());
}

/// Writes an input to a file in memory.
pub fn file(data: &[u8]) -> PathBuf {
    let path = FOLDER.path().join("input");
    std::fs::write(&path, data).expect("room for a small file");
    path
}

/// Opens `data` as a frame, with `start` in place of its first bytes so that its format is the one
/// wanted.
pub fn open(start: &[u8], data: &[u8]) {
    let mut bytes = start.to_vec();
    bytes.extend(data.iter().skip(start.len()));
    match Frame::open(&file(&bytes)) {
        Ok(frame) => {
            let pixels = match &frame.pixels {
                Pixels::U8(p) => p.len(),
                Pixels::U16(p) => p.len(),
                Pixels::F32(p) => p.len(),
            };
            assert_eq!(pixels, frame.width * frame.height);
            check(&frame.clues);
        }
        Err(error) => assert_eq!(error.to_string().lines().count(), 1, "{error}"),
    }
}

/// Positions on the sky, scales above zero, a site on Earth, remarks of one line.
pub fn check(clues: &Clues) {
    for clue in &clues.positions {
        assert!((0.0..360.0).contains(&clue.ra_deg), "{clue:?}");
        assert!((-90.0..=90.0).contains(&clue.dec_deg), "{clue:?}");
    }
    for clue in &clues.scales {
        let scale = clue.arcsec_per_px;
        assert!(scale > 0.0 && scale.is_finite(), "{clue:?}");
    }
    if let Some(site) = clues.site {
        assert!((-90.0..=90.0).contains(&site.latitude_deg), "{site:?}");
        assert!((-180.0..=180.0).contains(&site.longitude_deg), "{site:?}");
    }
    for remark in &clues.remarks {
        assert_eq!(remark.lines().count(), 1, "{remark:?}");
    }
}
