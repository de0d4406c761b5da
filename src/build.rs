//! Tells the program what it is compiled for.

fn main() {
    println!("cargo::rerun-if-changed=src/build.rs");
    let target = std::env::var("TARGET").unwrap_or_default();
    println!("cargo::rustc-env=NIGHTFIX_TARGET={target}");
}
