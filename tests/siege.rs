//! A solver under siege: closed pipes, full disks, folders that may not be written, requests to end
//! at random moments, files that change under its hands, clocks that jump.
#![cfg(unix)]

mod run;

use nightfix::frame::Frame;
use run::night::{CAMERA, light, short, spec};
use run::{Random, fits, nightfix, sample, starless, stderr, stdout};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::ffi::OsStr;
use std::io::{BufRead, BufReader, Read};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant, SystemTime};

/// Positions near which every light of these tests is found at once.
const NEAR: [&str; 2] = ["--at", "130 19.7"];

fn has_position(path: &Path) -> bool {
    let bytes = std::fs::read(path).expect("a frame");
    bytes
        .chunks_exact(80)
        .any(|card| card.starts_with(b"CRVAL1  ="))
}

/// Temporary files of the program in `folder`.
fn litter(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).expect("a folder").flatten();
    entries
        .map(|entry| entry.path())
        .filter(|path| path.to_string_lossy().contains(".nightfix-"))
        .collect()
}

/// Runs with standard output closed from the start.
fn unheard(command: &mut Command) -> Output {
    let mut child = command
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command starts");
    drop(child.stdout.take());
    child.wait_with_output().expect("it ends")
}

#[test]
fn a_closed_pipe_takes_no_work_and_no_status_away() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let lights = short(at, 2);
    std::fs::write(at.join("cloud.fits"), starless()).unwrap();
    let paths: Vec<PathBuf> = ["cloud.fits", &lights[0].file, &lights[1].file]
        .iter()
        .map(|name| at.join(name))
        .collect();
    // Nobody hears that a frame is unsolved: the status says so.
    let mut solve = nightfix();
    let output = unheard(solve.arg("solve").arg("--json").arg(&paths[0]));
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    // Nothing but lines was asked for: the rest is left undone, and that is said.
    let mut solve = nightfix();
    let output = unheard(solve.arg("solve").args(NEAR).args(&paths));
    assert_eq!(output.status.code(), Some(130), "{}", stderr(&output));
    // Keywords were asked for.
    let mut solve = nightfix();
    let output = unheard(
        solve
            .arg("solve")
            .args(NEAR)
            .arg("--write-wcs")
            .args(&paths),
    );
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    assert!(has_position(&paths[1]) && has_position(&paths[2]));

    std::fs::write(at.join("broken.fits"), b"SIMPLE  =").unwrap();
    let table = at.join("night.ecsv");
    let mut night = nightfix();
    night
        .arg("night")
        .arg(at)
        .args(["--json", "--table"])
        .arg(&table);
    let output = unheard(&mut night);
    assert_eq!(output.status.code(), Some(65), "{}", stderr(&output));
    assert!(
        std::fs::read_to_string(&table)
            .unwrap()
            .contains("light-1.fits")
    );
    let again = nightfix().arg("night").arg(at).output().unwrap();
    assert!(
        stdout(&again).contains("4 of them known"),
        "{}",
        stdout(&again)
    );
}

/// A limit on the size of files stands for a full disk: no write past it succeeds.
#[test]
fn a_full_disk_costs_the_output_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let path = at.join(&short(at, 1)[0].file);
    let before = std::fs::read(&path).unwrap();
    let overlay = at.join("where.png");
    let limited = |arguments: &[&OsStr]| {
        let mut shell = Command::new("sh");
        let script = r#"trap '' XFSZ; ulimit -f 40; exec "$@""#;
        let program = nightfix();
        shell.args(["-c", script, "sh"]).arg(program.get_program());
        shell.args(arguments).output().expect("a shell")
    };
    let output = limited(&[
        "solve".as_ref(),
        path.as_os_str(),
        "--json".as_ref(),
        "--write-wcs".as_ref(),
        "--overlay".as_ref(),
        overlay.as_os_str(),
    ]);
    assert_eq!(output.status.code(), Some(73), "{}", stderr(&output));
    let record: Value = serde_json::from_str(&stdout(&output)).unwrap();
    assert_eq!(record["status"], "solved");
    let cautions = record["cautions"].to_string();
    for what in ["picture was not written", "keywords were not written"] {
        assert!(cautions.contains(what), "{cautions}");
    }
    assert!(std::fs::read(&path).unwrap() == before);
    assert!(
        !overlay.exists() && litter(at).is_empty(),
        "{:?}",
        litter(at)
    );
}

#[test]
fn a_folder_that_may_not_be_written_is_said_to_be_one() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let path = at.join(&short(at, 1)[0].file);
    let before = std::fs::read(&path).unwrap();
    std::fs::set_permissions(at, std::fs::Permissions::from_mode(0o555)).unwrap();
    // The superuser may write anywhere: nobody may not.
    let is_root = rustix::process::geteuid().is_root();
    let run = |arguments: &[&OsStr]| {
        let mut command = nightfix();
        command.args(arguments);
        if is_root {
            command.uid(65_534).gid(65_534);
        }
        command.output()
    };
    let write = ["solve".as_ref(), path.as_os_str(), "--write-wcs".as_ref()];
    let Ok(output) = run(&write) else {
        eprintln!(
            "\nskipped: a folder that may not be written, since this user cannot run as another"
        );
        return;
    };
    assert_eq!(output.status.code(), Some(73), "{}", stderr(&output));
    assert!(stdout(&output).contains("SOLVED"), "{}", stdout(&output));
    assert!(std::fs::read(&path).unwrap() == before);
    let output = run(&["night".as_ref(), at.as_os_str()]).unwrap();
    assert_eq!(output.status.code(), Some(73), "{}", stderr(&output));
    assert!(stderr(&output).contains("--journal"), "{}", stderr(&output));
    std::fs::set_permissions(at, std::fs::Permissions::from_mode(0o755)).unwrap();
}

fn ask_to_end(child: &Child, signal: Signal) {
    // It may have ended by itself.
    let _ = kill_process(Pid::from_child(child), signal);
}

/// SIGTERM at a random moment of one command; what is wrong afterwards.
fn ended(kind: &str, after: Duration) -> Option<String> {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let path = at.join(&short(at, 1)[0].file);
    let pixels = std::fs::read(&path).unwrap()[2880..].to_vec();
    let (overlay, table) = (at.join("where.png"), at.join("night.ecsv"));
    let start = || {
        let mut command = nightfix();
        command.arg(kind).args(NEAR).args(["--json", "--write-wcs"]);
        match kind {
            "solve" => command.arg(&path).arg("--overlay").arg(&overlay),
            _ => command.arg(at).arg("--table").arg(&table),
        };
        command.stdout(Stdio::null()).stderr(Stdio::piped());
        command.spawn().expect("it starts")
    };
    let mut child = start();
    std::thread::sleep(after);
    ask_to_end(&child, Signal::TERM);
    let status = child.wait().unwrap();
    // Before it could listen the system ends it.
    let is_fine = match status.code() {
        Some(code) => [0, 130].contains(&code),
        None => status.signal() == Some(15) && after < Duration::from_millis(50),
    };
    if !is_fine {
        let mut said = String::new();
        child.stderr?.read_to_string(&mut said).ok()?;
        return Some(format!("ended with {status}: {said}"));
    }
    let bytes = std::fs::read(&path).unwrap();
    if !bytes.ends_with(&pixels) || Frame::open(&path).is_err() {
        return Some("the frame is damaged".into());
    }
    if !litter(at).is_empty() {
        return Some(format!("left behind: {:?}", litter(at)));
    }
    if overlay.exists() && Frame::open(&overlay).is_err() {
        return Some("half a picture".into());
    }
    let again = nightfix().arg("night").arg(at).arg("--write-wcs").output();
    let again = again.unwrap();
    (again.status.code() != Some(0) || !has_position(&path))
        .then(|| format!("not mended: {} {}", again.status, stderr(&again)))
}

#[test]
fn a_request_to_end_leaves_nothing_half_written() {
    let mut random = Random(7);
    let mut faults = Vec::new();
    for round in 0..24 {
        let kind = ["solve", "night", "watch"][round % 3];
        // A watch first waits until the file has settled.
        let longest = if kind == "watch" { 0.9 } else { 0.25 };
        let after = Duration::from_secs_f64(longest * random.next());
        let fault = ended(kind, after);
        faults.extend(fault.map(|fault| format!("{kind} after {after:?}: {fault}")));
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Frames that are cut, deleted, grown and swapped while a night is solved.
#[test]
fn frames_may_change_in_any_way_while_a_night_is_solved() {
    let mut random = Random(3);
    for round in 0..4 {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        let lights = short(at, 6);
        let mut command = nightfix();
        command.arg("night").arg(at).args(["--json", "--write-wcs"]);
        let child = command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        for (number, one) in lights.iter().enumerate() {
            std::thread::sleep(Duration::from_secs_f64(0.1 * random.next()));
            let path = at.join(&one.file);
            let Ok(mut bytes) = std::fs::read(&path) else {
                continue;
            };
            let _ = match (number + round) % 4 {
                0 => std::fs::remove_file(&path),
                1 => std::fs::write(
                    &path,
                    &bytes[..(bytes.len() as f64 * random.next()) as usize],
                ),
                2 => {
                    bytes.resize(bytes.len() + 9000, 7);
                    std::fs::write(&path, bytes)
                }
                _ => std::fs::rename(&path, at.join(&lights[(number + 1) % 6].file)),
            };
        }
        let output = child.wait_with_output().unwrap();
        let code = output.status.code();
        assert!(
            code.is_some_and(|code| code != 70),
            "{code:?} {}",
            stderr(&output)
        );
        assert!(litter(at).is_empty(), "{:?}", litter(at));
        for line in stdout(&output).lines() {
            let record: Value = serde_json::from_str(line).expect("JSON");
            assert!(record["status"].is_string());
        }
    }
}

/// What a time limit cut short is tried again, whatever the next limit; what was found is kept.
#[test]
fn a_longer_time_limit_helps_the_next_run() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    short(at, 2);
    let night = |limit: &[&str]| {
        let mut command = nightfix();
        command.arg("night").arg(at).args(limit).output().unwrap()
    };
    let output = night(&["--time-limit", "0.000001"]);
    assert_eq!(output.status.code(), Some(75), "{}", stdout(&output));
    let output = night(&["--time-limit", "100"]);
    assert_eq!(output.status.code(), Some(0), "{}", stdout(&output));
    assert!(stdout(&output).contains("2 frames solved of 2"));
    let output = night(&[]);
    assert!(
        stdout(&output).contains("2 of them known"),
        "{}",
        stdout(&output)
    );
}

#[test]
fn names_that_are_not_unicode_are_told_apart_and_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(OsStr::from_bytes(b"f-\xff.fits"));
    if std::fs::copy(sample("01-power-cut.fits"), &path).is_err() {
        eprintln!("\nskipped: this file system has no names that are not Unicode");
        return;
    }
    let overlay = folder.path().join(OsStr::from_bytes(b"o-\xfe.png"));
    let mut solve = nightfix();
    solve
        .arg("solve")
        .arg(&path)
        .arg("--json")
        .arg("--overlay")
        .arg(&overlay);
    let output = solve.output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let record: Value = serde_json::from_str(&stdout(&output)).unwrap();
    let name = record["file"].as_str().unwrap();
    assert!(
        name.starts_with("file:/") && name.ends_with("/f-%FF.fits"),
        "{name}"
    );
    assert_eq!(nightfix::frame::path_of_text(name), Some(path));
    assert!(Frame::open(&overlay).is_ok());
    let night = nightfix()
        .arg("night")
        .arg(folder.path())
        .arg("--json")
        .output();
    let text = stdout(&night.unwrap());
    assert!(text.contains(r#""file":"file:f-%FF.fits""#), "{text}");
}

/// Keywords beside a picture say of which pixels they speak.
#[test]
fn a_header_beside_a_picture_names_its_size_and_the_order_of_its_rows() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("finder.png");
    std::fs::copy(sample("04-finder.png"), &path).unwrap();
    let frame = Frame::open(&path).unwrap();
    let output = run::solve([path.as_os_str(), "--write-wcs".as_ref()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let header = std::fs::read(folder.path().join("finder.png.pointing.fits")).unwrap();
    let text = String::from_utf8(header).unwrap();
    let section = format!("DATASEC = '[1:{},1:{}]", frame.width, frame.height);
    assert!(
        text.contains(&section) && text.contains("ROWORDER= 'TOP-DOWN'"),
        "{text}"
    );
}

/// A watch in the background, its lines and its complaints.
struct Watch {
    child: Child,
    lines: std::sync::mpsc::Receiver<String>,
}

impl Watch {
    fn of(folder: &Path, options: &[&str]) -> Watch {
        let mut command = nightfix();
        command
            .arg("watch")
            .arg(folder)
            .args(NEAR)
            .arg("--json")
            .args(options);
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().expect("it starts");
        let out = child.stdout.take().expect("a pipe");
        let (sender, lines) = std::sync::mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                let _ = sender.send(line);
            }
        });
        Watch { child, lines }
    }

    /// The name and status of the next frame.
    fn next(&self) -> (String, String) {
        let line = self
            .lines
            .recv_timeout(Duration::from_secs(60))
            .expect("a line");
        let record: Value = serde_json::from_str(&line).expect("JSON");
        let text = |key: &str| record[key].as_str().expect("text").to_owned();
        (text("file"), text("status"))
    }

    /// Ends it; status and complaints.
    fn end(mut self, signal: Signal) -> (Option<i32>, String) {
        ask_to_end(&self.child, signal);
        let mut said = String::new();
        let mut complaints = self.child.stderr.take().expect("a pipe");
        complaints.read_to_string(&mut said).expect("text");
        (self.child.wait().expect("it ends").code(), said)
    }
}

/// A file that is no frame does not keep new frames waiting, is complained about once, and
/// SIGTERM and SIGHUP end a watch with its summary.
#[test]
fn a_watch_lives_with_what_it_cannot_read_and_with_clocks_that_jump() {
    for signal in [Signal::TERM, Signal::HUP] {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        std::fs::write(at.join("notes.png"), "no picture at all").unwrap();
        let watch = Watch::of(at, &[]);
        for (number, year) in [(0, 130), (1, 10), (2, 60)] {
            let name = format!("light-{number}.fits");
            let spec = spec(CAMERA, [0.02 * number as f64, 0.0], 12.0, 70 + number);
            light(at, &name, 3 * number as usize, &spec, true);
            let changed = SystemTime::UNIX_EPOCH + Duration::from_secs(year * 31_557_600);
            let file = std::fs::File::options()
                .write(true)
                .open(at.join(&name))
                .unwrap();
            file.set_modified(changed).unwrap();
            assert_eq!(watch.next(), (name, "solved".into()));
        }
        // What does not tell whether it is whole is tried after two seconds, and again after one.
        std::thread::sleep(Duration::from_secs(4));
        let (status, said) = watch.end(signal);
        assert_eq!(status, Some(0), "{said}");
        let times = said
            .lines()
            .filter(|line| line.contains("notes.png"))
            .count();
        assert_eq!(times, 1, "{said}");
        assert!(said.contains("3 frames solved of 3"), "{said}");
    }
}

/// A backlog is left as soon as a new frame comes.
#[test]
fn a_new_frame_does_not_wait_for_a_backlog() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let backlog = 40;
    short(at, backlog);
    let watch = Watch::of(at, &[]);
    let first = watch.next();
    let new = spec(CAMERA, [0.1, 0.0], 12.0, 99);
    light(at, "zz-new.fits", 300, &new, true);
    let come = Instant::now();
    let before = (0..backlog)
        .map(|_| watch.next().0)
        .position(|name| name == "zz-new.fits");
    let (status, said) = watch.end(Signal::TERM);
    println!(
        "\n{before:?} frames between {first:?} and the new one, {:?}",
        come.elapsed()
    );
    // It settles for 0.3 s; all of the backlog takes several seconds.
    assert!(
        before.is_some_and(|before| before < backlog - 5),
        "{before:?}"
    );
    assert_eq!(status, Some(0), "{said}");
}

/// What a large folder costs: 100,000 files that are not frames.
#[test]
#[ignore = "minutes: cargo test --release --test siege -- --ignored --nocapture a_hundred_thousand"]
fn a_hundred_thousand_files_do_not_keep_a_new_frame_waiting() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    // Dark frames: known by their header, without any search.
    let dark = fits(16, 16, &["IMAGETYP= 'Dark    '"], |_, _| 100);
    for number in 0..100_000 {
        std::fs::write(at.join(format!("dark-{number}.fits")), &dark).unwrap();
    }
    let watch = Watch::of(at, &[]);
    std::thread::sleep(Duration::from_secs(20));
    for number in 0..3 {
        let spec = spec(CAMERA, [0.02 * number as f64, 0.0], 12.0, 70 + number);
        let name = format!("light-{number}.fits");
        light(at, &name, 3 * number as usize, &spec, true);
        let come = Instant::now();
        assert_eq!(watch.next().0, name);
        println!("\n{name}: {:?}", come.elapsed());
        assert!(come.elapsed() < Duration::from_secs(15));
    }
    let (status, said) = watch.end(Signal::TERM);
    assert_eq!(status, Some(0), "{said}");
}
