//! The `index-builder` command as a user runs it.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn catalogue() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("catalogue/bright-stars.nfcat")
}

fn build(out: &Path, input: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_index-builder"))
        .args(["build", "--no-report", "--out"])
        .args([out, input])
        .output()
        .unwrap()
}

/// The exit status, and that the last line of the complaint names the file.
fn refused(output: &Output, status: i32, named: &Path) {
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(status), "{complaint}");
    let last = complaint.lines().last().unwrap_or_default();
    assert!(last.contains(&*named.to_string_lossy()), "{complaint}");
    assert!(!complaint.contains("panicked"), "{complaint}");
}

#[test]
fn the_same_catalogue_gives_the_same_bytes() {
    let folder = tempfile::tempdir().unwrap();
    let [first, second] = ["first.nfsky", "second.nfsky"].map(|name| folder.path().join(name));
    for out in [&first, &second] {
        let output = build(out, &catalogue());
        let text = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{text}");
    }
    let bytes = std::fs::read(&first).unwrap();
    assert!(bytes == std::fs::read(&second).unwrap());
    let index = star_index::StarIndex::open(&first).unwrap();
    index.verify_all().unwrap();
    assert_eq!(index.header().stars, 976_026);
    for band in index.bands() {
        assert!(band.quads > 0 && 0.0 < band.shortest_rad);
        assert!(band.shortest_rad < band.longest_rad && band.longest_rad < 1.6);
    }
    // Nothing but the two indexes is left behind.
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
}

#[test]
fn what_cannot_be_used_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("sky.nfsky");
    let missing = folder.path().join("no such.nfcat");
    refused(&build(&out, &missing), 66, &missing);
    let whole = std::fs::read(catalogue()).unwrap();
    for (name, bytes) in [
        ("empty.nfcat", &[][..]),
        ("cut.nfcat", &whole[..whole.len() / 2]),
        ("other.nfcat", b"ra,dec,mag\n1,2,3\n"),
    ] {
        let input = folder.path().join(name);
        std::fs::write(&input, bytes).unwrap();
        refused(&build(&out, &input), 65, &input);
        assert!(!out.exists());
    }
}

#[test]
fn a_place_that_cannot_be_written_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let nowhere = folder.path().join("missing folder").join("sky.nfsky");
    refused(&build(&nowhere, &catalogue()), 74, &nowhere);
    refused(&build(folder.path(), &catalogue()), 74, folder.path());
}

#[test]
fn wrong_usage_has_its_own_status() {
    let output = Command::new(env!("CARGO_BIN_EXE_index-builder"))
        .args(["build", "--windows", "many"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(64));
}
