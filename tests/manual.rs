//! Man pages and shell completions: those that are kept are those that the program writes, and
//! shells take them.

mod run;

use run::{nightfix, stderr};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

const KEPT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/src/cli/manual");

/// All files of the two folders, by name.
fn files(folder: &Path) -> BTreeMap<String, String> {
    let mut files = BTreeMap::new();
    for part in ["completions", "man"] {
        for entry in std::fs::read_dir(folder.join(part)).unwrap() {
            let path = entry.unwrap().path();
            let name = path
                .strip_prefix(folder)
                .unwrap()
                .to_str()
                .unwrap()
                .to_owned();
            files.insert(name, std::fs::read_to_string(&path).unwrap());
        }
    }
    files
}

fn written() -> (tempfile::TempDir, BTreeMap<String, String>) {
    let folder = tempfile::tempdir().unwrap();
    let output = nightfix()
        .arg("manual")
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let files = files(folder.path());
    (folder, files)
}

#[test]
fn what_is_kept_is_up_to_date() {
    let (_folder, written) = written();
    let kept = files(Path::new(KEPT));
    let names = |files: &BTreeMap<String, String>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&kept), names(&written));
    for (name, text) in &written {
        let is_same = kept[name].replace("\r\n", "\n") == *text;
        assert!(
            is_same,
            "{name} is out of date: cargo run --release -- manual src/cli/manual"
        );
    }
}

#[test]
fn they_know_commands_and_options() {
    let (_folder, written) = written();
    for name in [
        "nightfix.bash",
        "_nightfix",
        "nightfix.fish",
        "_nightfix.ps1",
    ] {
        let text = &written[&format!("completions/{name}")];
        for word in [
            "solve",
            "night",
            "watch",
            "polar",
            "serve",
            "focus-star",
            "adjusted",
        ] {
            assert!(text.contains(word), "{name} does not know {word}");
        }
    }
    for (page, words) in [
        ("nightfix.1", &["nightfix", "solve", "polar"][..]),
        (
            "nightfix-solve.1",
            &["overlay", "repeat", "BRIGHTEST..FAINTEST"],
        ),
        ("nightfix-serve.1", &["most\\-bytes", "token"]),
    ] {
        let text = &written[&format!("man/{page}")];
        assert!(text.contains(".TH"), "{page}");
        for word in words {
            assert!(text.contains(word), "{page} does not know {word}");
        }
    }
    assert!(!written.contains_key("man/nightfix-manual.1"));
}

/// Each shell that is installed reads its file without a complaint.
#[test]
fn shells_take_them() {
    let (folder, _) = written();
    let mut tried = Vec::new();
    for (shell, arguments, name) in [
        ("bash", &["-n"][..], "nightfix.bash"),
        ("zsh", &["-n"], "_nightfix"),
        ("fish", &["--no-execute"], "nightfix.fish"),
        ("pwsh", &["-NoProfile", "-File"], "_nightfix.ps1"),
    ] {
        let file = folder.path().join("completions").join(name);
        let Ok(output) = Command::new(shell).args(arguments).arg(&file).output() else {
            continue;
        };
        assert!(output.status.success(), "{shell}: {}", stderr(&output));
        assert_eq!(stderr(&output), "", "{shell}");
        tried.push(shell);
    }
    println!("taken by {tried:?}");
}

/// bash completes an option of a subcommand.
#[test]
fn bash_completes() {
    let (folder, _) = written();
    let script = format!(
        "source {}; COMP_WORDS=(nightfix solve --foc); COMP_CWORD=2; \
         _nightfix nightfix --foc solve; echo \"${{COMPREPLY[@]}}\"",
        folder.path().join("completions/nightfix.bash").display()
    );
    let Ok(output) = Command::new("bash").args(["-c", &script]).output() else {
        return;
    };
    let words = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        words.contains("--focal-length") && words.contains("--focus-star"),
        "{words}"
    );
}
