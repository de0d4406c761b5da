//! Commands of index-builder that nightfix and its documents tell people to run: they make sense
//! to the index-builder of this version.

mod run;

use index_builder::cli::understand;
use run::{fits, nightfix, stdout};
use serde_json::Value;
use std::path::Path;

/// Words of a shell command; quotes hold words together.
fn words(command: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in command.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            c => words.last_mut().unwrap().push(c),
        }
    }
    words.retain(|word| !word.is_empty());
    words
}

#[test]
fn commands_of_the_documents_are_understood() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut found = 0;
    for document in ["README.md", "DEVELOPERS.md", "index-builder/README.md"] {
        let text = std::fs::read_to_string(root.join(document)).unwrap();
        let text = text.replace("\\\n", " ");
        for line in text.lines() {
            let Some((_, command)) = line.split_once("-p index-builder -- ") else {
                continue;
            };
            let words = words(command.split('`').next().unwrap());
            let answer = understand(&words);
            assert!(answer.is_ok(), "{document}: {words:?}: {answer:?}");
            found += 1;
        }
    }
    assert!(found >= 6, "{found} commands");
}

/// A field of stars that the built-in index is too shallow for, with and without a position.
#[test]
fn the_command_of_the_diagnosis_is_understood() {
    let folder = tempfile::tempdir().unwrap();
    let frame = folder.path().join("small.fits");
    // Narrow peaks on a noisy sky, placed by a linear congruence; no sky has them.
    let pixels: Vec<(usize, usize)> = (0..60)
        .map(|k| (20 + k * 197 % 560, 20 + k * 89 % 360))
        .collect();
    let bytes = fits(600, 400, &[], |x, y| {
        let noise = ((x * 7919 + y * 104_729) % 17) as f64;
        let light: f64 = pixels
            .iter()
            .map(|&(sx, sy)| {
                let d2 = (sx as f64 - x as f64).powi(2) + (sy as f64 - y as f64).powi(2);
                6000.0 * (-d2 / 4.5).exp()
            })
            .sum();
        (1000.0 + noise + light) as i16
    });
    std::fs::write(&frame, bytes).unwrap();
    for at in [&[][..], &["--at", "132.85 -11.81", "--within", "1"]] {
        let output = nightfix()
            .args(["solve", "--json", "--scale", "1.2"])
            .args(at)
            .arg(&frame)
            .output()
            .unwrap();
        let record: Value = serde_json::from_str(&stdout(&output)).unwrap();
        assert_eq!(record["diagnosis"]["code"], "index-too-shallow", "{record}");
        let step = record["diagnosis"]["next"][0].as_str().unwrap();
        let command = step.split_once("index-builder ").unwrap().1;
        let words = words(command.split_once(" (or").unwrap().0);
        let words = words.iter().map(|word| match &**word {
            "RA DEC" if at.is_empty() => "132.85 -11.81",
            word => word,
        });
        let words: Vec<&str> = words.collect();
        assert_eq!(understand(&words), Ok(()), "{step}");
        assert!(
            words.contains(&"132.85 -11.81") || words.contains(&"132.8500 -11.8100"),
            "{step}"
        );
    }
}
