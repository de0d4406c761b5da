//! What somebody sees who has just got the program, and what goes into a report about it.

mod run;

use run::{fits, nightfix, sample, stderr, stdout};
use std::io::Read;
use std::path::Path;
use std::process::Output;

fn call(arguments: &[&str]) -> Output {
    nightfix().args(arguments).output().expect("it starts")
}

#[test]
fn without_arguments_it_says_in_six_lines_what_to_do_first() {
    let output = call(&[]);
    assert_eq!(output.status.code(), Some(64));
    assert!(stdout(&output).is_empty());
    let text = stderr(&output);
    assert_eq!(text.lines().count(), 6, "{text}");
    assert!(
        text.lines().all(|line| line.chars().count() <= 80),
        "{text}"
    );
    assert!(text.contains("nightfix solve FRAME"), "{text}");
}

#[test]
fn the_version_is_one_line_and_verbose_what_a_report_needs() {
    let line = stdout(&call(&["--version"]));
    assert_eq!(line, format!("nightfix {}\n", env!("CARGO_PKG_VERSION")));
    assert_eq!(stdout(&call(&["-V"])), line);
    let folder = tempfile::tempdir().unwrap();
    let damaged = folder.path().join("damaged.nfsky");
    std::fs::write(&damaged, b"no star-index").unwrap();
    let mut command = nightfix();
    command.env("NIGHTFIX_INDEX", &damaged);
    let output = command.args(["--version", "--verbose"]).output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let text = stdout(&output);
    for label in ["system", "features", "star-index", "data folder", "besides"] {
        assert!(text.lines().any(|line| line.starts_with(label)), "{text}");
    }
    assert!(
        text.contains(std::env::consts::ARCH) && text.contains("not usable"),
        "{text}"
    );
    assert_eq!(call(&["--verbose"]).status.code(), Some(64));
}

/// Into a file, and with NO_COLOR (no-color.org), nothing but text, whatever is asked for.
#[test]
fn files_get_no_colours() {
    let frame = sample("01-power-cut.fits");
    let frame = frame.to_str().unwrap();
    let plain = |arguments: &[&str], variable: &str| {
        let mut command = nightfix();
        let output = command.env(variable, "1").args(arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        assert!(!stdout(&output).contains('\u{1b}'));
    };
    plain(&["solve", "--ember", frame], "NIGHTFIX_EMBER");
    plain(&["--ember", "solve", frame], "CI");
    plain(&["solve", frame], "NO_COLOR");
}

/// Every file of the bundle of `frame`, by name.
fn bundle(frame: &Path, options: &[&str]) -> (Output, Vec<(String, Vec<u8>)>) {
    let folder = tempfile::tempdir().unwrap();
    let mut command = nightfix();
    command
        .current_dir(folder.path())
        .arg("bundle")
        .arg(frame)
        .args(options);
    let output = command.output().expect("it starts");
    let mut name = frame.file_name().unwrap().to_owned();
    name.push(".bundle.zip");
    let file = std::fs::File::open(folder.path().join(name)).expect("the bundle");
    let mut zip = zip::ZipArchive::new(file).expect("a zip file");
    let parts = (0..zip.len())
        .map(|number| {
            let mut part = zip.by_index(number).unwrap();
            let mut bytes = Vec::new();
            part.read_to_end(&mut bytes).unwrap();
            let name = part.name().to_owned();
            (name, bytes)
        })
        .collect();
    (output, parts)
}

fn names(parts: &[(String, Vec<u8>)]) -> Vec<&str> {
    parts.iter().map(|(name, _)| name.as_str()).collect()
}

#[test]
fn a_bundle_has_what_was_found_and_no_pixels_unless_asked() {
    let frame = sample("01-power-cut.fits");
    let (output, parts) = bundle(&frame, &[]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let usual = [
        "contents.txt",
        "about.txt",
        "header.txt",
        "stars.csv",
        "refused.csv",
        "search.txt",
        "record.json",
    ];
    assert_eq!(names(&parts), usual);
    let part = |name: &str| {
        let (_, bytes) = parts.iter().find(|(n, _)| n == name).unwrap();
        String::from_utf8(bytes.clone()).unwrap()
    };
    let record: serde_json::Value = serde_json::from_str(&part("record.json")).unwrap();
    assert_eq!(record["status"], "solved");
    assert_eq!(record["file"], "frame");
    let stars = part("stars.csv").lines().count() - 1;
    assert_eq!(record["stars"]["detected"], stars);
    assert!(part("header.txt").contains("FOCALLEN"));

    let (_, parts) = bundle(&frame, &["--with-pixels"]);
    let pixels = &parts.iter().find(|(n, _)| n == "pixels.fits").unwrap().1;
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("pixels.fits");
    std::fs::write(&copy, pixels).unwrap();
    let open = |path: &Path| nightfix::frame::Frame::open(path).unwrap();
    assert_eq!(
        format!("{:?}", open(&copy).pixels),
        format!("{:?}", open(&frame).pixels)
    );
}

/// Whoever reads it learns neither who took the frame nor where, nor where it lies.
#[test]
fn a_bundle_tells_no_secrets() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path().join("home-of-A-Person");
    std::fs::create_dir(&home).unwrap();
    let frame = home.join("Secret Valley.fits");
    let cards = [
        "DATE-OBS= '2025-11-18T22:00:00'",
        "OBSERVER= 'A Person'",
        "SITENAME= 'Secret Valley'",
        "SITELAT = 47.123456",
        "SITELONG= 8.654321",
        "TELESCOP= 'of A Person'",
        "COMMENT   by A Person in Secret Valley",
        "EXPTIME = 30.0 / as A Person likes it",
    ];
    let bytes = fits(300, 200, &cards, |x, y| ((x * 31 + y * 17) % 50) as i16);
    std::fs::write(&frame, &bytes).unwrap();
    let check = |what: &str| {
        let (_, parts) = bundle(&frame, &["--with-pixels"]);
        for (name, bytes) in &parts {
            let text = String::from_utf8_lossy(bytes).to_lowercase();
            for secret in ["person", "secret", "valley", "47.12", "8.65"] {
                assert!(
                    !text.contains(secret),
                    "{what}: {name} tells {secret}:\n{text}"
                );
            }
        }
        names(&parts).contains(&"fault.txt")
    };
    assert!(!check("whole"));
    std::fs::write(&frame, &bytes[..bytes.len() / 2]).unwrap();
    assert!(check("damaged"));
}

#[test]
fn no_frame_makes_no_bundle() {
    let folder = tempfile::tempdir().unwrap();
    let mut command = nightfix();
    let output = command
        .current_dir(folder.path())
        .args(["bundle", "none.fits"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(66));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}
