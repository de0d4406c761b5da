//! `nightfix centre` against a real INDI server with its telescope simulator and our own camera,
//! which knows where the tube really points. Skipped where `indiserver` is not installed.

#![cfg(unix)]

mod hundred;
mod kills;
mod mounts;
mod rehearsal;
#[path = "../run/mod.rs"]
mod run;

use nightfix::centre::{Frames, IndiCamera, Journal, Stop};
use nightfix::indi::{Connection, Waited, numbers};
use nightfix::mount::{Moment, separation_deg};
use rehearsal::{Rehearsal, WAIT, believed, both, moment, night, one_target, place_above, text};
use run::schema::violations;
use run::{Random, nightfix, stderr, stdout};
use sample_fields::observatory::{CAMERA, MOUNT, Setup};
use serde_json::Value;
use std::io::Read;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

#[test]
fn targets_are_centred_from_a_cold_start_and_after() {
    let Some(rehearsal) = Rehearsal::new(night()) else {
        return;
    };
    let (mut random, mut failures) = (Random(2), Vec::new());
    for _ in 0..2 {
        one_target(&rehearsal, &mut random, &mut failures);
    }
    assert!(failures.is_empty(), "{failures:#?}");
    let log = rehearsal.log();
    assert!(
        log.contains("EQUATORIAL_EOD_COORD RA=") && log.contains("ON_COORD_SET SYNC=On"),
        "{log}"
    );
}

/// The one object that a run with --json printed, after a look at its schema.
fn checked(output: &Output) -> Value {
    let schema: Value = serde_json::from_str(include_str!("../../src/centre/centre.schema.json"))
        .expect("a schema");
    let record: Value = serde_json::from_str(stdout(output).trim()).expect("one object");
    assert_eq!(violations(&schema, &record), [""; 0], "{record}");
    record
}

#[test]
fn what_came_of_it_is_told_to_machines() {
    let Some(rehearsal) = Rehearsal::new(night()) else {
        return;
    };
    let mut random = Random(9);
    rehearsal.place(place_above(&rehearsal.setup, 30.0, &mut random));
    let target = place_above(&rehearsal.setup, 30.0, &mut random);
    let output = rehearsal.centre(&text(target), &["--move", "--sync", "--json"]);
    let record = checked(&output);
    assert_eq!(record["status"], "centred", "{}", both(&output));
    let number = |key: &str| record[key].as_f64().expect("a number");
    assert!(number("off_arcmin") <= number("within_arcmin"));
    let tries = record["tries"].as_array().expect("tries");
    assert_eq!(
        tries.len() as u64,
        record["slews"].as_u64().expect("a number") + 1
    );
    assert_eq!(tries[0]["synced"], true);
    let east_or_west = |side: &Value| side == "east" || side == "west";
    assert!(east_or_west(&tries[0]["pier_side"]), "{record}");
    assert!(stderr(&output).contains("slew 1: "), "{}", stderr(&output));
    let nobody = rehearsal.device("Nobody");
    let output = nightfix()
        .args([
            "centre", "M 81", "--json", "--mount", &nobody, "--camera", &nobody, "--log",
        ])
        .arg(rehearsal.folder.path().join("commands.log"))
        .output()
        .expect("the command starts");
    assert_eq!(checked(&output)["status"], "fault");
}

#[test]
fn a_mount_that_another_program_sends_elsewhere_is_stopped() {
    let Some(rehearsal) = Rehearsal::new(night()) else {
        return;
    };
    let mut random = Random(10);
    let target = place_above(&rehearsal.setup, 30.0, &mut random);
    let child = rehearsal
        .command(&text(target), &["--move", "--sync", "--slew-first"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts");
    let begin = Instant::now();
    while !rehearsal.is_moving() && begin.elapsed() < Duration::from_secs(20) {
        std::thread::sleep(Duration::from_millis(20));
    }
    let other = [("RA", 1.0), ("DEC", 80.0)];
    let mut intruder = rehearsal.connect(MOUNT);
    intruder
        .send(&numbers(MOUNT, "EQUATORIAL_EOD_COORD", &other))
        .expect("sent");
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(output.status.code(), Some(76), "{}", both(&output));
    assert!(
        stderr(&output).contains("another program may have sent it"),
        "{}",
        both(&output)
    );
    assert!(!rehearsal.is_moving());
}

#[test]
fn the_camera_says_what_a_pixel_spans() {
    let Some(rehearsal) = Rehearsal::new(night()) else {
        return;
    };
    let address = rehearsal.device(CAMERA).parse().expect("an address");
    let journal = Journal::new(tempfile::tempfile().expect("a file"));
    let mut camera = IndiCamera::open(&address, 0.1, journal, Stop::default()).expect("a camera");
    let optics = camera.optics().expect("connected");
    // 2 degrees on 900 pixels of 6 um: 5.4 mm = 2 f tan(1 deg).
    assert_eq!(optics.pixel_um, Some(6.0));
    let focal_mm = optics.focal_mm.expect("a focal length");
    assert!((focal_mm - 154.68).abs() < 0.01, "{focal_mm}");
}

/// Another program takes exposures all the time and writes them into a folder; until `done`.
fn take_exposures(rehearsal: &Rehearsal, folder: &Path, done: &AtomicBool) {
    let address = rehearsal.device(CAMERA).parse().expect("an address");
    let mut camera = Connection::open(&address, true).expect("the camera answers");
    let expose = numbers(CAMERA, "CCD_EXPOSURE", &[("CCD_EXPOSURE_VALUE", 0.5)]);
    for number in 0.. {
        if done.load(Ordering::Relaxed) {
            return;
        }
        camera.send(&expose).expect("sent");
        let came = camera.wait(4 * WAIT, |p| p.take_blob("CCD1", "CCD1"));
        let Ok(Waited::Found(blob)) = came else {
            panic!("no frame came");
        };
        let part = folder.join("part");
        std::fs::write(&part, blob.bytes.expect("base64")).expect("written");
        std::fs::rename(&part, folder.join(format!("light-{number:03}.fits"))).expect("renamed");
    }
}

#[test]
fn frames_of_another_program_serve_as_well() {
    let Some(rehearsal) = Rehearsal::new(night()) else {
        return;
    };
    let mut random = Random(7);
    rehearsal.place(place_above(&rehearsal.setup, 30.0, &mut random));
    let target = place_above(&rehearsal.setup, 30.0, &mut random);
    let folder = tempfile::tempdir().expect("a folder");
    let done = AtomicBool::new(false);
    let output = std::thread::scope(|scope| {
        scope.spawn(|| take_exposures(&rehearsal, folder.path(), &done));
        let output = nightfix()
            .args(["centre", &text(target), "--mount", &rehearsal.device(MOUNT)])
            .arg("--frames")
            .arg(folder.path())
            .args(["--move", "--sync", "--settle", "0.3", "--log"])
            .arg(rehearsal.folder.path().join("commands.log"))
            .output();
        done.store(true, Ordering::Relaxed);
        output.expect("the command starts")
    });
    assert_eq!(output.status.code(), Some(0), "{}", both(&output));
    let off_arcmin = separation_deg(rehearsal.truth(), target) * 60.0;
    assert!(off_arcmin < 1.8, "{off_arcmin}: {}", both(&output));
    // The camera was not spoken to.
    assert!(!rehearsal.log().contains("CCD_"), "{}", rehearsal.log());
}

/// A position by hand would pass for the one at which an old frame was taken.
#[test]
fn a_watch_that_syncs_takes_no_position_by_hand() {
    let folder = tempfile::tempdir().expect("a folder");
    let output = nightfix()
        .arg("watch")
        .arg(folder.path())
        .args(["--mount", "indi://127.0.0.1:7624/Mount", "--sync-only"])
        .args(["--at", "M 81"])
        .output()
        .expect("it starts");
    assert_eq!(output.status.code(), Some(64), "{}", both(&output));
    assert!(stderr(&output).contains("leave out --at"));
    assert!(!folder.path().join("nightfix.journal").exists());
}

/// As near as a sync is taken; cone and polar error move the tube on by arcseconds a minute.
const AS_SYNCED_DEG: f64 = 0.05;

/// A watch syncs the mount to the frames of another program, and moves nothing.
#[test]
fn a_watch_tells_the_mount_where_it_points() {
    let Some(rehearsal) = Rehearsal::new(night()) else {
        return;
    };
    let mut random = Random(8);
    let place = place_above(&rehearsal.setup, 30.0, &mut random);
    rehearsal.set(MOUNT, "TELESCOPE_TRACK_STATE", "TRACK_ON");
    rehearsal.place(place);
    let folder = tempfile::tempdir().expect("a folder");
    let done = AtomicBool::new(false);
    let (said, off_deg) = std::thread::scope(|scope| {
        scope.spawn(|| take_exposures(&rehearsal, folder.path(), &done));
        let mut watch = nightfix()
            .arg("watch")
            .arg(folder.path())
            .args(["--mount", &rehearsal.device(MOUNT), "--sync-only", "--log"])
            .arg(rehearsal.folder.path().join("commands.log"))
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let begin = Instant::now();
        let off_deg = || separation_deg(believed(&rehearsal), rehearsal.truth());
        while begin.elapsed() < Duration::from_secs(60) && off_deg() > AS_SYNCED_DEG {
            std::thread::sleep(Duration::from_millis(500));
        }
        let off_deg = off_deg();
        done.store(true, Ordering::Relaxed);
        let asked = Command::new("kill").arg(watch.id().to_string()).status();
        assert!(asked.expect("kill").success());
        let mut said = String::new();
        let mut errors = watch.stderr.take().expect("a pipe");
        errors.read_to_string(&mut said).expect("text");
        watch.wait().expect("it ends");
        (said, off_deg)
    });
    assert!(off_deg < AS_SYNCED_DEG, "{off_deg} degrees off\n{said}");
    assert!(said.contains(": synced: the mount was "), "{said}");
    assert!(separation_deg(place, rehearsal.truth()) < 0.05, "{said}");
    let log = rehearsal.log();
    assert!(
        log.contains("SYNC=On") && !log.contains("TRACK=On"),
        "{log}"
    );
}

#[test]
fn nothing_moves_unasked_or_into_forbidden_places() {
    let Some(rehearsal) = Rehearsal::new(night()) else {
        return;
    };
    let mut random = Random(3);
    rehearsal.place(place_above(&rehearsal.setup, 40.0, &mut random));
    let before = rehearsal.truth();
    let target = text(place_above(&rehearsal.setup, 40.0, &mut random));
    let unasked = rehearsal.centre(&target, &[]);
    assert_eq!(unasked.status.code(), Some(1), "{}", both(&unasked));
    assert!(stdout(&unasked).contains("nothing moves without --move"));
    let low = rehearsal.centre("0 -80", &["--move", "--sync", "--json"]);
    assert_eq!(low.status.code(), Some(77), "{}", both(&low));
    let record = checked(&low);
    assert_eq!(record["status"], "refused");
    assert_eq!(record["stopped"], Value::Null);
    let log = rehearsal.log();
    assert!(
        !log.contains("COORD RA") && !log.contains("TRACK_ON"),
        "{log}"
    );
    // It stood still while the sky went on.
    assert!(separation_deg(before, rehearsal.truth()) < 0.5);
    rehearsal.set(MOUNT, "TELESCOPE_PARK", "PARK");
    let begin = Instant::now();
    while begin.elapsed() < Duration::from_secs(60) && rehearsal.is_moving() {
        std::thread::sleep(Duration::from_millis(300));
    }
    let parked = rehearsal.centre(&target, &["--move", "--sync"]);
    assert_eq!(parked.status.code(), Some(76));
    assert!(
        stderr(&parked).contains("parked: unpark it"),
        "{}",
        both(&parked)
    );
}

#[test]
fn faults_are_told_and_the_mount_stands() {
    let Some(rehearsal) = Rehearsal::new(night()) else {
        return;
    };
    let mut random = Random(5);
    let all = ["--move", "--sync"];
    let start = place_above(&rehearsal.setup, 30.0, &mut random);
    let target = text(place_above(&rehearsal.setup, 30.0, &mut random));
    rehearsal.place(start);
    rehearsal.set(CAMERA, "AILMENT", "CUT_FRAMES");
    let cut = rehearsal.centre(&target, &all);
    assert_eq!(cut.status.code(), Some(76), "{}", both(&cut));
    assert!(stderr(&cut).contains("damaged"), "{}", both(&cut));
    assert!(stdout(&cut).contains("seen to stand"));
    rehearsal.set(CAMERA, "AILMENT", "CLOUDS");
    let clouds = rehearsal.centre(&target, &all);
    assert_eq!(clouds.status.code(), Some(1), "{}", both(&clouds));
    assert!(stderr(&clouds).contains("no solution"), "{}", both(&clouds));
    rehearsal.set(CAMERA, "AILMENT", "NONE");
    // Packed frames are as good.
    rehearsal.set(CAMERA, "CCD_COMPRESSION", "CCD_COMPRESS");
    let packed = rehearsal.centre(&target, &all);
    assert_eq!(packed.status.code(), Some(0), "{}", both(&packed));
    // A clutch that holds nothing.
    let slip = numbers(CAMERA, "FAULTS", &[("SLIP_HOUR", 1.0), ("SLIP_DEC", 1.0)]);
    rehearsal.connect(CAMERA).send(&slip).expect("sent");
    rehearsal.place(start);
    let slipped = rehearsal.centre(&target, &all);
    assert_eq!(slipped.status.code(), Some(1), "{}", both(&slipped));
    assert!(stderr(&slipped).contains("clutch"), "{}", both(&slipped));
    assert!(!rehearsal.is_moving());
}

#[test]
fn a_server_that_goes_away_is_told() {
    let Some(mut rehearsal) = Rehearsal::new(night()) else {
        return;
    };
    let mut random = Random(6);
    rehearsal.place(place_above(&rehearsal.setup, 20.0, &mut random));
    let target = text(place_above(&rehearsal.setup, 20.0, &mut random));
    let mut command = rehearsal.command(&target, &["--move", "--sync"]);
    let child = command
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts");
    std::thread::sleep(Duration::from_millis(1500));
    rehearsal.observatory = None;
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(output.status.code(), Some(76), "{}", both(&output));
    assert!(stderr(&output).contains("NOW"), "{}", both(&output));
    let nobody = rehearsal.centre(&target, &[]);
    assert_eq!(nobody.status.code(), Some(76));
    assert!(
        stderr(&nobody).contains("no INDI server"),
        "{}",
        both(&nobody)
    );
}

#[test]
fn a_missing_site_and_a_wrong_clock_are_told() {
    let Some(rehearsal) = Rehearsal::new(Setup {
        latitude_deg: None,
        ..night()
    }) else {
        return;
    };
    let no_site = rehearsal.centre("M 81", &["--move", "--sync"]);
    assert_eq!(no_site.status.code(), Some(76), "{}", both(&no_site));
    assert!(stderr(&no_site).contains("no site"), "{}", both(&no_site));
    let later = Moment::from_jd_utc(moment().jd_utc() + 1.0 / 24.0)
        .expect("a date")
        .iso_utc();
    let xml = format!(
        "<newTextVector device=\"{MOUNT}\" name=\"TIME_UTC\"><oneText name=\"UTC\">{}</oneText>\
         <oneText name=\"OFFSET\">0</oneText></newTextVector>",
        &later[..19]
    );
    let clock = nightfix::indi::Command {
        xml,
        summary: String::new(),
    };
    let mut mount = rehearsal.connect(MOUNT);
    mount.send(&clock).expect("sent");
    std::thread::sleep(Duration::from_millis(500));
    let wrong = rehearsal.centre("M 81", &["--move", "--site", "48 11"]);
    assert_eq!(wrong.status.code(), Some(76), "{}", both(&wrong));
    assert!(
        stderr(&wrong).contains("clock is ahead"),
        "{}",
        both(&wrong)
    );
}
