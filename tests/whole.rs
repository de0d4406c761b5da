//! Whole solves by the program itself: demonstration frames with their truth, and real frames
//! where the environment variable NIGHTFIX_REAL_FRAMES names their folder.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

fn solve(frame: &Path, options: &[&str]) -> (Value, i32) {
    let output = Command::new(env!("CARGO_BIN_EXE_nightfix"))
        .args(["solve", "--json"])
        .args(options)
        .arg("--")
        .arg(frame)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    (
        serde_json::from_str(&text).unwrap(),
        output.status.code().unwrap(),
    )
}

/// Distance of the centre found from the truth, in pixels, by the haversine formula.
fn off_px(found: &Value, ra_deg: f64, dec_deg: f64, scale: f64) -> f64 {
    let ra = found["centre"]["ra_deg"].as_f64().unwrap().to_radians();
    let dec = found["centre"]["dec_deg"].as_f64().unwrap().to_radians();
    let (ra0, dec0) = (ra_deg.to_radians(), dec_deg.to_radians());
    let half = ((dec - dec0) / 2.0).sin().powi(2)
        + dec.cos() * dec0.cos() * ((ra - ra0) / 2.0).sin().powi(2);
    2.0 * half.sqrt().asin().to_degrees() * 3600.0 / scale
}

fn number(value: &Value, key: &str) -> f64 {
    value[key]
        .as_f64()
        .unwrap_or_else(|| panic!("{key} in {value}"))
}

fn frames() -> (PathBuf, Value) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-fields/frames");
    let truth = std::fs::read_to_string(folder.join("truth.json")).unwrap();
    (folder, serde_json::from_str(&truth).unwrap())
}

fn entries(list: &Value) -> Vec<Value> {
    let list = list.as_array().or_else(|| list["frames"].as_array());
    list.expect("a list of frames").clone()
}

#[test]
fn demonstration_frames_solve_with_and_without_their_headers() {
    let (folder, list) = frames();
    let list = entries(&list);
    assert!(list.len() >= 6);
    for truth in list {
        let path = folder.join(truth["file"].as_str().unwrap());
        for options in [&["--ignore-header"][..], &[]] {
            let (found, code) = solve(&path, options);
            if truth["status"] == "unsolved" {
                assert_eq!(
                    (found["status"].as_str(), code),
                    (Some("unsolved"), 1),
                    "{truth}"
                );
                continue;
            }
            assert_eq!(
                (found["status"].as_str(), code),
                (Some("solved"), 0),
                "{found}"
            );
            let truth = if truth["truth"].is_object() {
                &truth["truth"]
            } else {
                &truth
            };
            let scale = number(truth, "scale_arcsec_per_px");
            let off = off_px(
                &found,
                number(truth, "ra_deg"),
                number(truth, "dec_deg"),
                scale,
            );
            assert!(off < 1.0, "{}: {off:.2} px off", path.display());
            assert!((number(&found, "scale_arcsec_per_px") / scale - 1.0).abs() < 0.005);
            assert_eq!(found["mirrored"], truth["mirrored"], "{}", path.display());
        }
    }
}

/// Truth fitted independently, 10 to 400 stars each, good to 0.3 px unless a note says otherwise.
#[test]
fn real_frames_solve_with_and_without_their_headers() {
    let Some(folder) = std::env::var_os("NIGHTFIX_REAL_FRAMES").map(PathBuf::from) else {
        eprintln!("\nskipped: real frames, since NIGHTFIX_REAL_FRAMES names no folder");
        return;
    };
    let text = std::fs::read_to_string(folder.join("truth.json")).unwrap();
    let list: Value = serde_json::from_str(&text).unwrap();
    let mut checked = 0;
    for truth in entries(&list) {
        let name = truth["file"].as_str().unwrap();
        for options in [&["--ignore-header"][..], &[]] {
            let (found, code) = solve(&folder.join(name), options);
            assert_eq!(
                found["status"], "solved",
                "{name} {options:?}: {}",
                found["reason"]
            );
            let scale = number(&truth, "scale_arcsec_per_px");
            let centre = [
                number(&truth, "centre_ra_deg"),
                number(&truth, "centre_dec_deg"),
            ];
            // The note of the strongly distorted lens allows an arc minute in the centre.
            let note = truth["note"].as_str().unwrap_or_default();
            let allowed_px = if note.contains("allow 1 arcmin") {
                60.0 / scale + 2.0
            } else {
                2.0
            };
            let off = off_px(&found, centre[0], centre[1], scale);
            assert!(off < allowed_px, "{name} {options:?}: {off:.2} px off");
            assert_eq!(code, 0, "{name}");
            checked += 1;
        }
    }
    assert!(checked > 0);
    eprintln!("\nreal frames: {checked} solves checked");
}

/// The pixels of an unsigned 16-bit FITS file of one plane, with its axes.
fn pixels(path: &Path) -> (Vec<u16>, [usize; 2]) {
    match nightfix::frame::Frame::open(path) {
        Ok(nightfix::frame::Frame {
            pixels: nightfix::frame::Pixels::U16(pixels),
            width,
            height,
            ..
        }) => (pixels, [width, height]),
        other => panic!("{:?}", other.map(|f| f.path)),
    }
}

/// A FITS file of these numbers as 32-bit floating point.
fn fits_real(axes: &[usize], values: impl Iterator<Item = f32>) -> Vec<u8> {
    let mut cards = vec!["SIMPLE  = T".to_owned(), "BITPIX  = -32".into()];
    cards.push(format!("NAXIS   = {}", axes.len()));
    cards.extend(
        axes.iter()
            .enumerate()
            .map(|(i, n)| format!("NAXIS{}  = {n}", i + 1)),
    );
    cards.push("END".into());
    let mut bytes: Vec<u8> = cards
        .iter()
        .flat_map(|c| format!("{c:<80}").into_bytes())
        .collect();
    bytes.resize(2880, b' ');
    bytes.extend(values.flat_map(f32::to_be_bytes));
    bytes.resize(bytes.len().next_multiple_of(2880), 0);
    bytes
}

/// The same sky in other numbers: 0 to 1, below zero, without a border, colours first.
#[test]
fn the_kind_of_numbers_does_not_move_the_answer() {
    let (folder, _) = frames();
    let original = folder.join("01-power-cut.fits");
    let (words, [width, height]) = pixels(&original);
    let place = tempfile::tempdir().unwrap();
    let (expected, _) = solve(&original, &["--ignore-header"]);
    let centre = &expected["centre"];
    let (ra, dec) = (number(centre, "ra_deg"), number(centre, "dec_deg"));
    let scale = number(&expected, "scale_arcsec_per_px");
    let unit = |v: &u16| f32::from(*v) / 65535.0;
    let border = |i: usize| i / width < 20 || i % width < 20;
    let cases = [
        ("unit", fits_real(&[width, height], words.iter().map(unit))),
        (
            "negative",
            fits_real(
                &[width, height],
                words.iter().map(|v| f32::from(*v) - 3000.0),
            ),
        ),
        (
            "blank border",
            fits_real(
                &[width, height],
                words
                    .iter()
                    .enumerate()
                    .map(|(i, v)| if border(i) { f32::NAN } else { unit(v) }),
            ),
        ),
        (
            "colours first",
            fits_real(
                &[3, width, height],
                words
                    .iter()
                    .flat_map(|v| [0.5, 1.0, 1.5].map(|k| k * unit(v))),
            ),
        ),
    ];
    for (what, bytes) in cases {
        let path = place.path().join("frame.fits");
        std::fs::write(&path, bytes).unwrap();
        let (found, code) = solve(&path, &[]);
        assert_eq!(code, 0, "{what}: {}", found["reason"]);
        // The border takes stars away from the fit.
        let off = off_px(&found, ra, dec, scale);
        assert!(
            off < if what == "blank border" { 0.3 } else { 0.02 },
            "{what}: {off} px"
        );
    }
}

#[test]
fn the_answer_does_not_depend_on_the_number_of_threads() {
    let (folder, _) = frames();
    let of = |threads: &str| {
        let (mut found, _) = solve(
            &folder.join("01-power-cut.fits"),
            &["--ignore-header", "--threads", threads],
        );
        found["elapsed_ms"] = Value::Null;
        found
    };
    assert_eq!(of("1"), of("2"));
}

#[test]
fn a_wrong_hemisphere_and_a_wrong_scale_only_cost_time() {
    let (folder, list) = frames();
    let frame = folder.join("01-power-cut.fits");
    let truth = &entries(&list)[0];
    let truth = if truth["truth"].is_object() {
        &truth["truth"]
    } else {
        truth
    };
    let opposite = format!(
        "{} {}",
        (number(truth, "ra_deg") + 180.0) % 360.0,
        -number(truth, "dec_deg")
    );
    let (found, code) = solve(
        &frame,
        &["--at", &opposite, "--scale", "300", "--ignore-header"],
    );
    assert_eq!(code, 0, "{found}");
    let scale = number(truth, "scale_arcsec_per_px");
    assert!(
        off_px(
            &found,
            number(truth, "ra_deg"),
            number(truth, "dec_deg"),
            scale
        ) < 1.0
    );
    // The search stays where it is told to stay.
    let bounded = [
        "--at",
        opposite.as_str(),
        "--within",
        "3",
        "--ignore-header",
    ];
    assert_eq!(solve(&frame, &bounded).1, 1);
}

#[test]
fn clumsy_names_open_that_very_file() {
    let (folder, _) = frames();
    let place = tempfile::tempdir().unwrap();
    for name in [
        "M31 (1)[2].fits",
        "cube.fits[1:10,1:10]",
        "-dash+.fits",
        "\u{e9}t\u{e9} \u{661f}.fits",
    ] {
        let path = place.path().join(name);
        std::fs::copy(folder.join("01-power-cut.fits"), &path).unwrap();
        let (found, code) = solve(&path, &[]);
        assert_eq!(code, 0, "{name}: {}", found["reason"]);
    }
}

/// Pictures that people have developed: those of known place solve there, and of the others none is
/// proven beyond the part in which its stars match, or some hundred do all over it, to within a pixel.
#[test]
fn developed_pictures_of_real_skies() {
    let Some(folder) = std::env::var_os("NIGHTFIX_REAL_FRAMES").map(PathBuf::from) else {
        eprintln!("\nskipped: developed pictures, since NIGHTFIX_REAL_FRAMES names no folder");
        return;
    };
    let folder = folder.join("wild");
    let Ok(text) = std::fs::read_to_string(folder.join("truth.json")) else {
        eprintln!(
            "\nskipped: developed pictures, since there is no {}",
            folder.display()
        );
        return;
    };
    let list = entries(&serde_json::from_str(&text).unwrap());
    for truth in &list {
        let name = truth["file"].as_str().unwrap();
        let (found, _) = solve(&folder.join(name), &["--ignore-header"]);
        let (Some(ra), Some(dec)) = (
            truth["centre_ra_deg"].as_f64(),
            truth["centre_dec_deg"].as_f64(),
        ) else {
            let solved = found["status"] == "solved";
            let stars = &found["stars"];
            let all_over = || number(stars, "matched") > 300.0 && number(stars, "rms_px") < 1.0;
            let part = found["matched_part_px"].is_array();
            assert!(!solved || part || all_over(), "{name}: {stars}");
            continue;
        };
        assert_eq!(found["status"], "solved", "{name}: {}", found["reason"]);
        let scale = number(truth, "scale_arcsec_per_px");
        let off = off_px(&found, ra, dec, scale);
        assert!(off < 3.0, "{name}: {off:.2} px off");
        assert!((number(&found, "scale_arcsec_per_px") / scale - 1.0).abs() < 0.002);
    }
    println!("\nreal frames: {}", list.len());
}
