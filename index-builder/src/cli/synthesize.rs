//! `index-builder synthesize`: a made-up deep sky as Gaia-like tables.

use super::position::Position;
use super::region::radius;
use super::{CANNOT_WRITE, Failure, USAGE};
use crate::synthetic::{CSV_HEAD, SyntheticSky, write_csv};
use anyhow::anyhow;
use clap::Args;
use flate2::Compression;
use flate2::write::GzEncoder;
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// Write a made-up deep sky, for tests and measurements.
///
/// Star counts follow Bahcall & Soneira (1980) by magnitude and galactic latitude. Tables in the
/// form of the Gaia archive (epoch 2016.0); the same options give the same bytes.
#[derive(Debug, Args)]
pub(super) struct SynthesizeOptions {
    /// Number of stars of the whole sky, about
    #[arg(long, value_name = "N")]
    stars: u64,
    /// Write only the parts of that sky, each 1.8 deg wide, that come within --radius of this
    /// position or deep-sky object; may be repeated
    #[arg(
        long,
        value_name = "RA DEC|NAME",
        requires = "radius",
        allow_hyphen_values = true
    )]
    around: Vec<Position>,
    /// Radius about each position, degrees
    #[arg(long, value_name = "DEG", requires = "around", value_parser = radius)]
    radius: Option<f64>,
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
    let cells = options.cells(&sky);
    let share = cells.len().div_ceil(options.files as usize);
    let written: Result<Vec<u64>, Failure> = (0..options.files)
        .into_par_iter()
        .map(|number| {
            let path = numbered(&options.out, number, options.files);
            let part = cells.chunks(share).nth(number as usize).unwrap_or_default();
            table(&sky, part, &path).map_err(|error| {
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

impl SynthesizeOptions {
    /// The cells that are asked for, each once, in order.
    fn cells(&self, sky: &SyntheticSky) -> Vec<u64> {
        let Some(radius_deg) = self.radius else {
            return (0..sky.cells()).collect();
        };
        let near = self.around.iter();
        let near = near.flat_map(|p| sky.cells_around(p.0[0], p.0[1], radius_deg));
        near.collect::<BTreeSet<u64>>().into_iter().collect()
    }
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

fn table(sky: &SyntheticSky, cells: &[u64], path: &Path) -> io::Result<u64> {
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

fn rows(sky: &SyntheticSky, cells: &[u64], out: &mut impl Write) -> io::Result<u64> {
    writeln!(out, "{CSV_HEAD}")?;
    let mut total = 0;
    for &cell in cells {
        let stars = sky.stars(cell);
        write_csv(&stars, out)?;
        total += stars.len() as u64;
    }
    Ok(total)
}
