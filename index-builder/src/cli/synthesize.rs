//! `index-builder synthesize`: a made-up deep sky as Gaia-like tables.

use super::{CANNOT_WRITE, Failure, USAGE};
use crate::synthetic::{CSV_HEAD, SyntheticSky, write_csv};
use anyhow::anyhow;
use clap::Args;
use flate2::Compression;
use flate2::write::GzEncoder;
use rayon::prelude::*;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// Write a made-up deep sky, for tests and measurements.
///
/// Star counts follow Bahcall & Soneira (1980) by magnitude and galactic latitude. Tables in the
/// form of the Gaia archive (epoch 2016.0); the same options give the same bytes.
#[derive(Debug, Args)]
pub(super) struct SynthesizeOptions {
    /// Number of stars, about
    #[arg(long, value_name = "N")]
    stars: u64,
    /// The table, or a folder for several: FILE.csv or FILE.csv.gz
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Number of tables; with more than one, a number goes before the first dot of the name
    #[arg(long, value_name = "N", default_value_t = 1,
          value_parser = clap::value_parser!(u64).range(1..=12_288))]
    files: u64,
    /// Another number, another sky
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
}

pub(super) fn run(options: &SynthesizeOptions) -> Result<(), Failure> {
    let sky = SyntheticSky::new(options.stars, options.seed)
        .map_err(|what| Failure::new(USAGE, anyhow!(what)))?;
    let written: Result<Vec<u64>, Failure> = (0..options.files)
        .into_par_iter()
        .map(|number| {
            let path = numbered(&options.out, number, options.files);
            let cells =
                number * sky.cells() / options.files..(number + 1) * sky.cells() / options.files;
            table(&sky, cells, &path).map_err(|error| {
                let what = format!("{}: cannot be written", path.display());
                Failure::new(CANNOT_WRITE, anyhow!(error).context(what))
            })
        })
        .collect();
    let stars: u64 = written?.iter().sum();
    super::print(&format!(
        "{stars} stars to magnitude {:.2} in {} table(s)\n",
        sky.faintest_mag(),
        options.files
    ))
}

/// `sky.csv.gz` becomes `sky-007.csv.gz`.
fn numbered(path: &Path, number: u64, of: u64) -> PathBuf {
    if of == 1 {
        return path.to_owned();
    }
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let (stem, end) = name.split_once('.').unwrap_or((&name, "csv"));
    path.with_file_name(format!("{stem}-{number:05}.{end}"))
}

fn table(sky: &SyntheticSky, cells: std::ops::Range<u64>, path: &Path) -> io::Result<u64> {
    let file = BufWriter::with_capacity(1 << 18, File::create(path)?);
    if path.extension().is_some_and(|end| end == "gz") {
        let mut packed = GzEncoder::new(file, Compression::fast());
        let stars = rows(sky, cells, &mut packed)?;
        packed.finish()?.flush()?;
        return Ok(stars);
    }
    let mut file = file;
    let stars = rows(sky, cells, &mut file)?;
    file.flush()?;
    Ok(stars)
}

fn rows(sky: &SyntheticSky, cells: std::ops::Range<u64>, out: &mut impl Write) -> io::Result<u64> {
    writeln!(out, "{CSV_HEAD}")?;
    let mut total = 0;
    for cell in cells {
        let stars = sky.stars(cell);
        write_csv(&stars, out)?;
        total += stars.len() as u64;
    }
    Ok(total)
}
