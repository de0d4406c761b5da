//! Tells the program what it is compiled for, and leaves the names of its functions out of it: four
//! megabytes that nobody downloads for anything.

use std::env::var;

fn main() {
    println!("cargo::rerun-if-changed=src/build.rs");
    println!(
        "cargo::rustc-env=NIGHTFIX_TARGET={}",
        var("TARGET").unwrap_or_default()
    );
    let system = var("CARGO_CFG_TARGET_ENV").unwrap_or_default();
    if matches!(system.as_str(), "gnu" | "musl") {
        println!("cargo::rustc-link-arg-bins=-s");
    }
}
