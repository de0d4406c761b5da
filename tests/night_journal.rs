//! Nothing lost: a night's journal against killed processes, full disks, torn lines, changed
//! frames and a second run.

mod run;

use run::{nightfix, stderr, stdout};
use serde_json::Value;
use std::path::Path;
use std::process::{Output, Stdio};
use std::time::{Duration, Instant};

const JOURNAL: &str = "nightfix.journal";

fn night(folder: &Path) -> Output {
    nightfix()
        .arg("night")
        .arg(folder)
        .arg("--json")
        .output()
        .expect("the command starts")
}

/// Everything printed that does not depend on how long things took.
fn lasting(output: &Output) -> Vec<Value> {
    stdout(output)
        .lines()
        .map(|line| {
            let mut record: Value = serde_json::from_str(line).expect("JSON");
            record["elapsed_ms"] = Value::Null;
            record
        })
        .collect()
}

/// How many frames a run found in the journal.
fn known(output: &Output) -> usize {
    let text = stderr(output);
    let line = text
        .lines()
        .find(|line| line.ends_with("from an earlier run"));
    line.map_or(0, |line| line.split(' ').next().unwrap().parse().unwrap())
}

/// SplitMix64 (Steele, Lea & Flood 2014), as a share of one.
fn random(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    (z ^ (z >> 31)) as f64 / u64::MAX as f64
}

/// Kills a run with SIGKILL (TerminateProcess on Windows) at `moments` random moments, up to three
/// times in a row; the run after that must end with what an undisturbed one finds.
fn killed_runs_resume(moments: usize) {
    let folder = tempfile::tempdir().unwrap();
    run::night::short(folder.path(), 12);
    let journal = folder.path().join(JOURNAL);
    let begin = Instant::now();
    let undisturbed = lasting(&night(folder.path()));
    let whole = begin.elapsed();
    assert_eq!(undisturbed.len(), 12);
    assert!(
        undisturbed
            .iter()
            .all(|record| record["status"] == "solved")
    );
    let mut state = 20_261_126;
    let (mut partly, mut kills) = (0, 0);
    while kills < moments {
        std::fs::remove_file(&journal).unwrap();
        for _ in 0..1 + kills % 3 {
            let mut child = nightfix()
                .arg("night")
                .arg(folder.path())
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .expect("the command starts");
            std::thread::sleep(whole.mul_f64(1.1 * random(&mut state)));
            let _ = child.kill();
            child.wait().unwrap();
            kills += 1;
        }
        let output = night(folder.path());
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        assert_eq!(lasting(&output), undisturbed);
        partly += usize::from((1..12).contains(&known(&output)));
        // And nothing is solved a second time.
        assert_eq!(known(&night(folder.path())), 12);
    }
    println!("{kills} kills, {partly} times a part was known afterwards");
    assert!(partly > 0, "no kill met a run at work");
}

#[test]
fn a_killed_run_resumes() {
    killed_runs_resume(10);
}

#[test]
#[ignore = "takes half a minute: the same at more moments"]
fn a_killed_run_resumes_at_fifty_moments() {
    killed_runs_resume(50);
}

/// A journal cut off at every byte, as a power cut leaves it, with and without a block of zeros
/// behind: every whole line counts, the torn one does not, and the run ends as if undisturbed.
#[test]
fn a_torn_journal_keeps_every_whole_line() {
    use nightfix::night::Journal;
    let folder = tempfile::tempdir().unwrap();
    run::night::short(folder.path(), 3);
    let undisturbed = lasting(&night(folder.path()));
    let path = folder.path().join(JOURNAL);
    let whole = std::fs::read(&path).unwrap();
    let ends: Vec<usize> = (0..whole.len()).filter(|at| whole[*at] == b'\n').collect();
    assert_eq!(ends.len(), 4);
    for length in (0..whole.len())
        .step_by(7)
        .chain(ends.iter().flat_map(|e| [*e, e + 1]))
    {
        for zeros in [0, 1, 700] {
            let mut torn = whole[..length].to_vec();
            torn.resize(length + zeros, 0);
            std::fs::write(&path, &torn).unwrap();
            let lines = ends.iter().filter(|end| **end < length).count();
            if lines == 0 && zeros > 0 && length > 0 {
                // Part of a title with zeros behind it is no file of ours.
                continue;
            }
            if lines == 0 && zeros > ends[0] {
                continue;
            }
            let journal = Journal::open(&path).unwrap_or_else(|e| panic!("{length}: {e}"));
            assert_eq!(journal.len(), lines.saturating_sub(1), "cut at {length}");
            drop(journal);
            let left = std::fs::read(&path).unwrap();
            let expected = ends[lines.max(1) - 1] + 1;
            assert!(left == whole[..expected], "cut at {length}");
        }
    }
    std::fs::write(&path, &whole[..ends[2] + 100]).unwrap();
    let output = night(folder.path());
    assert_eq!(known(&output), 2);
    assert_eq!(lasting(&output), undisturbed);
    // A line damaged in the middle costs that line only.
    let mut damaged = whole.clone();
    damaged[ends[1] + 200] ^= 4;
    std::fs::write(&path, &damaged).unwrap();
    let output = night(folder.path());
    assert_eq!(known(&output), 2);
    assert_eq!(lasting(&output), undisturbed);
}

/// The disk is full after this many bytes (a limit on the size of files says no in the same way,
/// after a part of the line): the run says so, keeps what is whole, and resumes.
#[cfg(unix)]
#[test]
fn a_full_disk_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    run::night::short(folder.path(), 6);
    let undisturbed = lasting(&night(folder.path()));
    let path = folder.path().join(JOURNAL);
    let whole = std::fs::metadata(&path).unwrap().len();
    // Blocks of 512 bytes (POSIX: ulimit -f).
    for blocks in 1..whole / 512 {
        std::fs::remove_file(&path).unwrap();
        let output = std::process::Command::new("sh")
            .arg("-c")
            .arg("trap '' XFSZ; ulimit -f \"$0\"; exec \"$@\"")
            .arg(blocks.to_string())
            .arg(env!("CARGO_BIN_EXE_nightfix"))
            .arg("night")
            .arg(folder.path())
            .arg("--json")
            .env_remove("NIGHTFIX_INDEX")
            .output()
            .expect("sh");
        assert_eq!(
            output.status.code(),
            Some(73),
            "{blocks}: {}",
            stderr(&output)
        );
        assert!(
            stderr(&output).contains("make room and run the same command"),
            "{}",
            stderr(&output)
        );
        let left = std::fs::read(&path).unwrap();
        assert!(left.ends_with(b"\n"), "a torn line was left behind");
        let lines = left.iter().filter(|byte| **byte == b'\n').count();
        let output = night(folder.path());
        assert_eq!(known(&output), lines - 1);
        assert_eq!(lasting(&output), undisturbed);
    }
}

#[test]
fn changed_frames_and_other_questions_are_noticed() {
    let folder = tempfile::tempdir().unwrap();
    run::night::short(folder.path(), 4);
    let first = night(folder.path());
    assert_eq!(known(&first), 0);
    assert_eq!(known(&night(folder.path())), 4);
    // Other pixels under an old name.
    let [a, b] = ["light-1.fits", "light-2.fits"].map(|name| folder.path().join(name));
    std::fs::copy(&b, &a).unwrap();
    let second = night(folder.path());
    assert_eq!(known(&second), 3);
    let (first, second) = (lasting(&first), lasting(&second));
    assert_ne!(first[1]["centre"], second[1]["centre"]);
    assert_eq!(second[1]["centre"], second[2]["centre"]);
    // One byte of the header, the time of change set back.
    let changed = std::fs::metadata(&a).unwrap().modified().unwrap();
    let mut bytes = std::fs::read(&a).unwrap();
    let at = bytes.windows(7).position(|w| w == b"Beehive").unwrap();
    bytes[at] = b'b';
    std::fs::write(&a, bytes).unwrap();
    std::fs::File::options()
        .write(true)
        .open(&a)
        .unwrap()
        .set_modified(changed)
        .unwrap();
    assert_eq!(known(&night(folder.path())), 3);
    // Another question has other answers.
    let output = nightfix()
        .arg("night")
        .arg(folder.path())
        .args(["--json", "--ignore-header"])
        .output()
        .unwrap();
    assert_eq!(known(&output), 0);
    // A frame that is gone is forgotten by tables, not by the journal.
    let away = folder.path().join("away");
    std::fs::rename(&b, &away).unwrap();
    assert_eq!(lasting(&night(folder.path())).len(), 3);
    std::fs::rename(&away, &b).unwrap();
    assert_eq!(lasting(&night(folder.path())).len(), 4);
}

#[test]
fn a_second_run_keeps_away() {
    let folder = tempfile::tempdir().unwrap();
    run::night::short(folder.path(), 2);
    let path = folder.path().join(JOURNAL);
    let held = nightfix::night::Journal::open(&path).unwrap();
    let before = std::fs::metadata(&path).unwrap().len();
    let output = night(folder.path());
    assert_eq!(output.status.code(), Some(73), "{}", stderr(&output));
    assert!(
        stderr(&output).contains("another nightfix is at work"),
        "{}",
        stderr(&output)
    );
    assert_eq!(std::fs::metadata(&path).unwrap().len(), before);
    drop(held);
    assert_eq!(night(folder.path()).status.code(), Some(0));
}

/// Ctrl-C: what is being worked on is finished, the rest is said to be missing.
#[cfg(unix)]
#[test]
fn an_interrupted_run_says_what_is_missing() {
    let folder = tempfile::tempdir().unwrap();
    run::night::short(folder.path(), 30);
    let path = folder.path().join(JOURNAL);
    let child = nightfix()
        .arg("night")
        .arg(folder.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Until the first results are there.
    let begin = Instant::now();
    while std::fs::metadata(&path).is_ok_and(|m| m.len() < 5000) || !path.exists() {
        assert!(begin.elapsed() < Duration::from_secs(60));
        std::thread::sleep(Duration::from_millis(1));
    }
    let pid = rustix::process::Pid::from_child(&child);
    rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
    let output = child.wait_with_output().unwrap();
    let text = stdout(&output);
    assert_eq!(output.status.code(), Some(130), "{text}");
    assert!(
        text.contains("run the same command again for the rest"),
        "{text}"
    );
    let output = night(folder.path());
    assert!((1..30).contains(&known(&output)), "{}", known(&output));
    assert_eq!(lasting(&output).len(), 30);
}
