//! The mount of a whole night as a user meets it: frames of several fields in a folder, rendered as a
//! misaligned mount holds the camera, through `nightfix night`.

#[path = "support/mount.rs"]
mod mount;
mod run;
#[path = "support/telescope.rs"]
mod telescope;

use mount::{AIR_C, PRESSURE, SITE};
use nightfix::mount::Moment;
use nightfix::track::Row;
use run::schema::violations;
use run::{Random, nightfix, stderr, stdout};
use sample_fields::{Card, FieldSpec, fits_bytes, render};
use serde_json::Value;
use std::path::Path;
use telescope::{Mount, Plan, night};

const MOUNT: Mount = Mount {
    site: SITE,
    axis: [25.0, -32.0],
    cone: 14.0,
    square: 4.0,
    droop: 2.0,
    roll_deg: 24.0,
    flips: true,
    refracted: false,
    scatter: [20.0, 0.3],
};
const PLAN: Plan = Plan {
    fields: 11,
    hours: 7.0,
    sync: 0.0,
    centred: false,
    frames: 1,
    guided: false,
    of_date: false,
};

/// Writes the frame of a row.
fn put(folder: &Path, row: &Row) {
    let spec = FieldSpec {
        width_px: 480,
        height_px: 360,
        rotation_deg: row.rotation_deg.unwrap(),
        epoch_year: 2026.16,
        ..FieldSpec::new(row.ra_deg.unwrap(), row.dec_deg.unwrap(), 2.4)
    };
    let start = row.mid_jd_utc.unwrap() - 0.5 * row.exposure_s.unwrap() / 86_400.0;
    let date = Moment::from_jd_utc(start).unwrap().iso_utc();
    let cards = [
        Card::text("DATE-OBS", date.trim_end_matches('Z'), "start, UTC"),
        Card::number("EXPTIME", row.exposure_s.unwrap(), "[s]"),
        Card::text("OBJECT", row.target.as_ref().unwrap(), ""),
        Card::number("RA", row.commanded_ra_deg.unwrap(), "[deg]"),
        Card::number("DEC", row.commanded_dec_deg.unwrap(), "[deg]"),
        Card::number("EQUINOX", 2000.0, ""),
        Card::number("SITELAT", SITE.latitude_deg, ""),
        Card::number("SITELONG", SITE.longitude_deg, ""),
        Card::number("PRESSURE", PRESSURE, "[hPa]"),
        Card::number("AMBTEMP", AIR_C, "[C]"),
    ];
    let field = render(&spec).expect("a frame");
    std::fs::write(folder.join(&row.file), fits_bytes(&field, &cards)).unwrap();
}

#[test]
fn a_folder_of_several_fields_tells_the_mount() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    for row in night(&MOUNT, &PLAN, &mut Random(3)) {
        put(at, &row);
    }
    let (mount, report) = (at.join("mount.json"), at.join("report.html"));
    let output = nightfix()
        .arg("night")
        .arg(at)
        .args(["--mount-axes".as_ref(), mount.as_os_str()])
        .args(["--report".as_ref(), report.as_os_str()])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let text = std::fs::read_to_string(&mount).unwrap();
    assert_eq!(text.lines().count(), 1, "{text}");
    let record: Value = serde_json::from_str(&text).unwrap();
    let schema = serde_json::from_str(include_str!("../src/report/mount/mount.schema.json"));
    let found = violations(&schema.unwrap(), &record);
    assert!(found.is_empty(), "{found:?} {record:#}");
    assert_eq!(record["status"], "found", "{record:#}");
    let number = |value: &Value| value.as_f64().unwrap_or_else(|| panic!("{record:#}"));
    let error = &record["error"];
    let cos = SITE.latitude_deg.to_radians().cos();
    let off = (number(&error["altitude_arcmin"]) - MOUNT.axis[0])
        .hypot((number(&error["azimuth_arcmin"]) - MOUNT.axis[1]) * cos);
    assert!(
        off < 1.5 * number(&error["radius95_arcmin"]),
        "{off} {record:#}"
    );
    assert!(number(&error["radius95_arcmin"]) < 5.0, "{record:#}");
    let cone = number(&record["cone"]["arcmin"]).abs();
    assert!((cone - MOUNT.cone).abs() < 1.5, "{record:#}");
    assert_eq!(record["coverage"]["both_sides_of_pier"], true);

    let page = std::fs::read_to_string(&report).unwrap();
    for text in [stdout(&output), page] {
        for part in ["arcmin from the true pole", " fields"] {
            assert!(text.contains(part), "{part} is not in\n{text}");
        }
        assert!(text.to_lowercase().contains("cone error"), "{text}");
    }
}

/// Frames of one field are no night of several: a sentence, and no number.
#[test]
fn one_field_is_not_enough() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let mut rows = night(&MOUNT, &Plan { frames: 3, ..PLAN }, &mut Random(3));
    rows.truncate(3);
    rows.iter().for_each(|row| put(at, row));
    let mount = at.join("mount.json");
    let output = nightfix()
        .arg("night")
        .arg(at)
        .args(["--mount-axes".as_ref(), mount.as_os_str()])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let record: Value = serde_json::from_str(&std::fs::read_to_string(&mount).unwrap()).unwrap();
    assert_eq!(record["status"], "unclear");
    assert!(record["error"].is_null() && record["cone"].is_null());
    assert!(
        record["reason"].as_str().unwrap().contains("not enough"),
        "{record:#}"
    );
}
