//! Opening frames: every format, real frames where there are some, names that look like
//! something else, and files that are not what they claim.

use nightfix::frame::{Frame, Pixels};
use std::path::PathBuf;

/// Real frames below the folder that `NIGHTFIX_REAL_FRAMES` names.
fn real_frames() -> Vec<PathBuf> {
    let Some(folder) = std::env::var_os("NIGHTFIX_REAL_FRAMES") else {
        eprintln!("NIGHTFIX_REAL_FRAMES names no folder: real frames are NOT tested");
        return Vec::new();
    };
    let mut frames = Vec::new();
    for part in ["night", "single"] {
        let part = PathBuf::from(&folder).join(part);
        for entry in std::fs::read_dir(&part).into_iter().flatten().flatten() {
            frames.push(entry.path());
        }
    }
    assert!(!frames.is_empty(), "NIGHTFIX_REAL_FRAMES holds no frames");
    frames.sort();
    frames
}

#[test]
fn real_frames_open() {
    for path in real_frames() {
        let frame = Frame::open(&path).unwrap_or_else(|e| panic!("{e}"));
        let count = match &frame.pixels {
            Pixels::U8(p) => p.len(),
            Pixels::U16(p) => p.len(),
            Pixels::F32(p) => p.len(),
        };
        assert_eq!(count, frame.width * frame.height, "{}", path.display());
        eprintln!("{} {:?}", path.display(), frame.clues);
    }
}
