//! Frames that another program overwrites while they are solved: `latest.fits` above all. No
//! position may end up in, beside, or in the journal for a frame that it was not measured on.

mod run;

use nightfix::mount::separation_deg;
use run::night::{CAMERA, bytes_of, spec};
use run::{Random, nightfix, stderr, stdout};
use sample_fields::{Truth, render};
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// One exposure: its file, its pixels as they are stored, where it points.
struct Exposure {
    bytes: Vec<u8>,
    truth: Truth,
}

impl Exposure {
    fn new(off_deg: [f64; 2], minutes: usize) -> Exposure {
        let field = render(&spec(CAMERA, off_deg, 12.0, 900 + minutes as u64)).expect("a frame");
        Exposure {
            bytes: bytes_of(&field, minutes),
            truth: field.truth,
        }
    }

    fn pixels(&self) -> &[u8] {
        let count = 2 * CAMERA.size[0] * CAMERA.size[1];
        &self.bytes[self.bytes.len() - count.next_multiple_of(2880)..]
    }

    /// The two exposures lie half a degree apart.
    fn is_at(&self, position_deg: [f64; 2]) -> bool {
        separation_deg(position_deg, [self.truth.ra_deg, self.truth.dec_deg]) < 0.1
    }
}

/// How a capture program puts a new exposure in the place of the last one.
#[derive(Debug, Clone, Copy)]
enum How {
    Renamed,
    Overwritten,
}

/// The position that the header of a frame holds.
fn position_deg(bytes: &[u8]) -> Option<[f64; 2]> {
    let number = |keyword: &[u8]| -> Option<f64> {
        let cards = bytes.chunks_exact(80).take(200);
        let card = cards.into_iter().find(|card| card.starts_with(keyword))?;
        let text = std::str::from_utf8(card.get(10..)?).ok()?;
        text.split('/').next()?.trim().parse().ok()
    };
    Some([number(b"CRVAL1  =")?, number(b"CRVAL2  =")?])
}

fn command(kind: &str, at: &Path) -> Command {
    let mut command = nightfix();
    command.arg(kind);
    if kind == "solve" {
        command.arg(at.join("latest.fits"));
    } else {
        command.arg(at);
    }
    command.args([
        "--write-wcs",
        "--json",
        "--threads",
        "1",
        "--at",
        "130 19.7",
    ]);
    command.stdout(Stdio::null()).stderr(Stdio::null());
    command
}

/// Solves the first exposure and puts the second one in its place after `delay`; says what is
/// wrong with what is there in the end.
fn swap(kind: &str, how: How, delay: Duration, pair: &[Exposure; 2]) -> Option<String> {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    let (path, part) = (at.join("latest.fits"), at.join(".latest.part"));
    std::fs::write(&path, &pair[0].bytes).expect("a frame");
    std::fs::write(&part, &pair[1].bytes).expect("a frame");
    let mut child = command(kind, at).spawn().expect("it starts");
    std::thread::sleep(delay);
    match how {
        How::Renamed => std::fs::rename(&part, &path).expect("renamed"),
        How::Overwritten => std::fs::write(&path, &pair[1].bytes).expect("overwritten"),
    }
    let status = child.wait().expect("it ends");
    if status.code().is_none() {
        return Some(format!("ended by a signal: {status}"));
    }
    let bytes = std::fs::read(&path).expect("the frame");
    let Some(shown) = pair.iter().find(|e| bytes.ends_with(e.pixels())) else {
        return Some("the frame is neither exposure".into());
    };
    // Only a program that writes into the old file can lose its own picture.
    if matches!(how, How::Renamed) && !bytes.ends_with(pair[1].pixels()) {
        return Some("the new exposure is gone".into());
    }
    if let Some(position) = position_deg(&bytes).filter(|at| !shown.is_at(*at)) {
        return Some(format!("{position:?} was written into the wrong frame"));
    }
    let litter = std::fs::read_dir(at).expect("a folder").flatten();
    let mut litter = litter.filter(|e| e.file_name().to_string_lossy().starts_with(".nightfix-"));
    if let Some(file) = litter.next() {
        return Some(format!("{:?} was left behind", file.file_name()));
    }
    (kind == "night").then(|| remembered(at, shown)).flatten()
}

/// What is wrong with what a second run says of the frame.
fn remembered(at: &Path, shown: &Exposure) -> Option<String> {
    let output = nightfix().arg("night").arg(at).arg("--json").output();
    let output = output.expect("the command starts");
    let record: Value = serde_json::from_str(stdout(&output).trim()).ok()?;
    let centre = ["ra_deg", "dec_deg"].map(|key| record["centre"][key].as_f64());
    match centre {
        [Some(ra_deg), Some(dec_deg)] if shown.is_at([ra_deg, dec_deg]) => None,
        _ => Some(format!(
            "the journal says {centre:?} of another frame; {}",
            stderr(&output)
        )),
    }
}

fn swaps(count: usize) {
    let pair = [Exposure::new([0.0, 0.0], 1), Exposure::new([0.4, -0.3], 5)];
    assert_eq!(pair[0].bytes.len(), pair[1].bytes.len());
    let mut random = Random(18);
    let mut faults = Vec::new();
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("latest.fits"), &pair[0].bytes).expect("a frame");
    let begin = Instant::now();
    let done = command("solve", folder.path()).status().expect("it runs");
    assert_eq!(done.code(), Some(0));
    let usual = begin.elapsed();
    let kinds = [
        ("solve", How::Renamed),
        ("night", How::Renamed),
        ("solve", How::Overwritten),
        ("night", How::Overwritten),
    ];
    for number in 0..count {
        let (kind, how) = kinds[number % kinds.len()];
        let delay = usual.mul_f64(1.3 * random.next());
        let fault = swap(kind, how, delay, &pair);
        faults.extend(fault.map(|f| format!("{number}: {kind}, {how:?} after {delay:?}: {f}")));
    }
    println!(
        "\n{count} swaps within 1.3 times {usual:?}: {} faults",
        faults.len()
    );
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn no_position_lands_in_another_frame() {
    swaps(32);
}

#[test]
#[ignore = "minutes: cargo test --release --test swaps -- --ignored --nocapture a_thousand_swaps"]
fn a_thousand_swaps() {
    swaps(1000);
}
