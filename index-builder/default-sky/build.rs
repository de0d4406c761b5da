//! Builds the default star-index from the bright-star catalogue.

use std::error::Error;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn Error>> {
    let catalogue = PathBuf::from("../catalogue/bright-stars.nfcat");
    println!("cargo::rerun-if-changed={}", catalogue.display());
    println!("cargo::rerun-if-changed=build.rs");
    let stars = index_builder::catalogue::read(&catalogue)?;
    let recipes = index_builder::build::default_recipes();
    let built = index_builder::build::build(&stars, &recipes, "Tycho-2 and Hipparcos to mag 11")?;
    let out = PathBuf::from(std::env::var_os("OUT_DIR").ok_or("OUT_DIR is not set")?);
    std::fs::write(out.join("default.nfsky"), &built.bytes)?;
    Ok(())
}
