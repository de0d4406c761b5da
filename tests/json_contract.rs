//! What `--json` prints keeps its contract: the schema file, checked against real output.

mod run;

use run::{sample, schema::violations, solve, starless, stderr, stdout};
use serde_json::{Value, json};

fn schema() -> Value {
    let text = include_str!("../src/report/solution.schema.json");
    serde_json::from_str(text).expect("the schema is JSON")
}

fn lines(output: &std::process::Output) -> Vec<Value> {
    let text = stdout(output);
    assert!(text.is_empty() || text.ends_with('\n'), "{text}");
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}")))
        .collect()
}

fn assert_valid(record: &Value) {
    let found = violations(&schema(), record);
    assert!(found.is_empty(), "{}\n{record:#}", found.join("\n"));
}

/// Every schema file of the project follows the standard, and describes what it names.
#[test]
fn the_schemas_follow_the_standard() {
    for (text, title) in [
        (
            include_str!("../src/report/solution.schema.json"),
            "solution",
        ),
        (include_str!("../src/report/sky.schema.json"), "sky"),
        (
            include_str!("../src/report/polar/polar.schema.json"),
            "polar",
        ),
        (
            include_str!("../src/report/mount/mount.schema.json"),
            "mount",
        ),
        (include_str!("../src/serve/serve.schema.json"), "serve"),
    ] {
        let schema: Value = serde_json::from_str(text).expect("JSON");
        assert!(jsonschema::meta::is_valid(&schema), "{title}");
        assert_eq!(schema["title"], format!("nightfix.{title}/1"));
        // An object of another kind does not pass.
        assert!(!violations(&schema, &json!({"schema": "other"})).is_empty());
    }
}

#[test]
fn a_solved_frame() {
    let frame = sample("01-power-cut.fits");
    let output = solve([frame.as_os_str(), "--json".as_ref()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let records = lines(&output);
    assert_eq!(records.len(), 1);
    let record = &records[0];
    assert_valid(record);
    assert_eq!(record["status"], "solved");
    assert_eq!(record["reason"], Value::Null);
    for key in [
        "centre",
        "scale_arcsec_per_px",
        "field_deg",
        "corners_deg",
        "wcs",
    ] {
        assert!(!record[key].is_null(), "{key}");
    }
    // The centre of the frame lies between its corners, and on the WCS.
    let chance = record["log10_chance_of_false_match"].as_f64().unwrap();
    assert!(chance < -7.0, "{chance}");
}

/// The truth beside the demonstration frames: the printed centre lies within a few pixels.
#[test]
fn the_printed_centre_is_where_the_frame_was_drawn() {
    let truth: Value =
        serde_json::from_str(&std::fs::read_to_string(sample("truth.json")).unwrap()).unwrap();
    let frames = truth.as_array().expect("a list of frames");
    let entry = frames
        .iter()
        .find(|f| f["file"] == "08-pole.fits")
        .expect("the polar frame");
    let number = |v: &Value| v.as_f64().expect("a number");
    let expected = [number(&entry["ra_deg"]), number(&entry["dec_deg"])];
    let at = format!("{} {}", expected[0], expected[1]);
    let output = solve([
        sample("08-pole.fits").as_os_str(),
        "--json".as_ref(),
        "--ignore-header".as_ref(),
        "--at".as_ref(),
        at.as_ref(),
    ]);
    let record = lines(&output).remove(0);
    assert_valid(&record);
    let off_arcsec = number(&record["pointing_error"]["separation_arcmin"]) * 60.0;
    let scale = number(&record["scale_arcsec_per_px"]);
    assert!(
        off_arcsec < 2.0 * scale,
        "{off_arcsec} arcsec at {scale} arcsec/px"
    );
    assert_eq!(record["commanded"]["from"], "option");
    assert_eq!(record["commanded"]["equinox_assumed"], false);
}

#[test]
fn unsolved_and_unusable_frames_keep_every_key_and_the_order() {
    let folder = tempfile::tempdir().unwrap();
    let dark = folder.path().join("dark.fits");
    std::fs::write(&dark, starless()).unwrap();
    let empty = folder.path().join("empty.fits");
    std::fs::write(&empty, b"").unwrap();
    let missing = folder.path().join("missing.fits");
    let output = solve([
        dark.as_os_str(),
        missing.as_os_str(),
        empty.as_os_str(),
        "--json".as_ref(),
        "--at".as_ref(),
        "83.633 22.0145".as_ref(),
    ]);
    let records = lines(&output);
    let states: Vec<&Value> = records.iter().map(|r| &r["status"]).collect();
    assert_eq!(states, ["unsolved", "error", "error"]);
    for (record, path) in records.iter().zip([&dark, &missing, &empty]) {
        assert_valid(record);
        assert_eq!(record["file"], path.to_string_lossy().as_ref());
        assert!(record["reason"].is_string());
        assert_eq!(record["centre"], Value::Null);
        assert_eq!(record["commanded"]["ra_deg"], 83.633);
    }
    assert_eq!(records[0]["stars"]["matched"], 0);
    assert!(records[0]["elapsed_ms"]["detect"].is_number());
    assert!(
        stderr(&output).contains("--at is understood as"),
        "{}",
        stderr(&output)
    );
}

/// `--equinox date` moves the commanded position by precession, and the record says which
/// equinox its numbers are in.
#[test]
fn a_commanded_position_of_date() {
    let frame = sample("01-power-cut.fits");
    let run = |extra: &[&str]| {
        let mut arguments = vec![frame.to_str().unwrap(), "--json"];
        arguments.extend(extra);
        let record = lines(&solve(arguments)).remove(0);
        assert_valid(&record);
        record
    };
    let found = run(&[]);
    let centre = &found["centre"];
    let at = format!("{} {}", centre["ra_deg"], centre["dec_deg"]);
    let j2000 = run(&["--at", &at]);
    let apart = |r: &Value| r["pointing_error"]["separation_arcmin"].as_f64();
    assert!(apart(&j2000).unwrap() < 0.001, "{j2000:#}");
    let of_date = found["centre_of_date"].clone();
    if of_date.is_null() {
        let record = run(&["--at", &at, "--equinox", "date"]);
        assert_eq!(record["pointing_error"], Value::Null);
        let cautions = record["cautions"].to_string();
        assert!(cautions.contains("of date"), "{cautions}");
        return;
    }
    let at = format!("{} {}", of_date["ra_deg"], of_date["dec_deg"]);
    let record = run(&["--at", &at, "--equinox", "date"]);
    assert_eq!(record["commanded"]["equinox"], "date");
    assert!(apart(&record).unwrap() < 0.001, "{record:#}");
    assert!(
        apart(&run(&["--at", &at])).unwrap() > 1.0,
        "of date is not J2000"
    );
}
