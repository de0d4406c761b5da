//! What the tests of the command share.

#![allow(dead_code, missing_docs, reason = "each test takes what it needs")]

pub mod night;
pub mod schema;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The command, without the settings of whoever runs the tests.
pub fn nightfix() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_nightfix"));
    command
        .env_remove("NIGHTFIX_INDEX")
        .env_remove("CLICOLOR_FORCE");
    for variable in ["XDG_DATA_HOME", "LOCALAPPDATA", "HOME"] {
        command.env(
            variable,
            std::env::temp_dir().join("nightfix-tests-have-no-home"),
        );
    }
    command
}

/// Runs `nightfix solve` with `arguments`.
pub fn solve<S: AsRef<std::ffi::OsStr>>(arguments: impl IntoIterator<Item = S>) -> Output {
    nightfix()
        .arg("solve")
        .args(arguments)
        .output()
        .expect("the command starts")
}

/// A demonstration frame.
pub fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-fields/frames")
        .join(name)
}

/// Standard output as text.
pub fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

/// Standard error as text.
pub fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}

/// A FITS file of `width` by `height` 16-bit pixels; `cards` are whole cards.
pub fn fits(
    width: usize,
    height: usize,
    cards: &[&str],
    pixel: impl Fn(usize, usize) -> i16,
) -> Vec<u8> {
    let mut header: Vec<String> = [
        "SIMPLE  =                    T",
        "BITPIX  =                   16",
    ]
    .map(String::from)
    .into();
    header.push("NAXIS   =                    2".into());
    header.push(format!("NAXIS1  = {width:>20}"));
    header.push(format!("NAXIS2  = {height:>20}"));
    header.extend(cards.iter().map(|card| card.to_string()));
    header.push("END".into());
    let mut bytes: Vec<u8> = header
        .iter()
        .flat_map(|card| format!("{card:<80}").into_bytes())
        .collect();
    bytes.resize(bytes.len().next_multiple_of(2880), b' ');
    for y in 0..height {
        bytes.extend((0..width).flat_map(|x| pixel(x, y).to_be_bytes()));
    }
    bytes.resize(bytes.len().next_multiple_of(2880), 0);
    bytes
}

/// Noise without a star: a fixed sequence (Knuth's MMIX generator) around 1000.
pub fn starless() -> Vec<u8> {
    fits(300, 200, &[], |x, y| {
        let mut state = (y * 300 + x) as u64 + 1;
        for _ in 0..4 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
        }
        let sum: i64 = (0..4).map(|i| (state >> (16 * i) & 0xff) as i64).sum();
        1000 + (sum / 16) as i16
    })
}

/// A fixed sequence (Knuth's MMIX generator), 0 to 1.
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 40) as f64 / (1_u64 << 24) as f64
    }
}
