//! `nightfix night` on a rendered night with everything that goes wrong in one, and on real frames
//! where NIGHTFIX_REAL_FRAMES names their folder.

mod run;

use nightfix::mount::{pointing_error, separation_deg};
use run::night::Light;
use run::{nightfix, schema::violations, stderr, stdout};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Output;

fn night<S: AsRef<std::ffi::OsStr>>(
    folder: &Path,
    arguments: impl IntoIterator<Item = S>,
) -> Output {
    nightfix()
        .arg("night")
        .arg(folder)
        .args(arguments)
        .output()
        .expect("the command starts")
}

fn records(output: &Output) -> BTreeMap<String, Value> {
    stdout(output)
        .lines()
        .map(|line| {
            let record: Value =
                serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}"));
            (record["file"].as_str().expect("a name").to_owned(), record)
        })
        .collect()
}

fn centre(record: &Value) -> [f64; 2] {
    ["ra_deg", "dec_deg"].map(|key| record["centre"][key].as_f64().expect("a centre"))
}

/// Where a record misses the truth by more than a pixel and a half, or turns the other way.
fn fault(record: &Value, light: &Light) -> Option<String> {
    if record["status"] != "solved" {
        return Some(format!(
            "{}: {} {}",
            light.file, record["status"], record["diagnosis"]["code"]
        ));
    }
    let truth = &light.truth;
    let off_px = separation_deg(centre(record), [truth.ra_deg, truth.dec_deg]) * 3600.0
        / truth.scale_arcsec_per_px;
    let turn = record["rotation_deg"].as_f64()? - truth.rotation_deg;
    let turn = (turn + 180.0).rem_euclid(360.0) - 180.0;
    (off_px > 1.5 || turn.abs() > 0.2)
        .then(|| format!("{}: {off_px:.2} px and {turn:.2} deg off", light.file))
}

/// Every light with stars is solved, and where it was rendered; the rest is told apart.
#[test]
fn a_night_with_everything_that_goes_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let lights = run::night::evening(at);
    std::fs::write(at.join("notes.txt"), "clouds").unwrap();

    let table = at.join("table.ecsv");
    let output = night(
        at,
        ["--json".as_ref(), "--table".as_ref(), table.as_os_str()],
    );
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    let records = records(&output);
    assert_eq!(records.len(), 60, "{:?}", records.keys());
    let faults: Vec<String> = lights
        .iter()
        .filter_map(|light| fault(&records[&light.file], light))
        .collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    for k in [20, 21, 22, 23, 41] {
        let record = &records[&format!("light-{k}.fits")];
        assert_eq!(record["status"], "unsolved");
        let code = record["diagnosis"]["code"].as_str().unwrap();
        assert!(["cloud", "no-stars"].contains(&code), "{code}");
    }
    assert_eq!(records["light-30.fits"]["diagnosis"]["code"], "trailed");

    let summary = stderr(&output);
    for part in [
        "54 frames solved of 60",
        "1 trailed",
        "left alone: 2 darks, 2 flats, 1 bias frame",
    ] {
        assert!(summary.contains(part), "{part} is not in\n{summary}");
    }
    let schema: Value =
        serde_json::from_str(include_str!("../src/report/solution.schema.json")).unwrap();
    for record in records.values() {
        let found = violations(&schema, record);
        assert!(found.is_empty(), "{}\n{record:#}", found.join("\n"));
        assert!(record["night"]["time_utc"].is_string());
    }
    let text = std::fs::read_to_string(&table).unwrap();
    let rows = text.lines().filter(|line| !line.starts_with('#')).count();
    assert_eq!(rows, 1 + 65);
}

/// The neighbours' positions save time and change nothing: blind, the same frames are found at
/// the same places one by one and in a night, whatever the number of threads.
#[test]
fn a_guess_changes_nothing_but_the_time() {
    let folder = tempfile::tempdir().unwrap();
    let lights = run::night::short(folder.path(), 8);
    let journal = |name: &str| folder.path().join(name).into_os_string();
    let run = |threads: &str, journal: std::ffi::OsString| {
        let arguments = [
            "--json",
            "--ignore-header",
            "--threads",
            threads,
            "--journal",
        ];
        let arguments = arguments.iter().map(std::ffi::OsString::from);
        records(&night(folder.path(), arguments.chain([journal])))
    };
    let [one, two] = [run("1", journal("1.j")), run("2", journal("2.j"))];
    let mut guessed = 0;
    for light in &lights {
        let path = folder.path().join(&light.file);
        let output = run::solve([
            path.as_os_str(),
            "--json".as_ref(),
            "--ignore-header".as_ref(),
        ]);
        let alone: Value = serde_json::from_str(&stdout(&output)).unwrap();
        let [one, two] = [&one, &two].map(|records| {
            let mut record = records[&light.file].clone();
            record["elapsed_ms"] = Value::Null;
            record
        });
        assert_eq!(one, two);
        assert_eq!(one["centre"], alone["centre"]);
        assert_eq!(one["rotation_deg"], alone["rotation_deg"]);
        guessed += usize::from(one["search"]["order"] == "spiral");
        assert_eq!(alone["search"]["order"], "whole-sky");
    }
    // All but those that had to wait for nobody.
    assert_eq!(guessed, lights.len() - 2);
}

#[test]
fn patterns_and_what_is_wrong_is_said_in_one_line() {
    let folder = tempfile::tempdir().unwrap();
    run::night::short(folder.path(), 3);
    std::fs::write(folder.path().join("broken.fits"), b"SIMPLE  =").unwrap();
    let output = night(
        folder.path(),
        ["--lines", "--only", "light-?.fits", "--except", "light-1*"],
    );
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let text = stdout(&output);
    assert!(
        text.contains("solved  light-0.fits  08h4") && text.contains("light-2.fits"),
        "{text}"
    );
    assert!(
        !text.contains("light-1.fits") && !text.contains("broken"),
        "{text}"
    );
    assert!(text.contains("2 frames solved of 2"), "{text}");

    let output = night(folder.path(), ["--json"]);
    assert_eq!(output.status.code(), Some(65), "{}", stderr(&output));
    let complaints = stderr(&output);
    let line = complaints.lines().find(|line| line.contains("broken.fits"));
    assert!(
        line.is_some_and(|line| line.contains("header")),
        "{complaints}"
    );
    assert_eq!(records(&output)["broken.fits"]["status"], "error");

    let refused = |folder: &Path, arguments: &[&str], status: i32, word: &str| {
        let output = night(folder, arguments);
        assert_eq!(output.status.code(), Some(status), "{}", stderr(&output));
        assert!(stderr(&output).contains(word), "{}", stderr(&output));
        assert_eq!(stderr(&output).lines().count(), 1, "{}", stderr(&output));
    };
    refused(
        folder.path(),
        &["--only", "nothing*"],
        66,
        "no frames there",
    );
    refused(folder.path(), &["--only", "a["], 64, "a[");
    refused(
        &folder.path().join("none"),
        &[],
        66,
        "cannot be looked into",
    );
    let own = folder.path().join("broken.fits");
    refused(
        folder.path(),
        &["--journal", own.to_str().unwrap()],
        73,
        "is no journal",
    );
    assert_eq!(std::fs::read(&own).unwrap(), b"SIMPLE  =");
}

/// `--write-wcs` writes into every frame once; without it no byte of a frame changes.
#[test]
fn frames_are_only_read_unless_asked() {
    let folder = tempfile::tempdir().unwrap();
    let lights = run::night::short(folder.path(), 3);
    let paths: Vec<PathBuf> = lights.iter().map(|l| folder.path().join(&l.file)).collect();
    let read = || -> Vec<Vec<u8>> { paths.iter().map(|p| std::fs::read(p).unwrap()).collect() };
    let before = read();
    night(folder.path(), ["--json"]);
    assert!(read() == before);
    // What was found before does not keep the keywords from being written.
    let output = night(folder.path(), ["--write-wcs"]);
    assert!(
        !stdout(&output).contains("earlier run"),
        "{}",
        stdout(&output)
    );
    let written = read();
    for (before, after) in before.iter().zip(&written) {
        assert!(before != after);
        let header = String::from_utf8_lossy(&after[..5760]);
        assert!(header.contains("CRVAL1") && header.contains("RA---TAN"));
    }
    let output = night(folder.path(), ["--write-wcs"]);
    assert!(
        stdout(&output).contains("3 of them known"),
        "{}",
        stdout(&output)
    );
    assert!(read() == written);
}

#[test]
fn the_real_night() {
    let Some(folder) = std::env::var_os("NIGHTFIX_REAL_FRAMES").map(PathBuf::from) else {
        eprintln!("\nskipped: a real night, since NIGHTFIX_REAL_FRAMES names no folder");
        return;
    };
    let journal = tempfile::tempdir().unwrap();
    let journal = journal.path().join("journal");
    let output = night(
        &folder.join("night"),
        ["--json".as_ref(), "--journal".as_ref(), journal.as_os_str()],
    );
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let records = records(&output);
    let truth: Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("truth.json")).unwrap()).unwrap();
    let mut checked = 0;
    for entry in truth.as_array().expect("a list") {
        let Some(file) = entry["file"]
            .as_str()
            .and_then(|f| f.strip_prefix("night/"))
        else {
            continue;
        };
        let expected = ["centre_ra_deg", "centre_dec_deg"].map(|key| entry[key].as_f64().unwrap());
        let off_arcsec = pointing_error(expected, centre(&records[file])).separation_deg * 3600.0;
        // The residuals of the truth are half a pixel, of 5.2 arcsec.
        assert!(off_arcsec < 4.0, "{file}: {off_arcsec:.2} arcsec");
        checked += 1;
    }
    println!("\nreal frames: {checked} of a night at the right place");
    assert_eq!(checked, records.len());
    assert!(checked >= 24);
}
