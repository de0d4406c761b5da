//! The program for Windows under Wine, against the one of this system: the same answers to the last
//! digit, and what is different about Windows. NIGHTFIX_WINE names the .exe, with
//! bcryptprimitives.dll beside it where Wine has none; `.ci/windows` makes both.
#![cfg(unix)]

mod run;

use run::{nightfix, sample, stderr, stdout};
use serde_json::Value;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// What Debian's wrapper `wine` starts, after advice that is no matter here.
const LOADER: &str = "/usr/lib/wine/wine64";

const JOURNAL: &str = "nightfix.journal";

/// Far more than twelve small frames take under Wine.
const PATIENCE: Duration = Duration::from_secs(120);

/// The program for Windows, or word that `what` is skipped.
fn program(what: &str) -> Option<PathBuf> {
    let program = std::env::var_os("NIGHTFIX_WINE").filter(|name| !name.is_empty());
    if program.is_none() {
        eprintln!("\nskipped: {what} on Windows, since NIGHTFIX_WINE names no program for it");
    }
    program.map(PathBuf::from)
}

fn wine() -> Command {
    let loader = Path::new(LOADER);
    let mut command = Command::new(if loader.exists() {
        loader
    } else {
        Path::new("wine")
    });
    let prefix = Path::new(env!("CARGO_TARGET_TMPDIR")).join("wine");
    command
        .env("WINEPREFIX", prefix)
        .env("WINEDEBUG", "-all")
        .env("WINEDLLOVERRIDES", "mscoree,mshtml=")
        .env("WINELOADER", loader)
        .env_remove("DISPLAY")
        .env_remove("NIGHTFIX_INDEX");
    command
}

/// The command of `program`, with an empty data folder and the system around it set up.
fn windows(program: &Path) -> Command {
    static SET_UP: OnceLock<()> = OnceLock::new();
    SET_UP.get_or_init(|| {
        let done = wine().args(["wineboot", "--init"]).output();
        assert!(done.expect("wine starts").status.success());
    });
    let mut command = wine();
    command.arg(program);
    command
}

/// `path` as Windows sees it: Wine shows the whole file system as drive Z.
fn on_windows(path: &Path) -> String {
    let path = path.to_str().expect("a plain path");
    format!("Z:{}", path.replace('/', "\\"))
}

/// Every object that was printed, without the time that things took.
fn lasting(output: &Output) -> Vec<Value> {
    let record = |line: &str| {
        let mut record: Value = serde_json::from_str(line).expect("JSON");
        record["elapsed_ms"] = Value::Null;
        record
    };
    stdout(output).lines().map(record).collect()
}

/// Runs both in `folder`: the same objects, and the same status.
fn same<S: AsRef<OsStr>>(program: &Path, folder: &Path, arguments: &[S]) -> Vec<Value> {
    let run = |mut command: Command| {
        let output = command.current_dir(folder).args(arguments).output();
        output.expect("the command starts")
    };
    let (native, there) = (run(nightfix()), run(windows(program)));
    let (expected, found) = (lasting(&native), lasting(&there));
    assert_eq!(found.len(), expected.len(), "{}", stderr(&there));
    for (found, expected) in found.iter().zip(&expected) {
        assert_eq!(found, expected);
    }
    assert_eq!(there.status.code(), native.status.code());
    found
}

fn solved(records: &[Value]) -> usize {
    let is_solved = |record: &&Value| record["status"] == "solved";
    records.iter().filter(is_solved).count()
}

#[test]
fn the_same_answers_to_the_last_digit() {
    let Some(program) = program("the demonstration frames") else {
        return;
    };
    let folder = sample("");
    let mut frames: Vec<_> = std::fs::read_dir(&folder)
        .expect("the demonstration frames")
        .map(|entry| entry.expect("a name").file_name())
        .filter(|name| {
            name.to_str()
                .is_some_and(|n| n.as_bytes()[0].is_ascii_digit())
        })
        .collect();
    frames.sort();
    let mut arguments = vec!["solve".into(), "--json".into()];
    arguments.extend(frames);
    let records = same(&program, &folder, &arguments);
    assert_eq!(records.len(), 10);
    assert!(solved(&records) >= 9, "{}", solved(&records));
}

#[test]
fn a_night_with_its_report_and_table() {
    let Some(program) = program("a night with its report") else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    run::night::short(folder.path(), 8);
    let frames = folder.path().to_str().unwrap();
    let run = |mut command: Command, name: &str| {
        let output = command
            .current_dir(frames)
            .args(["night", ".", "--json", "--write-wcs"])
            .args(["--journal", &format!("{name}.journal")])
            .args(["--table", &format!("{name}.ecsv")])
            .args(["--report", &format!("{name}.html")])
            .output()
            .expect("the command starts");
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let read = |ending: &str| {
            std::fs::read_to_string(folder.path().join(format!("{name}.{ending}"))).unwrap()
        };
        (lasting(&output), read("ecsv"), read("html"))
    };
    // The one for Windows first: afterwards the headers of the frames have the position.
    let there = run(windows(&program), "there");
    run::night::short(folder.path(), 8);
    let native = run(nightfix(), "native");
    for (found, expected) in there.0.iter().zip(&native.0) {
        assert_eq!(found, expected);
    }
    assert_eq!(solved(&there.0), 8);
    assert_eq!(there.1, native.1);
    // The report says how long things took.
    assert!(there.2.contains("<svg") && there.2.len() * 10 > native.2.len() * 9);
    let frame = nightfix::frame::Frame::open(&folder.path().join("light-3.fits")).unwrap();
    assert!(!frame.clues.scales.is_empty(), "no position in the header");
}

#[test]
fn star_indexes_are_listed_and_whole() {
    let Some(program) = program("the star-indexes") else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let objects = same(&program, folder.path(), &["sky", "--json", "--check"]);
    assert_eq!(objects[0]["status"], "verified");
}

/// Umlauts, letters beyond the first plane, spaces, a name of more than 260 characters; whole names,
/// relative ones, with slashes of either kind.
#[test]
fn names_of_every_kind() {
    let Some(program) = program("names of every kind") else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let mut deep = folder.path().join("Nächte im Süden ★ 𝛿 (alle)");
    while deep.as_os_str().len() < 300 {
        deep.push("Sternwarte auf dem großen Hügel");
    }
    std::fs::create_dir_all(&deep).unwrap();
    let frame = deep.join("M 81 ü+[1].fits");
    std::fs::copy(sample("01-power-cut.fits"), &frame).unwrap();
    let run = |at: &Path, arguments: &[&str]| {
        let output = windows(&program).current_dir(at).args(arguments).output();
        output.expect("the command starts")
    };
    let check = |output: Output, name: &str| {
        let records = lasting(&output);
        assert_eq!(solved(&records), 1, "{name}: {}", stderr(&output));
        assert_eq!(records[0]["file"], *name);
    };
    let whole = on_windows(&frame);
    assert!(whole.len() > 260);
    check(run(folder.path(), &["solve", "--json", &whole]), &whole);
    let slashes = whole.replace('\\', "/");
    check(run(folder.path(), &["solve", "--json", &slashes]), &slashes);
    let short = deep.ancestors().nth(6).expect("a long path");
    std::fs::copy(&frame, short.join("M 81 ü.fits")).unwrap();
    check(
        run(short, &["solve", "--json", "M 81 ü.fits"]),
        "M 81 ü.fits",
    );
    check(
        run(short, &["solve", "--json", ".\\M 81 ü.fits"]),
        ".\\M 81 ü.fits",
    );

    // And it writes there: keywords, picture, journal, table.
    let picture = deep.join("wo.png");
    let write = [
        "solve",
        "--write-wcs",
        "--overlay",
        &on_windows(&picture),
        &whole,
    ];
    let output = run(folder.path(), &write);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(picture.exists());
    let table = deep.join("Tabelle.ecsv");
    let night = ["night", &on_windows(&deep), "--table", &on_windows(&table)];
    let output = run(folder.path(), &night);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(table.exists() && deep.join(JOURNAL).exists());
    let left: Vec<_> = std::fs::read_dir(&deep).unwrap().collect();
    assert_eq!(left.len(), 4, "{left:?}");
}

/// A frame that is read-only stays as it is; a folder in which nothing can be made is said to be
/// one.
#[test]
fn what_may_not_be_written() {
    let Some(program) = program("what may not be written") else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    run::night::short(folder.path(), 1);
    let frame = folder.path().join("light-0.fits");
    let before = std::fs::read(&frame).unwrap();
    let mut permissions = std::fs::metadata(&frame).unwrap().permissions();
    permissions.set_readonly(true);
    std::fs::set_permissions(&frame, permissions).unwrap();
    let run = |arguments: &[&str]| {
        let mut command = windows(&program);
        command.current_dir(folder.path()).args(arguments);
        command.output().expect("the command starts")
    };
    let output = run(&["solve", "--write-wcs", "light-0.fits"]);
    assert_eq!(output.status.code(), Some(73), "{}", stderr(&output));
    assert!(stdout(&output).contains("SOLVED"), "{}", stdout(&output));
    assert!(std::fs::read(&frame).unwrap() == before);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);

    // The superuser, and Wine with it, may write anywhere but into what is marked immutable.
    let mark = |how: &str| {
        let done = Command::new("chattr").arg(how).arg(folder.path()).output();
        done.is_ok_and(|done| done.status.success())
    };
    if !mark("+i") {
        eprintln!("\nskipped: a read-only folder on Windows, since none can be marked here");
        return;
    }
    let output = run(&["night", "."]);
    assert!(mark("-i"));
    assert_eq!(output.status.code(), Some(73), "{}", stderr(&output));
    assert!(stderr(&output).contains("--journal"), "{}", stderr(&output));
}

/// Killed at five moments of a night; the next run ends as an undisturbed one, and with the
/// answers of this system.
#[test]
fn a_killed_night_goes_on() {
    let Some(program) = program("a killed night") else {
        return;
    };
    const FRAMES: usize = 12;
    let folder = tempfile::tempdir().unwrap();
    run::night::short(folder.path(), FRAMES);
    let undisturbed = same(
        &program,
        folder.path(),
        &["night", ".", "--json", "--journal", "a.jrn"],
    );
    assert_eq!(undisturbed.len(), FRAMES);
    let journal = folder.path().join(JOURNAL);
    let mut partly = 0;
    for moment in 1..=5 {
        let _ = std::fs::remove_file(&journal);
        let mut child = windows(&program)
            .current_dir(folder.path())
            .args(["night", "."])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the command starts");
        wait_for_lines(&journal, 2 * moment, &mut child);
        let _ = child.kill();
        child.wait().unwrap();
        let mut command = windows(&program);
        command
            .current_dir(folder.path())
            .args(["night", ".", "--json"]);
        let output = command.output().expect("the command starts");
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        assert_eq!(lasting(&output), undisturbed, "moment {moment}");
        partly += usize::from((1..FRAMES).contains(&known(&output)));
    }
    assert!(partly > 0, "no kill met a run at work");
}

/// Until the journal has this number of lines, whatever else keeps this machine busy, or the run has ended.
fn wait_for_lines(journal: &Path, lines: usize, child: &mut Child) {
    let begin = Instant::now();
    let written =
        || std::fs::read(journal).map_or(0, |text| text.iter().filter(|b| **b == b'\n').count());
    while written() < lines && matches!(child.try_wait(), Ok(None)) {
        assert!(
            begin.elapsed() < PATIENCE,
            "no {lines} lines in the journal"
        );
        std::thread::sleep(Duration::from_millis(1));
    }
}

/// How many frames a run found in the journal.
fn known(output: &Output) -> usize {
    let text = stderr(output);
    let mut lines = text.lines();
    let line = lines.find(|line| line.ends_with("from an earlier run"));
    line.map_or(0, |line| line.split(' ').next().unwrap().parse().unwrap())
}
