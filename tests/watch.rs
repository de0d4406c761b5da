//! `nightfix watch` while frames arrive, slowly and in pieces, and the mount goes astray.
#![cfg(unix)]

mod run;

use nightfix::mount::separation_deg;
use run::night::{CAMERA, Light, TARGET, light, spec};
use run::nightfix;
use run::schema::violations;
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

/// More than a slow machine needs for a frame; the watch itself waits a fraction of a second.
const PATIENCE: Duration = Duration::from_secs(60);

/// A watch that runs, and what it prints.
struct Watch {
    child: Child,
    lines: Receiver<String>,
}

impl Watch {
    fn of(folder: &Path, options: &[&str]) -> Watch {
        let mut child = nightfix()
            .arg("watch")
            .arg(folder)
            .args(options)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the command starts");
        let out = child.stdout.take().expect("a pipe");
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    break;
                }
            }
        });
        Watch { child, lines }
    }

    fn record(&self) -> Value {
        let line = self.lines.recv_timeout(PATIENCE).expect("a line");
        let record: Value = serde_json::from_str(&line).expect("JSON");
        let schema = include_str!("../src/report/solution.schema.json");
        let schema = serde_json::from_str(schema).expect("JSON");
        assert_eq!(violations(&schema, &record), Vec::<String>::new());
        record
    }

    /// Ctrl-C; the exit status.
    fn end(mut self) -> Option<i32> {
        let done = std::process::Command::new("kill")
            .args(["-INT", &self.child.id().to_string()])
            .status();
        assert!(done.is_ok_and(|s| s.success()));
        self.child.wait().expect("it ends").code()
    }
}

/// Renders elsewhere, so that the watched folder sees only what is copied into it.
fn rendered(at: &Path, file: &str, minutes: usize, off_deg: [f64; 2]) -> (Light, Vec<u8>) {
    let light = light(
        at,
        file,
        minutes,
        &spec(CAMERA, off_deg, 12.0, 70 + minutes as u64),
        true,
    );
    let bytes = std::fs::read(at.join(file)).expect("it was just written");
    (light, bytes)
}

#[test]
fn frames_are_solved_as_they_come_and_an_alarm_says_when_the_mount_is_astray() {
    let (elsewhere, folder) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let at = folder.path();
    let target = format!("{} {}", TARGET[0], TARGET[1]);
    let watch = Watch::of(at, &["--json", "--target", &target, "--alarm", "20"]);

    // A slow writer: nothing is said before the last piece.
    let (near, bytes) = rendered(elsewhere.path(), "near.fits", 1, [0.05, -0.1]);
    let mut file = std::fs::File::create(at.join("near.fits")).unwrap();
    for piece in bytes.chunks(bytes.len() / 3 + 1) {
        assert!(
            watch
                .lines
                .recv_timeout(Duration::from_millis(500))
                .is_err()
        );
        file.write_all(piece).unwrap();
        file.flush().unwrap();
    }
    let first = watch.record();
    assert_eq!(
        (&first["file"], &first["status"]),
        (&"near.fits".into(), &"solved".into())
    );
    assert!(first["night"]["alarm"].is_null(), "{first}");
    let truth = &near.truth;
    let found = ["ra_deg", "dec_deg"].map(|key| first["centre"][key].as_f64().unwrap());
    let off_deg = separation_deg(found, [truth.ra_deg, truth.dec_deg]);
    assert!(3600.0 * off_deg < truth.scale_arcsec_per_px, "{off_deg}");
    // The move is the opposite of how the frame was put.
    let wanted = [("east_arcmin", -3.0), ("north_arcmin", 6.0)];
    for (key, arcmin) in wanted {
        let said = first["night"]["move"][key].as_f64().unwrap();
        assert!((said - arcmin).abs() < 0.05, "{key}: {said}");
    }

    // Renamed into place, as careful programs do.
    let (_, bytes) = rendered(elsewhere.path(), "astray.fits", 5, [0.6, 0.0]);
    std::fs::write(at.join(".astray.part"), bytes).unwrap();
    std::fs::rename(at.join(".astray.part"), at.join("astray.fits")).unwrap();
    let second = watch.record();
    assert_eq!(second["file"], "astray.fits");
    assert_eq!(second["night"]["alarm"], "farther off than 20 arcmin");

    // The last frame raised an alarm, and the status says so.
    assert_eq!(watch.end(), Some(1));
}

#[test]
fn a_watch_ends_cleanly_and_a_second_one_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    light(at, "one.fits", 1, &spec(CAMERA, [0.0, 0.0], 12.0, 71), true);
    let table = at.join("night.ecsv");
    let options = ["--json", "--table", table.to_str().expect("plain text")];
    let watch = Watch::of(at, &options);
    assert_eq!(watch.record()["file"], "one.fits");
    assert_eq!(watch.end(), Some(0));
    let rows = |text: &str| {
        text.lines()
            .filter(|l| l.starts_with("one.fits") || l.starts_with("two.fits"))
            .count()
    };
    assert_eq!(rows(&std::fs::read_to_string(&table).unwrap()), 1);

    light(
        at,
        "two.fits",
        5,
        &spec(CAMERA, [0.01, 0.0], 12.0, 72),
        true,
    );
    let watch = Watch::of(at, &options);
    let names = [watch.record(), watch.record()].map(|r| r["file"].as_str().unwrap().to_owned());
    assert_eq!(names, ["one.fits", "two.fits"]);
    assert_eq!(watch.end(), Some(0));
    assert_eq!(rows(&std::fs::read_to_string(&table).unwrap()), 2);
}

/// Without a target and without a position in the header no distance can be too great: the watch
/// says so, once.
#[test]
fn an_alarm_without_anything_to_count_from_is_said_to_be_none() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    for (number, file) in ["one.fits", "two.fits"].into_iter().enumerate() {
        let spec = spec(CAMERA, [2.0, 0.0], 12.0, 75 + number as u64);
        light(at, file, 1 + number, &spec, false);
    }
    let mut watch = Watch::of(at, &["--json", "--alarm", "5"]);
    let said = watch.child.stderr.take().expect("a pipe");
    assert!(watch.record()["night"]["alarm"].is_null());
    watch.record();
    assert_eq!(watch.end(), Some(0));
    let lines = BufReader::new(said).lines().map_while(Result::ok);
    let remarks = lines.filter(|line| line.contains("--alarm") && line.contains("--target"));
    assert_eq!(remarks.count(), 1);
}
