//! What somebody sees who has just got the program, and what a report about it needs.

use super::output::print_text;
use super::{Status, complain, ember, index};
use crate::sky::Sky;
use std::fmt::Write;
use std::thread::available_parallelism;

/// What to do first: for a command line that asks for nothing.
const FIRST: &str = "\
nightfix says where a camera points, from one exposure of the night sky:
  nightfix solve FRAME                      a frame: FITS, raw, TIFF, PNG, JPEG
  nightfix solve FRAME --at \"M 81\"          and see how far off the mount points
  nightfix night FOLDER --report night.html what a whole night was like
  nightfix sky                              which fields can be solved
Everything else: nightfix --help, and nightfix solve --help.
";

/// Says what to do first. Nothing was asked for, so that this is a usage error.
pub fn first_run() -> Status {
    let _ = ember::stderr(FIRST);
    Status::Usage
}

/// Prints the version, and with `verbose` everything that a report about the program needs.
pub fn print(verbose: bool) -> Status {
    let text = match verbose {
        false => version(),
        true => version_and_facts() + &places(),
    };
    match print_text(&text) {
        Ok(_) => Status::Solved,
        Err(failure) => {
            complain(&format!("standard output: {failure}"));
            Status::OutputNotWritable
        }
    }
}

fn version() -> String {
    format!("nightfix {}\n", env!("CARGO_PKG_VERSION"))
}

/// What is the same on every machine of a kind.
pub(super) fn version_and_facts() -> String {
    let threads = available_parallelism().map_or_else(|e| e.to_string(), |n| n.to_string());
    let mut text = version();
    line(
        &mut text,
        "system",
        &format!("{}, {threads} threads", env!("NIGHTFIX_TARGET")),
    );
    line(&mut text, "features", &features().join(", "));
    line(&mut text, "star-index", &built_in());
    text
}

/// The data folder, and the star-indexes besides the built-in one.
fn places() -> String {
    let mut text = String::new();
    let folder = match index::data_folder() {
        Some(folder) if folder.is_dir() => folder.display().to_string(),
        Some(folder) => format!("{} (not there)", folder.display()),
        None => "none, since no home folder is known".into(),
    };
    line(&mut text, "data folder", &folder);
    for path in index::files(&[]) {
        let mut sky = Sky::default();
        let state = match sky.add(&path) {
            Ok(()) => String::new(),
            Err(refusal) => format!(" (not usable: {})", refusal.what),
        };
        line(&mut text, "besides", &format!("{}{state}", path.display()));
    }
    text
}

fn line(text: &mut String, label: &str, value: &str) {
    let _ = writeln!(text, "{label:<14}{value}");
}

fn features() -> Vec<&'static str> {
    let all = [
        (cfg!(feature = "camera-raw"), "camera-raw"),
        (cfg!(feature = "rule-switches"), "rule-switches"),
    ];
    let with = all.iter().filter(|(with, _)| *with);
    with.map(|(_, name)| *name).collect()
}

fn built_in() -> String {
    match Sky::embedded() {
        Err(refusal) => format!("not usable: {}", refusal.what),
        Ok(sky) => sky.indexes().first().map_or_else(String::new, |index| {
            let header = index.header();
            format!(
                "layout {}, {} bytes, {} stars, {} quads",
                header.version, header.file_bytes, header.stars, header.quads
            )
        }),
    }
}
