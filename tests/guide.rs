//! What a frame means for the mount's next step, as a user gets it: the target, what to sync to, a
//! star to focus on, an earlier framing, cautions. Frames are rendered by code that shares nothing
//! with the solver; distances and angles are checked with formulas of their own.

mod run;

use run::{sample, schema::violations, solve, stderr, stdout};
use sample_fields::{Field, FieldSpec, render};
use serde_json::Value;
use std::path::{Path, PathBuf};

/// The record of one frame, which keeps the schema.
fn record(path: &Path, extra: &[&str]) -> Value {
    let mut arguments = vec![path.to_str().unwrap(), "--json"];
    arguments.extend(extra);
    let output = solve(arguments);
    let record: Value = serde_json::from_str(&stdout(&output))
        .unwrap_or_else(|fault| panic!("{fault}: {}", stderr(&output)));
    let schema = serde_json::from_str(include_str!("../src/report/solution.schema.json")).unwrap();
    assert_eq!(violations(&schema, &record), Vec::<String>::new());
    record
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

fn assert_near(value: &Value, expected: f64, tolerance: f64) {
    let off = (number(value) - expected).abs();
    assert!(off <= tolerance, "{value} is not {expected} +- {tolerance}");
}

/// The truth of a demonstration frame.
fn truth(name: &str) -> Value {
    let all: Value =
        serde_json::from_str(&std::fs::read_to_string(sample("truth.json")).unwrap()).unwrap();
    let frames = all.as_array().unwrap();
    frames.iter().find(|f| f["file"] == name).unwrap().clone()
}

/// FITS pixel of a position: gnomonic projection (Calabretta & Greisen 2002, section 5.1.3) and the
/// inverse of the CD matrix.
fn pixel(truth: &Value, ra_deg: f64, dec_deg: f64) -> [f64; 2] {
    let [ra0, dec0] = ["ra_deg", "dec_deg"].map(|key| number(&truth[key]).to_radians());
    let (ra, dec) = (ra_deg.to_radians(), dec_deg.to_radians());
    let depth = dec.sin() * dec0.sin() + dec.cos() * dec0.cos() * (ra - ra0).cos();
    let xi = dec.cos() * (ra - ra0).sin() / depth;
    let eta = (dec.sin() * dec0.cos() - dec.cos() * dec0.sin() * (ra - ra0).cos()) / depth;
    let cd = |i: usize, k: usize| number(&truth["cd_deg"][i][k]).to_radians();
    let det = cd(0, 0) * cd(1, 1) - cd(0, 1) * cd(1, 0);
    let middle = ["width_px", "height_px"].map(|key| (number(&truth[key]) + 1.0) / 2.0);
    [
        middle[0] + (cd(1, 1) * xi - cd(0, 1) * eta) / det,
        middle[1] + (cd(0, 0) * eta - cd(1, 0) * xi) / det,
    ]
}

/// M 45 at 03h47m.5 +24d06m (OpenNGC); this frame displays its last row on top.
#[test]
fn a_target_in_the_frame() {
    let truth = truth("02-colour-mosaic.fits");
    let record = record(&sample("02-colour-mosaic.fits"), &["--target", "Pleiades"]);
    let target = &record["target"];
    assert_eq!(target["name"], "M 45");
    assert_eq!(target["in_frame"], true);
    let at = &target["position"]["j2000"];
    let [x, y] = pixel(&truth, number(&at["ra_deg"]), number(&at["dec_deg"]));
    let direction = &target["direction"];
    assert_near(&direction["pixel"][0], x, 0.1);
    assert_near(&direction["pixel"][1], y, 0.1);
    let arcmin_per_px = number(&truth["scale_arcsec_per_px"]) / 60.0;
    assert_near(
        &direction["right_arcmin"],
        (x - 600.5) * arcmin_per_px,
        0.02,
    );
    assert_near(&direction["up_arcmin"], (y - 400.5) * arcmin_per_px, 0.02);
    assert_near(&direction["right_frame_widths"], (x - 600.5) / 1200.0, 1e-3);
    assert_near(&direction["up_frame_heights"], (y - 400.5) / 800.0, 1e-3);
    let dec = number(&at["dec_deg"]);
    assert_near(&direction["dec_difference_deg"], dec - 24.3, 1e-4);
    assert!(number(&target["altitude_deg"]) > 60.0);
}

/// What to sync to is the centre, in both equinoxes and in both spellings.
#[test]
fn what_to_sync_to() {
    let frame = sample("01-power-cut.fits");
    let record = record(&frame, &["--target", "05:34:31.9 +22:00:52"]);
    let target = &record["target"];
    assert_eq!(target["in_frame"], false);
    assert_eq!(target["direction"]["pixel"], Value::Null);
    assert_eq!(target["name"], Value::Null);
    // Haversines (Sinnott 1984, Sky & Telescope 68, 159).
    let half = |a: f64, b: f64| (0.5 * (b - a).to_radians()).sin().powi(2);
    let (ra, dec) = (83.632_916_7, 22.014_444_4_f64);
    let across = dec.to_radians().cos() * 23.78_f64.to_radians().cos();
    let haversine = half(dec, 23.78) + across * half(ra, 92.41);
    let apart_deg = 2.0 * haversine.sqrt().asin().to_degrees();
    assert_near(
        &target["direction"]["separation_arcmin"],
        60.0 * apart_deg,
        0.02,
    );
    for (key, centre) in [("j2000", "centre"), ("of_date", "centre_of_date")] {
        let place = &record["sync"][key];
        let centre = &record[centre];
        assert_near(&place["ra_deg"], number(&centre["ra_deg"]), 1e-7);
        assert_near(&place["ra_hours"], number(&centre["ra_deg"]) / 15.0, 1e-7);
        assert_near(&place["dec_deg"], number(&centre["dec_deg"]), 1e-7);
        let written = |key: &str| {
            let text = place[key].as_str().unwrap();
            let parts: Vec<f64> = text.split(':').map(|p| p.parse().unwrap()).collect();
            parts[0] + parts[1] / 60.0 + parts[2] / 3600.0
        };
        assert_near(&place["ra_hours"], written("ra"), 0.006 / 3600.0);
        assert_near(&place["dec_deg"], written("dec"), 0.06 / 3600.0);
    }
    let text = stdout(&solve([frame.to_str().unwrap(), "--target", "M 35"]));
    assert!(text.contains("Sync to     06:09:38.4"), "{text}");
    assert!(
        text.contains("M 35,") && text.contains("in the frame, at pixel"),
        "{text}"
    );
}

#[test]
fn a_star_to_focus_on() {
    let frame = sample("01-power-cut.fits");
    let found = record(&frame, &["--focus-star"]);
    let star = &found["focus_star"];
    let magnitude = number(&star["magnitude"]);
    assert!((3.0..=6.0).contains(&magnitude), "{star:#}");
    assert!(number(&star["altitude_deg"]) >= 30.0);
    assert!(number(&star["direction"]["separation_arcmin"]) < 600.0);
    // Tejat (mu Gem), 06h22m57.6s +22d30m49s (Hipparcos, from memory), 3.3 degrees away; Propus
    // (eta Gem) is nearer and a close double that is not in the catalogue as two stars.
    let bright = record(&frame, &["--focus-star=2..3"]);
    assert_eq!(bright["focus_star"]["name"], "Tejat");
    assert_eq!(bright["focus_star"]["bayer"], "mu Gem");
    // From memory.
    assert_eq!(bright["focus_star"]["flamsteed"], "13 Gem");
    assert_near(
        &bright["focus_star"]["position"]["j2000"]["ra_deg"],
        95.740,
        0.002,
    );
    assert_near(
        &bright["focus_star"]["position"]["j2000"]["dec_deg"],
        22.514,
        0.002,
    );
    let none = record(&frame, &["--focus-star=-9..-8"]);
    assert_eq!(none["focus_star"], Value::Null);
    assert!(
        none["cautions"].to_string().contains("widen the range"),
        "{none:#}"
    );
    for range in ["6..3", "7..9", "bright"] {
        let output = solve([frame.to_str().unwrap(), &format!("--focus-star={range}")]);
        assert_eq!(output.status.code(), Some(64), "{range}");
    }
    let text = stdout(&solve([frame.to_str().unwrap(), "--focus-star=2..3"]));
    assert!(
        text.contains("Focus on    Tejat (mu Gem, 13 Gem), magnitude 2.9"),
        "{text}"
    );
}

fn written(folder: &Path, name: &str, spec: &FieldSpec) -> (PathBuf, Field) {
    let field = render(spec).expect("a field");
    let path = folder.join(name);
    sample_fields::write_field(&path, &field, &[]).expect("a place for it");
    (path, field)
}

/// Percent of the pixels of the earlier frame of [`an_earlier_framing`] that fall into the later one,
/// counted on flat ground: 2 degrees are flat to 1e-4.
fn percent_in_both() -> f64 {
    let (mut seen, mut all) = (0, 0);
    let (sin, cos) = 25.0_f64.to_radians().sin_cos();
    let [sin_now, cos_now] = [15.0_f64.to_radians().sin(), 15.0_f64.to_radians().cos()];
    for x in (0..1200).step_by(5) {
        for y in (0..800).step_by(5) {
            let [x, y] = [f64::from(x) - 597.5, f64::from(y) - 397.5];
            // The earlier picture is turned counter-clockwise on the sky; north is up by 180 px.
            let (u, v) = (x * cos - y * sin, x * sin + y * cos);
            let (u, v) = (u + 180.0 * sin_now, v + 180.0 * cos_now);
            seen += i32::from(u.abs() < 600.0 && v.abs() < 400.0);
            all += 1;
        }
    }
    100.0 * f64::from(seen) / f64::from(all)
}

/// The camera was turned by 25 degrees and the mount is off by 0.3 degrees in declination.
#[test]
fn an_earlier_framing() {
    let folder = tempfile::tempdir().unwrap();
    let mut spec = FieldSpec::new(132.85, 11.8, 2.0);
    spec.rotation_deg = 40.0;
    let (earlier, _) = written(folder.path(), "earlier.fits", &spec);
    spec.dec_deg = 11.5;
    spec.rotation_deg = 15.0;
    let (now, _) = written(folder.path(), "now.fits", &spec);
    let picture = folder.path().join("now.png");
    let hint = ["--scale", "6", "--repeat", earlier.to_str().unwrap()];
    let found = record(
        &now,
        &[&hint[..], &["--overlay", picture.to_str().unwrap()]].concat(),
    );
    assert!(picture.is_file());
    let between = &found["earlier"];
    assert_near(&between["turn_deg"], 25.0, 0.01);
    assert_near(&between["scale_ratio"], 1.0, 1e-4);
    assert_eq!(between["mirrored_apart"], false);
    assert_near(&between["direction"]["north_arcmin"], 18.0, 0.01);
    assert_near(&between["direction"]["east_arcmin"], 0.0, 0.01);
    let percent = percent_in_both();
    assert_near(&between["shown_percent"], percent, 0.5);
    assert_near(&between["covered_percent"], percent, 0.5);
    let text = stdout(&solve([
        now.to_str().unwrap(),
        hint[0],
        hint[1],
        hint[2],
        hint[3],
    ]));
    assert!(
        text.contains("by 25.00 deg counter-clockwise on the sky"),
        "{text}"
    );

    // An earlier frame that does not solve, or is not there, is said before anything is done.
    let clouds = sample("10-clouds.fits");
    let output = solve([now.to_str().unwrap(), "--repeat", clouds.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(1));
    assert!(
        stderr(&output).contains("it is not solved"),
        "{}",
        stderr(&output)
    );
    let output = solve([now.to_str().unwrap(), "--repeat", "nowhere.fits"]);
    assert_eq!(output.status.code(), Some(66));
}

/// On 2025-11-19 the Sun stood at 15h38m -19.4 deg (from memory, to a degree), and at 01:42 UTC
/// far below the horizon of the frame's site.
#[test]
fn targets_that_should_not_be_slewed_to() {
    let frame = sample("01-power-cut.fits");
    let cautions = |target: &str| record(&frame, &["--target", target])["cautions"].to_string();
    let near = cautions("15:10:00 -15:00:00");
    assert!(near.contains("deg from the target"), "{near}");
    assert!(near.contains("blinds and burns"), "{near}");
    assert!(
        near.contains("the target is") && near.contains("below the horizon"),
        "{near}"
    );
    assert!(!cautions("M 35").contains("horizon"));
    assert!(!cautions("M 35").contains("Sun"));
}
