//! The examples for other languages do what they say, where the language is installed.

mod run;

use run::{sample, stderr, stdout};
use std::path::Path;
use std::process::Command;

/// Runs an example on a frame that solves and on one that does not: its lines, sorted.
fn lines(program: &str, arguments: &[&str], name: &str) -> Option<Vec<String>> {
    let example = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/examples")
        .join(name);
    let output = Command::new(program)
        .args(arguments)
        .arg(example)
        .arg(sample("04-finder.png"))
        .arg(sample("10-clouds.fits"))
        .env("NIGHTFIX", env!("CARGO_BIN_EXE_nightfix"))
        .env_remove("NIGHTFIX_INDEX")
        .output()
        .ok()?;
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    let mut lines: Vec<String> = stdout(&output).lines().map(str::to_owned).collect();
    lines.sort();
    Some(lines)
}

/// The finder's centre stands in `truth.json`.
fn assert_answers(lines: &[String]) {
    let truth = std::fs::read_to_string(sample("truth.json")).unwrap();
    let truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
    let frames = truth.as_array().unwrap();
    let truth = frames
        .iter()
        .find(|f| f["file"] == "04-finder.png")
        .unwrap();
    assert_eq!(lines.len(), 2, "{lines:?}");
    let words: Vec<&str> = lines[0].split(' ').collect();
    for (word, key) in words.iter().zip(["ra_deg", "dec_deg"]) {
        let off = word.parse::<f64>().unwrap() - truth[key].as_f64().unwrap();
        assert!(off.abs() < 0.01, "{lines:?}");
    }
    assert!(words[2].ends_with("04-finder.png"));
    assert!(lines[1].starts_with("unsolved (") && lines[1].ends_with("10-clouds.fits"));
}

#[test]
fn shell_powershell_and_python() {
    let mut tried = Vec::new();
    for (program, arguments, name) in [
        ("sh", &[][..], "where.sh"),
        ("pwsh", &["-NoProfile", "-File"], "where.ps1"),
        ("python3", &[], "where.py"),
    ] {
        if let Some(lines) = lines(program, arguments, name) {
            assert_answers(&lines);
            tried.push(program);
        }
    }
    println!("tried {tried:?}");
    assert!(cfg!(windows) || tried.contains(&"sh"));
}
