//! `index-builder build --for-fields`: deep indexes of the whole sky or of a region.

use super::build::{cannot_write, file_beside, of_catalogue, origin_of};
use super::progress::Bars;
use super::region::{Asked, RegionOptions};
use super::service::{self, ServiceOptions};
use super::{CANNOT_WRITE, DAMAGED, Failure, print};
use crate::catalogue::{CatalogueStar, Input, read_extract};
use crate::deep::{self, DeepError, Needs, Order, Region, Summary};
use anyhow::anyhow;
use clap::Args;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// The catalogue of the index inside nightfix.
static BRIGHT: &[u8] = include_bytes!("../../catalogue/bright-stars.nfcat");

/// What goes into a deep index.
#[derive(Debug, Args)]
pub(super) struct DeepOptions {
    #[command(flatten)]
    pub region: RegionOptions,
    #[command(flatten)]
    pub service: ServiceOptions,
    /// Memory for buffers, as 2GB or 500MB
    #[arg(long, value_name = "SIZE", default_value = "2GB", value_parser = memory)]
    pub memory: u64,
    /// Leave out the bright stars that nightfix knows and the catalogue lacks
    #[arg(long, requires = "for_fields")]
    pub no_fill_in: bool,
}

/// A size in bytes.
pub(super) fn memory(text: &str) -> Result<u64, String> {
    let (number, unit) = text.split_at(text.trim_end_matches(char::is_alphabetic).len());
    let unit = match unit.to_ascii_uppercase().as_str() {
        "GB" | "G" => 1e9,
        "MB" | "M" => 1e6,
        _ => return Err("a size such as 2GB or 500MB".into()),
    };
    match number.trim().parse::<f64>() {
        Ok(number) if number * unit >= 5e7 && number * unit <= 1e15 => Ok((number * unit) as u64),
        _ => Err("at least 50MB are needed".into()),
    }
}

impl DeepOptions {
    /// The inputs as the options describe them, each once.
    fn inputs(&self, paths: &[PathBuf]) -> Vec<Input> {
        let mut inputs: Vec<Input> = Vec::new();
        for path in paths {
            if inputs.iter().all(|input| input.path != *path) {
                inputs.push(Input {
                    path: path.clone(),
                    columns: self.region.columns.clone(),
                    epoch_jyear: self.region.epoch,
                });
            }
        }
        inputs
    }
}

/// Builds a deep index from catalogue files, or from what a service gives, and reports on it.
pub(super) fn run(
    asked: &Asked,
    options: &DeepOptions,
    paths: &[PathBuf],
    out: &Path,
) -> Result<(), Failure> {
    let service = options.service.service(&options.region);
    let mut before = asked.beforehand();
    if let Some(service) = &service {
        before += &service::beforehand(service, asked, &options.region);
    }
    if options.region.estimate {
        return print(&before);
    }
    eprint!("{before}");
    // A place that cannot be written is known before the work begins.
    drop(file_beside(out).map_err(cannot_write(out))?);
    let mut inputs = options.inputs(paths);
    let mut origin = origin_of(paths);
    let mut fetched = None;
    if let Some(service) = &service {
        let mut folder = out.as_os_str().to_owned();
        folder.push(".fetched");
        let folder = PathBuf::from(folder);
        inputs.extend(service::fetch_into(&folder, service, asked, &options.region)?.inputs);
        origin = [&*origin, &service.table].join(if paths.is_empty() { "" } else { ", " });
        fetched = Some(folder);
    }
    let bright = if options.no_fill_in {
        Vec::new()
    } else {
        bright_stars()?
    };
    let order = Order {
        out,
        inputs: &inputs,
        needs: &asked.needs,
        region: &Region::within(asked.radius_deg, &asked.positions),
        faintest_mag: options.region.faintest.unwrap_or(f64::INFINITY),
        bright: &bright,
        memory_bytes: options.memory,
        origin: &origin,
    };
    let bars = Bars::new(&inputs);
    let built = deep::build(&order, &bars);
    bars.clear();
    let summary = built.map_err(of_deep)?;
    if let Some(folder) = fetched {
        // The index is there; a folder that stays is no failure.
        if let Err(error) = std::fs::remove_dir_all(&folder) {
            eprintln!("{}: cannot be removed: {error}", folder.display());
        }
    }
    print(&report(&asked.needs, &summary))
}

fn bright_stars() -> Result<Vec<CatalogueStar>, Failure> {
    // Part of the program: whole whenever the program is.
    let catalogue = read_extract(BRIGHT)
        .map_err(|what| Failure::new(70, anyhow!("the built-in catalogue: {what}")))?;
    Ok(catalogue.stars)
}

pub(super) fn of_deep(error: DeepError) -> Failure {
    match error {
        DeepError::Catalogue(error) => of_catalogue(error),
        DeepError::Write { .. } => Failure::new(CANNOT_WRITE, error),
        _ => Failure::new(DAMAGED, error),
    }
}

/// What was kept, and what it takes.
pub(super) fn report(needs: &Needs, summary: &Summary) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "{} of {} rows in the region and bright enough ({} without position or magnitude)",
        summary.wanted, summary.rows, summary.unusable
    );
    let _ = writeln!(
        text,
        "kept the brightest {} stars per cell: {} stars, {} of them filled in from the bright-star \
         catalogue, {} left out as listed twice",
        needs.per_cell, summary.stars, summary.filled_in, summary.repeated
    );
    let [shallow, half, deep] = summary.depth_mag;
    if half.is_finite() {
        let _ = writeln!(
            text,
            "full cells reach magnitude {half:.1} (5 % only {shallow:.1}, 5 % beyond {deep:.1})"
        );
    }
    for (depth, quads, [shortest, longest]) in &summary.bands {
        let _ = writeln!(
            text,
            "band of cells of {:.3} deg: {quads} quads of {shortest:.4} to {longest:.3} deg",
            60.0 / f64::from(1_u32 << depth)
        );
    }
    let _ = writeln!(
        text,
        "{:.4} % of the sky, {} bytes, {:.1} a star",
        100.0 * summary.covered_share,
        summary.file_bytes,
        summary.file_bytes as f64 / summary.stars as f64
    );
    text
}
