//! Deep-sky objects: commanded positions by name, and what a frame shows, in every output.

mod run;

use run::{nightfix, sample, schema::violations, solve, stderr, stdout};
use serde_json::Value;
use std::path::Path;
use std::process::Output;

/// Shows the Pleiades; rendered from catalogue stars.
const FRAME: &str = "02-colour-mosaic.fits";

fn record(arguments: &[&str]) -> Value {
    let frame = sample(FRAME);
    let output = solve(
        [frame.to_str().unwrap(), "--json"]
            .iter()
            .chain(arguments)
            .copied(),
    );
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let record = serde_json::from_str(&stdout(&output)).unwrap();
    let schema = include_str!("../src/report/solution.schema.json");
    let found = violations(&serde_json::from_str(schema).unwrap(), &record);
    assert!(found.is_empty(), "{}\n{record:#}", found.join("\n"));
    record
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

fn object<'a>(record: &'a Value, name: &str) -> &'a Value {
    let objects = record["objects"].as_array().expect("a list of objects");
    let found = objects.iter().find(|o| o["name"] == name);
    found.unwrap_or_else(|| panic!("no {name} in {objects:?}"))
}

/// Position of the Pleiades by SIMBAD (CDS), from memory: 03h46.4m or 03h47.5m +24d06m, as
/// catalogues differ about the middle of a scattered cluster.
#[test]
fn a_commanded_position_by_name() {
    for spelling in ["M 45", "m45", "Messier 45", "Pleiades", "melotte 22"] {
        let record = record(&["--at", spelling]);
        let commanded = &record["commanded"];
        assert_eq!(commanded["name"], "M 45", "{spelling}");
        assert_eq!(commanded["from"], "option");
        assert_eq!(commanded["equinox"], "J2000");
        assert!((number(&commanded["ra_deg"]) - 56.75).abs() < 0.2);
        assert!((number(&commanded["dec_deg"]) - 24.11).abs() < 0.05);
        assert!(number(&record["pointing_error"]["separation_arcmin"]) < 60.0);
    }
    assert!(record(&[])["commanded"]["name"].is_null());
    assert!(record(&["--at", "56.87 24.1"])["commanded"]["name"].is_null());
}

/// What --equinox says is about numbers.
#[test]
fn a_name_is_of_no_date() {
    let record = record(&["--at", "M 45", "--equinox", "date"]);
    assert_eq!(record["commanded"]["equinox"], "J2000");
}

#[test]
fn names_that_are_none_are_refused_with_the_like_of_them() {
    let frame = sample(FRAME);
    let refused = |name: &str| {
        let output = solve([frame.to_str().unwrap(), "--at", name]);
        assert_eq!(output.status.code(), Some(64), "{name}");
        stderr(&output)
    };
    assert!(refused("pleiads").contains("Pleiades"));
    assert!(refused("M 111").contains("no deep-sky object"));
    let ambiguous = refused("Network Nebula");
    assert!(
        ambiguous.contains("NGC 6992") && ambiguous.contains("NGC 6995"),
        "{ambiguous}"
    );
    let folder = tempfile::tempdir().unwrap();
    let output = nightfix()
        .args(["watch", "--target", "M 111"])
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(64));
    assert!(stderr(&output).contains("no deep-sky object"));
}

/// The gnomonic projection of Calabretta & Greisen 2002 (A&A 395, 1077), section 5.1.3, and the
/// linear part of the record's own WCS.
fn pixel(wcs: &Value, ra_deg: f64, dec_deg: f64) -> [f64; 2] {
    let at = |key: &str, i: usize| number(&wcs[key][i]);
    let (ra, dec) = ((ra_deg - at("crval", 0)).to_radians(), dec_deg.to_radians());
    let dec0 = at("crval", 1).to_radians();
    let depth = dec0.sin() * dec.sin() + dec0.cos() * dec.cos() * ra.cos();
    let xi = (dec.cos() * ra.sin() / depth).to_degrees();
    let eta = ((dec0.cos() * dec.sin() - dec0.sin() * dec.cos() * ra.cos()) / depth).to_degrees();
    let cd = |i: usize, j: usize| number(&wcs["cd"][i][j]);
    let determinant = cd(0, 0) * cd(1, 1) - cd(0, 1) * cd(1, 0);
    [
        at("crpix", 0) + (cd(1, 1) * xi - cd(0, 1) * eta) / determinant,
        at("crpix", 1) + (cd(0, 0) * eta - cd(1, 0) * xi) / determinant,
    ]
}

#[test]
fn the_record_names_what_the_frame_shows() {
    let record = record(&[]);
    assert!(
        record["wcs"]["sip"].is_null(),
        "the formula here has no distortion"
    );
    let pleiades = object(&record, "M 45");
    assert_eq!(
        record["objects"][0]["name"], "M 45",
        "the best known comes first"
    );
    assert_eq!(pleiades["popular_names"][0], "Pleiades");
    assert_eq!(pleiades["type"], "open cluster");
    assert!(record["objects"].as_array().unwrap().len() <= 20);
    let mut inside = 0;
    for object in record["objects"].as_array().unwrap() {
        if object["pixel"].is_null() {
            continue;
        }
        let expected = pixel(
            &record["wcs"],
            number(&object["ra_deg"]),
            number(&object["dec_deg"]),
        );
        for axis in 0..2 {
            let said = number(&object["pixel"][axis]);
            assert!((said - expected[axis]).abs() < 0.1, "{object}");
            assert!((0.5..=[1200.5, 800.5][axis]).contains(&said), "{object}");
        }
        inside += 1;
    }
    assert!(inside >= 3, "{record:#}");
}

#[test]
fn the_text_names_it_too() {
    let frame = sample(FRAME);
    let output = solve([frame.to_str().unwrap(), "--at", "pleiades"]);
    let text = stdout(&output);
    assert!(text.contains("Shows       M 45 (Pleiades), "), "{text}");
    assert!(text.contains("J2000, M 45"), "{text}");
    // Programs are told what a name was taken for, as with positions.
    let output = solve([frame.to_str().unwrap(), "--at", "pleiades", "--json"]);
    let said = stderr(&output);
    assert!(
        said.contains("M 45 (Pleiades), open cluster: RA 03h47m"),
        "{said}"
    );
}

/// A small galaxy wears a ring of 13 picture pixels in the sand colour of objects, and nothing of
/// that colour within.
#[test]
fn the_overlay_rings_it() {
    let folder = tempfile::tempdir().unwrap();
    let picture = folder.path().join("overlay.png");
    let record = record(&["--overlay", picture.to_str().unwrap()]);
    let image = image::open(&picture).unwrap().to_rgb8();
    assert_eq!(
        image.width(),
        1200,
        "one picture pixel per pixel of the frame"
    );
    let galaxy = object(&record, "IC 1990");
    // FITS shows its first row at the bottom; a pixel's centre lies half a pixel from its edge.
    let x = number(&galaxy["pixel"][0]) - 0.5;
    let y = 800.0 - (number(&galaxy["pixel"][1]) - 0.5);
    let (mut ring, mut within) = (0, 0);
    for (column, row, colour) in image.enumerate_pixels() {
        let [red, green, blue] = colour.0.map(f64::from);
        let is_sand =
            red > 170.0 && (green / red - 0.88).abs() < 0.05 && (blue / red - 0.75).abs() < 0.07;
        let radius = (f64::from(column) + 0.5 - x).hypot(f64::from(row) + 0.5 - y);
        ring += usize::from(is_sand && (radius - 13.0).abs() < 2.5);
        within += usize::from(is_sand && radius < 9.0);
    }
    assert!(ring >= 25 && within == 0, "{ring} and {within}");
}

fn night(folder: &Path, arguments: &[&Path]) -> Output {
    let output = nightfix()
        .arg("night")
        .arg(folder)
        .args(arguments)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    output
}

#[test]
fn tables_and_reports_of_a_night_name_it() {
    let folder = tempfile::tempdir().unwrap();
    let frames = folder.path().join("frames");
    std::fs::create_dir(&frames).unwrap();
    std::fs::copy(sample(FRAME), frames.join("light.fits")).unwrap();
    let [table, report] = ["table.ecsv", "report.html"].map(|name| folder.path().join(name));
    night(
        &frames,
        &["--table".as_ref(), &table, "--report".as_ref(), &report],
    );
    let table = std::fs::read_to_string(&table).unwrap();
    let mut body = table.lines().filter(|line| !line.starts_with('#'));
    assert!(body.next().unwrap().contains(",shows,"));
    assert!(
        body.next().unwrap().contains(",\"M 45 (Pleiades), "),
        "{table}"
    );
    let page = std::fs::read_to_string(&report).unwrap();
    for part in [
        "<small>shows M 45 (Pleiades)",
        "title=\"light.fits: M 45 (Pleiades)",
        ">Shows<",
    ] {
        assert!(page.contains(part), "{part}");
    }
}
