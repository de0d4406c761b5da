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
    assert_eq!(index.header().stars, 973_051);
    // Components that carry the magnitude of their system are one star.
    assert_eq!(equal_pairs(&index, 25.0), (0, 1));
    for band in index.bands() {
        assert!(band.quads > 0 && 0.0 < band.shortest_rad);
        assert!(band.shortest_rad < band.longest_rad && band.longest_rad < 1.6);
    }
    // Nothing but the two indexes is left behind.
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
}

/// Pairs of stars of equal magnitude closer than this many arcsec, and the stars within a tenth of
/// a degree of alpha Crucis that are as bright. Slow but obvious within each declination zone.
fn equal_pairs(index: &star_index::StarIndex, arcsec: f64) -> (usize, usize) {
    let mut stars = Vec::new();
    for (tier, info) in index.tiers().iter().enumerate() {
        let cells = 12_u64 << (2 * info.depth);
        for star in index.cells(tier, 0, cells).unwrap().iter() {
            stars.push((star.mag_centi(), star.vector()));
        }
    }
    stars.sort_by(|a, b| a.0.cmp(&b.0).then(a.1[2].total_cmp(&b.1[2])));
    let limit = (arcsec / 3600.0).to_radians();
    let chord =
        |a: [f64; 3], b: [f64; 3]| (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt();
    let mut pairs = 0;
    for (k, a) in stars.iter().enumerate() {
        let above = stars[k + 1..].iter();
        let near = above.take_while(|b| b.0 == a.0 && b.1[2] - a.1[2] <= limit);
        pairs += near.filter(|b| chord(a.1, b.1) <= limit).count();
    }
    // Position from memory: 186.65, -63.10.
    let (ra, dec) = (186.65_f64.to_radians(), -63.10_f64.to_radians());
    let crucis = [dec.cos() * ra.cos(), dec.cos() * ra.sin(), dec.sin()];
    let there = |s: &&(i16, [f64; 3])| s.0 < 200 && chord(s.1, crucis) < 0.1_f64.to_radians();
    (pairs, stars.iter().filter(there).count())
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

fn synthesize(out: &Path, more: &[&str]) -> Vec<String> {
    let output = Command::new(env!("CARGO_BIN_EXE_index-builder"))
        .args(["synthesize", "--stars", "500000", "--out"])
        .arg(out)
        .args(more)
        .output()
        .unwrap();
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{complaint}");
    let text = std::fs::read_to_string(out).unwrap();
    text.lines().map(str::to_owned).collect()
}

/// A part of a made-up sky is that part of the whole one, and all that is near is in it.
#[test]
fn a_part_of_a_made_up_sky() {
    let folder = tempfile::tempdir().unwrap();
    let [whole, part] = ["whole.csv", "part.csv"].map(|name| folder.path().join(name));
    let whole = synthesize(&whole, &[]);
    let circles = [
        "--around",
        "M 81",
        "--around",
        "150.0 -20.0",
        "--radius",
        "2",
    ];
    let part = synthesize(&part, &circles);
    assert_eq!(whole[0], part[0]);
    let all: std::collections::BTreeSet<&String> = whole.iter().collect();
    assert!(part.len() > 100 && part.len() < whole.len() / 100);
    assert!(part.iter().all(|row| all.contains(row)));
    let part: std::collections::BTreeSet<&String> = part.iter().collect();
    // M 81: 148.888, +69.065 (Messier 81 in the catalogues, from memory).
    for [ra_deg, dec_deg] in [[148.888, 69.065], [150.0, -20.0]] {
        let near = |row: &&String| {
            let number = |k: usize| row.split(',').nth(k).unwrap().parse::<f64>().unwrap();
            let across = (number(2) - ra_deg) * f64::cos(f64::to_radians(dec_deg));
            across.hypot(number(3) - dec_deg) < 1.9
        };
        let near: Vec<&String> = whole.iter().skip(1).filter(near).collect();
        assert!(near.len() > 20, "{}", near.len());
        assert!(near.iter().all(|row| part.contains(row)));
    }
}
