//! `nightfix polar` from files to words and picture: frames rendered by code that shares nothing
//! with the solver, through a mount made by another route.

#[path = "support/mount.rs"]
mod mount;
mod run;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use mount::{Mount, SITE, icrs};
use nightfix::mount::{Moment, pointing_error};
use run::{nightfix, schema::violations, stderr, stdout};
use sample_fields::{Card, FieldSpec, render, write_field};
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::mpsc::channel;
use std::time::Duration;

/// Axis too high and too far east, arcmin.
const ERROR: [f64; 2] = [14.0, -22.0];
/// 2025-11-19, about midnight at the site.
const JD: f64 = 2_460_998.48;
const EXPOSURE_S: f64 = 2.0;

/// A frame that `mount` takes at `jd`.
fn exposed(folder: &Path, name: &str, mount: &Mount, jd: f64) -> PathBuf {
    exposed_by(2.0, folder, name, mount, jd)
}

/// The same with a camera whose field is this wide, degrees.
fn exposed_by(width_deg: f64, folder: &Path, name: &str, mount: &Mount, jd: f64) -> PathBuf {
    let [_, up, forward] = mount.camera;
    let centre = icrs(forward, jd, mount.site);
    let above: [f64; 3] = std::array::from_fn(|i| forward[i] + 0.001 * up[i]);
    let length = above.iter().map(|c| c * c).sum::<f64>().sqrt();
    let above = icrs(above.map(|c| c / length), jd, mount.site);
    let mut spec = FieldSpec::new(centre[0], centre[1], width_deg);
    spec.rotation_deg = pointing_error(centre, above).position_angle_deg;
    spec.epoch_year = 2025.88;
    let begin = Moment::from_jd_utc(jd - 0.5 * EXPOSURE_S / 86_400.0).unwrap();
    let site = mount.site;
    let cards = [
        Card::text("DATE-OBS", begin.iso_utc().trim_end_matches('Z'), "UTC"),
        Card::number("EXPTIME", EXPOSURE_S, "s"),
        Card::number("SITELAT", site.latitude_deg, "deg, north positive"),
        Card::number("SITELONG", site.longitude_deg, "deg, east positive"),
        Card::number("SCALE", 3.0 * width_deg, "arcsec per pixel"),
    ];
    let path = folder.join(name);
    write_field(&path, &render(&spec).expect("a field"), &cards).expect("a place for it");
    path
}

fn polar(frames: &[PathBuf], extra: &[&str]) -> (Option<i32>, Value, String) {
    let air = ["--pressure", "950", "--temperature", "5", "--json"];
    let output = nightfix()
        .arg("polar")
        .args(frames)
        .args(air)
        .args(extra)
        .output()
        .unwrap();
    let record: Value = serde_json::from_str(&stdout(&output))
        .unwrap_or_else(|fault| panic!("{fault}: {}", stderr(&output)));
    let schema =
        serde_json::from_str(include_str!("../src/report/polar/polar.schema.json")).unwrap();
    assert_eq!(violations(&schema, &record), Vec::<String>::new());
    (output.status.code(), record, stderr(&output))
}

fn near(value: &Value, expected: f64, tolerance: f64) -> bool {
    value
        .as_f64()
        .is_some_and(|v| (v - expected).abs() < tolerance)
}

/// Three frames of a mount whose RA axis is turned by 20 degrees from one to the next.
fn three_frames(folder: &Path, mount: &Mount) -> Vec<PathBuf> {
    let frame = |k: u8| {
        let k = f64::from(k);
        exposed(
            folder,
            &format!("{k}.fits"),
            &mount.ra(20.0 * k),
            JD + 0.001 * k,
        )
    };
    (0..3).map(frame).collect()
}

/// Expose, turn the RA axis, expose; then turn the screws and expose once more.
#[test]
fn a_loop_of_exposing_and_turning_screws() {
    let folder = tempfile::tempdir().unwrap();
    let mount = Mount::new(SITE, ERROR, 30.0, 20.0, -150.0);
    let frames = three_frames(folder.path(), &mount);
    let picture = folder.path().join("axis.png");
    let (status, record, said) = polar(&frames, &["--picture", picture.to_str().unwrap()]);
    assert_eq!(
        (status, &record["status"]),
        (Some(0), &"found".into()),
        "{said}{record:#}"
    );
    let cos = SITE.latitude_deg.to_radians().cos();
    assert!(
        near(&record["error"]["altitude_arcmin"], ERROR[0], 0.3),
        "{record:#}"
    );
    assert!(
        near(&record["error"]["azimuth_arcmin"], ERROR[1], 0.3 / cos),
        "{record:#}"
    );
    let drawn = std::fs::read(&picture).unwrap();
    assert!(
        drawn.starts_with(b"\x89PNG") && drawn.len() > 20_000,
        "{}",
        drawn.len()
    );

    // Twelve arcmin with the altitude screw; the camera comes along.
    let level = mount::enu(0.0, ERROR[1] / 60.0 + 90.0);
    let after = mount.ra(40.0).tripod(level, 12.0);
    let good = exposed(folder.path(), "after.fits", &after, JD + 0.004);
    let good = good.to_str().unwrap();
    let (status, record, said) = polar(&frames, &["--adjusted", good]);
    assert_eq!(status, Some(0), "{said}");
    let left = &record["left"]["error"]["altitude_arcmin"];
    let moved = left.as_f64().unwrap() - record["error"]["altitude_arcmin"].as_f64().unwrap();
    assert!((moved.abs() - 12.0).abs() < 0.3, "{record:#}");
}

#[test]
fn what_cannot_be_used_or_written_leaves_the_axis_that_was_found() {
    let folder = tempfile::tempdir().unwrap();
    let frames = three_frames(folder.path(), &Mount::new(SITE, ERROR, 30.0, 20.0, -150.0));
    let clouds = run::sample("10-clouds.fits");
    for (bad, exit) in [(clouds.to_str().unwrap(), 1), ("nowhere.fits", 66)] {
        let (status, record, said) = polar(&frames, &["--adjusted", bad]);
        assert_eq!(status, Some(exit), "{said}");
        assert_eq!(record["status"], "found");
        assert!(near(&record["error"]["altitude_arcmin"], ERROR[0], 0.3));
        assert_eq!(record["left"], Value::Null);
        let cautions = record["cautions"].to_string();
        assert!(
            cautions.contains("What is left") && cautions.contains(bad),
            "{cautions}"
        );
        assert!(said.contains(bad), "{said}");
    }

    // A picture that cannot be written is said, and the answer stands.
    let nowhere = folder.path().join("none/axis.png");
    let (status, record, _) = polar(&frames, &["--picture", nowhere.to_str().unwrap()]);
    assert_eq!((status, &record["status"]), (Some(73), &"found".into()));
}

/// A program that watches `folder`, and the lines that it prints.
#[cfg(unix)]
fn watching(folder: &Path) -> (std::process::Child, std::sync::mpsc::Receiver<String>) {
    let mut child = nightfix()
        .arg("watch")
        .arg(folder)
        .args(["--polar", "--pressure", "950", "--temperature", "5"])
        .arg("--json")
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let out = child.stdout.take().unwrap();
    let (sender, lines) = channel();
    std::thread::spawn(move || {
        for line in BufReader::new(out).lines().map_while(Result::ok) {
            let _ = sender.send(line);
        }
    });
    (child, lines)
}

/// Frames come into a watched folder: two give the axis, a third one sharpens it, and one after the
/// screws were turned says what is left. A frame that was there before says nothing.
#[cfg(unix)]
#[test]
fn the_same_loop_while_frames_come() {
    let folder = tempfile::tempdir().unwrap();
    let made = tempfile::tempdir().unwrap();
    let mount = Mount::new(SITE, ERROR, 30.0, 20.0, -150.0);
    let old = mount.ra(-30.0);
    exposed(folder.path(), "old.fits", &old, JD - 0.2);
    let (mut child, lines) = watching(folder.path());
    let next = || -> Value {
        let line = lines.recv_timeout(Duration::from_secs(60)).expect("a line");
        serde_json::from_str(&line).unwrap()
    };
    assert_eq!(next()["file"], "old.fits");
    let come = |name: &str, mount: &Mount, jd: f64| {
        let path = exposed(made.path(), name, mount, jd);
        std::fs::rename(path, folder.path().join(name))
            .or_else(|_| std::fs::copy(made.path().join(name), folder.path().join(name)).map(drop))
            .unwrap();
        assert_eq!(next()["file"], name);
    };
    come("0.fits", &mount, JD);
    for k in [1.0, 2.0] {
        come(&format!("{k}.fits"), &mount.ra(20.0 * k), JD + 0.001 * k);
        let record = next();
        assert_eq!(record["schema"], "nightfix.polar/1");
        assert_eq!(record["frames"].as_array().unwrap().len() as f64, k + 1.0);
        assert!(
            near(&record["error"]["altitude_arcmin"], ERROR[0], 0.4),
            "{record:#}"
        );
        assert_eq!(record["left"], Value::Null);
    }
    // Tracking for six minutes, and twelve arcmin with the altitude screw.
    let level = mount::enu(0.0, ERROR[1] / 60.0 + 90.0);
    let after = mount.ra(40.0 - 1.5).tripod(level, 12.0);
    come("after.fits", &after, JD + 0.002 + 0.1 / 24.0);
    let record = next();
    let left = record["left"]["error"]["altitude_arcmin"].as_f64().unwrap();
    assert!(((left - ERROR[0]).abs() - 12.0).abs() < 0.4, "{record:#}");
    // The RA axis is turned once more: the screws were turned before, and a new loop begins.
    come("new.fits", &after.ra(-30.0), JD + 0.01);
    let record = next();
    assert_eq!(record["status"], "unclear", "{record:#}");
    come("newer.fits", &after.ra(-60.0), JD + 0.011);
    let record = next();
    assert!(
        near(&record["error"]["altitude_arcmin"], left, 0.4),
        "{record:#}"
    );
    assert_eq!(
        record["frames"],
        serde_json::json!(["new.fits", "newer.fits"])
    );
    let killed = std::process::Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(killed.unwrap().success());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

/// What the service answers to these bytes, in the order of the ids.
fn served(input: &[u8]) -> Vec<Value> {
    let mut service = nightfix()
        .arg("serve")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    service.stdin.take().unwrap().write_all(input).unwrap();
    let output = service.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let mut answers: Vec<Value> = stdout(&output)
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    answers.sort_by_key(|answer| answer["id"].to_string());
    answers
}

/// Two frames between which the RA axis turned, and what the command says of them.
fn turned_by_40_deg(folder: &Path) -> (Vec<PathBuf>, Value) {
    let mount = Mount::new(SITE, ERROR, 30.0, 20.0, -150.0);
    let frames: Vec<PathBuf> = (0..2)
        .map(|k| {
            let (turned, jd) = (mount.ra(40.0 * f64::from(k)), JD + 0.001 * f64::from(k));
            exposed(folder, &format!("{k}.fits"), &turned, jd)
        })
        .collect();
    let (_, by_command, _) = polar(&frames, &[]);
    assert_eq!(by_command["status"], "found");
    (frames, by_command)
}

/// The answers without their ids, which must follow the schema of the command.
fn polar_records(answers: &mut [Value]) {
    let schema =
        serde_json::from_str(include_str!("../src/report/polar/polar.schema.json")).unwrap();
    for answer in answers {
        answer.as_object_mut().unwrap().remove("id");
        assert_eq!(violations(&schema, answer), Vec::<String>::new());
    }
}

/// The service gives the object of the command, under the id of the request; what is missing is a
/// sentence.
#[test]
fn the_service_finds_the_axis_too() {
    let folder = tempfile::tempdir().unwrap();
    let (frames, by_command) = turned_by_40_deg(folder.path());
    let air = serde_json::json!({"id": "a", "do": "polar", "files": frames, "pressure_hpa": 950,
        "temperature_c": 5});
    let one = serde_json::json!({"id": "b", "do": "polar", "files": [frames[0]]});
    let none = serde_json::json!({"id": "c", "do": "polar", "files": [frames[0], "nowhere.fits"]});
    let mut answers = served(format!("{air}\n{one}\n{none}\n").as_bytes());
    assert_eq!(answers.len(), 3);
    polar_records(&mut answers);
    assert_eq!(answers[0], by_command);
    for (answer, status, part) in [
        (&answers[1], "unclear", "two are needed"),
        (&answers[2], "error", "nowhere.fits"),
    ] {
        assert_eq!(answer["status"], status);
        assert!(
            answer["reason"].as_str().unwrap().contains(part),
            "{answer:#}"
        );
    }
}

/// The same frames come along: one behind the line, one on it.
#[test]
fn the_service_takes_frames_that_come_along() {
    let folder = tempfile::tempdir().unwrap();
    let (frames, by_command) = turned_by_40_deg(folder.path());
    let [first, second] = [0, 1].map(|k| std::fs::read(&frames[k]).unwrap());
    let files = serde_json::json!([
        {"bytes": first.len(), "name": frames[0]},
        {"base64": STANDARD.encode(&second), "name": frames[1]},
    ]);
    let along = serde_json::json!({"id": "a", "do": "polar", "files": files,
        "pressure_hpa": 950, "temperature_c": 5});
    let damaged = serde_json::json!({"id": "b", "do": "polar", "files": [frames[0], {"bytes": 9}]});
    // Its bytes are no request, whatever is wrong with the line.
    let refused = serde_json::json!({"id": "c", "do": "polar", "files": [{"bytes": 3}, {"bytes": 4}],
        "adjusted": {"bytes": 5}, "pole": "celestial"});
    let mut input = format!("{along}\n").into_bytes();
    input.extend(first);
    input.extend(format!("{damaged}\nno frame.{refused}\n").bytes());
    input.extend(b"{\n".repeat(6));
    let mut answers = served(&input);
    assert_eq!(answers.len(), 3);
    let refused = answers.pop().unwrap();
    assert!(
        refused["id"] == "c" && refused["status"] == "refused",
        "{refused:#}"
    );
    polar_records(&mut answers);
    assert_eq!(answers[0], by_command);
    assert_eq!(answers[1]["frames"].as_array().map(Vec::len), Some(2));
    let reason = answers[1]["reason"].as_str().unwrap();
    assert!(reason.starts_with("frame 2: "), "{reason}");
}

/// What a user can get wrong: a sentence that says what to do, the exit status of an unsolved frame,
/// and no number.
#[test]
fn what_a_user_can_get_wrong_is_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let mount = Mount::new(SITE, ERROR, 30.0, 20.0, -150.0);
    let at = |k: f64| JD + 0.001 * k;
    let shot = |name: &str, mount: &Mount, jd| exposed(folder.path(), name, mount, jd);
    let first = shot("first.fits", &mount, at(0.0));
    let second = shot("second.fits", &mount.ra(25.0), at(1.0));
    let third = shot("third.fits", &mount.ra(50.0), at(2.0));
    let still = shot("still.fits", &mount, at(1.0));
    let slewed = shot("slewed.fits", &mount.ra(50.0).dec(300.0), at(2.0));
    let bumped = mount.ra(50.0).tripod(mount::enu(0.0, 40.0), 20.0);
    let bumped = shot("bumped.fits", &bumped, at(2.0));
    let same_time = shot("same-time.fits", &mount.ra(25.0), at(0.0));
    let wider = exposed_by(2.6, folder.path(), "wider.fits", &mount.ra(25.0), at(1.0));
    let undated = folder.path().join("undated.fits");
    let bytes = std::fs::read(&second).unwrap();
    let place = bytes.windows(8).position(|w| w == b"DATE-OBS").unwrap();
    let without = [&bytes[..place], b"DATE-NOT", &bytes[place + 8..]].concat();
    std::fs::write(&undated, without).unwrap();

    let south = ["--site", "-47.4 8.5"];
    for (frames, extra, part) in [
        (vec![&first], &[][..], "two are needed"),
        (vec![&first, &still], &[], "turn it by 30 deg"),
        (vec![&first, &undated], &[], "no usable time of exposure"),
        (vec![&first, &wider], &[], "different cameras or optics"),
        (vec![&first, &second, &slewed], &[], "declination"),
        (vec![&first, &second, &bumped], &[], "take the frames again"),
        (vec![&first, &same_time], &[], "same time"),
        (
            vec![&first, &second, &third],
            &south,
            "cannot both be right",
        ),
    ] {
        let frames: Vec<PathBuf> = frames.into_iter().cloned().collect();
        let (status, record, _) = polar(&frames, extra);
        let reason = record["reason"].as_str().unwrap_or_default();
        assert!(reason.contains(part), "{part}: {record:#}");
        assert_eq!(
            (status, &record["status"]),
            (Some(1), &"unclear".into()),
            "{reason}"
        );
        assert!(
            record["error"].is_null() && record["axis"].is_null(),
            "{record:#}"
        );
    }
}
