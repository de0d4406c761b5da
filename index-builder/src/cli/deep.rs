//! `index-builder build --for-fields`: deep indexes of the whole sky or of a region.

use super::build::{cannot_write, file_beside, of_catalogue, origin_of};
use super::position::{Position, targets_of};
use super::progress::Bars;
use super::{CANNOT_WRITE, DAMAGED, Failure, NOT_READABLE, USAGE, print};
use crate::catalogue::{CatalogueStar, Columns, Input, read_extract};
use crate::deep::{self, DeepError, Fields, Needs, Order, Region, Summary};
use crate::expected::{Expected, expected};
use anyhow::anyhow;
use clap::Args;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// The catalogue of the index inside nightfix.
static BRIGHT: &[u8] = include_bytes!("../../catalogue/bright-stars.nfcat");

/// What goes into a deep index.
#[derive(Debug, Args)]
pub(super) struct DeepOptions {
    /// Keep what fields of this width need: MIN..MAX, degrees of the longer side, as 0.2..1
    #[arg(long, value_name = "MIN..MAX")]
    pub for_fields: Option<Fields>,
    /// Only stars within --radius of this position: "132.85 11.81" (degrees) or
    /// "08h51m24s +11d48m36s"; may be repeated
    #[arg(
        long,
        value_name = "RA DEC",
        requires = "radius",
        requires = "for_fields",
        allow_hyphen_values = true
    )]
    pub around: Vec<Position>,
    /// Only stars within --radius of one of the positions in this file, one a line, a name may
    /// follow after a comma
    #[arg(
        long,
        value_name = "FILE",
        requires = "radius",
        requires = "for_fields"
    )]
    pub targets: Option<PathBuf>,
    /// Radius about each position, degrees
    #[arg(long, value_name = "DEG", value_parser = radius)]
    pub radius: Option<f64>,
    /// No stars fainter than this magnitude
    #[arg(
        long,
        value_name = "MAG",
        requires = "for_fields",
        allow_hyphen_values = true
    )]
    pub faintest: Option<f64>,
    /// Which columns are what, and their units:
    /// ra=NAME:deg,dec=NAME:deg,pmra=NAME:mas/yr,pmdec=NAME:mas/yr,mag=NAME,epoch=NAME
    ///
    /// Units: deg, rad or hour; mas/yr, arcsec/yr or deg/yr. Proper motion in right ascension
    /// includes the cosine of the declination. Without this option the columns are those of the
    /// Gaia archive: ra, dec, pmra, pmdec, phot_g_mean_mag, ref_epoch.
    #[arg(long, value_name = "COLUMNS", requires = "for_fields")]
    pub columns: Option<Columns>,
    /// Epoch of the positions, for catalogues that do not say: Julian year, 2016.0 for Gaia DR3
    #[arg(long, value_name = "YEAR", requires = "for_fields", value_parser = year)]
    pub epoch: Option<f64>,
    /// Memory for buffers, as 2GB or 500MB
    #[arg(long, value_name = "SIZE", default_value = "2GB", value_parser = memory)]
    pub memory: u64,
    /// Leave out the bright stars that nightfix knows and the catalogue lacks
    #[arg(long, requires = "for_fields")]
    pub no_fill_in: bool,
    /// Say how large the index will be, and build nothing
    #[arg(long, requires = "for_fields")]
    pub estimate: bool,
}

fn radius(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(deg) if deg > 0.0 && deg <= 90.0 => Ok(deg),
        _ => Err("a number of degrees above 0, at most 90".into()),
    }
}

fn year(text: &str) -> Result<f64, String> {
    match text.trim().trim_start_matches('J').parse::<f64>() {
        Ok(year) if (1800.0..=2200.0).contains(&year) => Ok(year),
        _ => Err("a Julian year, as 2016.0".into()),
    }
}

fn memory(text: &str) -> Result<u64, String> {
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
    /// The positions that were asked for; none: the whole sky.
    pub(super) fn positions(&self) -> Result<Vec<[f64; 2]>, Failure> {
        let mut positions: Vec<[f64; 2]> = self.around.iter().map(|p| p.0).collect();
        if let Some(path) = &self.targets {
            let text = std::fs::read_to_string(path).map_err(|error| {
                let what = format!("{}: cannot be read", path.display());
                Failure::new(NOT_READABLE, anyhow!(error).context(what))
            })?;
            let read = targets_of(&text)
                .map_err(|what| Failure::new(DAMAGED, anyhow!("{}: {what}", path.display())))?;
            positions.extend(read);
        }
        if self.radius.is_some() && positions.is_empty() {
            return Err(Failure::new(
                USAGE,
                anyhow!("--radius needs a position: add --around \"RA DEC\" or --targets FILE"),
            ));
        }
        Ok(positions)
    }

    /// The inputs as the options describe them, each once.
    fn inputs(&self, paths: &[PathBuf]) -> Vec<Input> {
        let mut inputs: Vec<Input> = Vec::new();
        for path in paths {
            if inputs.iter().all(|input| input.path != *path) {
                inputs.push(Input {
                    path: path.clone(),
                    columns: self.columns.clone(),
                    epoch_jyear: self.epoch,
                });
            }
        }
        inputs
    }
}

/// Builds a deep index from catalogue files and reports on it.
pub(super) fn run(
    fields: Fields,
    options: &DeepOptions,
    paths: &[PathBuf],
    out: &Path,
) -> Result<(), Failure> {
    let positions = options.positions()?;
    let radius_deg = options.radius.unwrap_or_default();
    let needs = Needs::of(fields);
    let before = beforehand(&needs, &expected(&needs, radius_deg, &positions));
    if options.estimate {
        return print(&before);
    }
    eprint!("{before}");
    let region = Region::within(radius_deg, &positions);
    let bright = if options.no_fill_in {
        Vec::new()
    } else {
        bright_stars()?
    };
    let inputs = options.inputs(paths);
    let order = Order {
        out,
        inputs: &inputs,
        needs: &needs,
        region: &region,
        faintest_mag: options.faintest.unwrap_or(f64::INFINITY),
        bright: &bright,
        memory_bytes: options.memory,
        origin: &origin_of(paths),
    };
    // A place that cannot be written is known before the work begins.
    drop(file_beside(out).map_err(cannot_write(out))?);
    let bars = Bars::new(&inputs);
    let built = deep::build(&order, &bars);
    bars.clear();
    let summary = built.map_err(of_deep)?;
    print(&report(&needs, &summary))
}

fn bright_stars() -> Result<Vec<CatalogueStar>, Failure> {
    // Part of the program: whole whenever the program is.
    let catalogue = read_extract(BRIGHT)
        .map_err(|what| Failure::new(70, anyhow!("the built-in catalogue: {what}")))?;
    Ok(catalogue.stars)
}

fn of_deep(error: DeepError) -> Failure {
    match error {
        DeepError::Catalogue(error) => of_catalogue(error),
        DeepError::Write { .. } => Failure::new(CANNOT_WRITE, error),
        _ => Failure::new(DAMAGED, error),
    }
}

/// What will be kept, and what that will take.
fn beforehand(needs: &Needs, expected: &Expected) -> String {
    format!(
        "{}\nexpected: {:.4} % of the sky, at most {} stars, an index of at most about {}\n",
        needs.explain(),
        100.0 * expected.share,
        expected.stars,
        size(expected.index_bytes)
    )
}

/// A length for people.
pub(super) fn size(bytes: u64) -> String {
    match bytes as f64 {
        b if b < 1e6 => format!("{:.0} kB", b / 1e3),
        b if b < 1e9 => format!("{:.1} MB", b / 1e6),
        b => format!("{:.1} GB", b / 1e9),
    }
}

/// What was kept, and what it takes.
fn report(needs: &Needs, summary: &Summary) -> String {
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
         catalogue",
        needs.per_cell, summary.stars, summary.filled_in
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
