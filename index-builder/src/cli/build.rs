//! `index-builder build`.

use super::deep::{self, DeepOptions};
use super::{CANNOT_WRITE, DAMAGED, Failure, NOT_READABLE, USAGE, print, report};
use crate::build::{build, default_recipes};
use crate::catalogue::{CatalogueError, read_all};
use crate::coverage::measure;
use anyhow::anyhow;
use clap::Args;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// Widths of the report's windows, degrees.
const WIDTHS_DEG: [f64; 8] = [1.0, 1.25, 1.5, 2.5, 5.0, 10.0, 25.0, 50.0];

/// Build a star-index from catalogue files.
///
/// With --for-fields: an index for fields of that width, of the whole sky or of a region, from
/// catalogues of any size. Without: all stars of .nfcat files, for fields from 1 to 60 degrees,
/// as the one inside nightfix, with a coverage report.
#[derive(Debug, Args)]
pub(super) struct BuildOptions {
    /// Catalogues: tables (CSV, ECSV, FITS, VOTable, in gzip or not), Tycho-2 and Hipparcos as
    /// published, bright-star extracts (.nfcat), other star-indexes (.nfsky)
    #[arg(value_name = "INPUT", required_unless_present_any = ["estimate", "tap"])]
    pub inputs: Vec<PathBuf>,
    /// The star-index to write; replaced only once the new one is complete
    #[arg(long, value_name = "FILE.nfsky")]
    pub out: PathBuf,
    #[command(flatten)]
    deep: DeepOptions,
    /// Random windows per width for the coverage report
    #[arg(long, value_name = "N", default_value_t = 4000,
          value_parser = clap::value_parser!(u32).range(1..=10_000_000))]
    windows: u32,
    /// Leave out the coverage report
    #[arg(long)]
    no_report: bool,
}

pub(super) fn run(options: &BuildOptions) -> Result<(), Failure> {
    if let Some(asked) = options.deep.region.asked()? {
        return deep::run(&asked, &options.deep, &options.inputs, &options.out);
    }
    if options.deep.service.tap.is_some() {
        let what = "--tap needs --for-fields, which says how many stars are needed: add it";
        return Err(Failure::new(USAGE, anyhow!(what)));
    }
    let file = file_beside(&options.out).map_err(cannot_write(&options.out))?;
    eprintln!("reading {} catalogue(s)", options.inputs.len());
    let catalogue = read_all(&options.inputs).map_err(of_catalogue)?;
    eprintln!("building from {} stars", catalogue.stars.len());
    let origin = origin_of(&options.inputs);
    let built = build(&catalogue, &default_recipes(), &origin).map_err(|error| {
        let error = anyhow::Error::from(error);
        Failure::new(
            DAMAGED,
            error.context("the stars lie too densely for an index"),
        )
    })?;
    eprintln!("writing {}", options.out.display());
    complete(file, &options.out, &built.bytes).map_err(cannot_write(&options.out))?;
    let mut text = report::summary(&built);
    if !options.no_report {
        eprintln!("measuring coverage: {} windows a width", options.windows);
        let windows = options.windows as usize;
        let records = &built.table.records;
        text += &report::table(&measure(records, &built.bands, &WIDTHS_DEG, windows));
    }
    print(&text)
}

/// A catalogue that cannot be used, and the status for it.
pub(super) fn of_catalogue(error: CatalogueError) -> Failure {
    let status = match error {
        CatalogueError::Io { .. } => NOT_READABLE,
        _ => DAMAGED,
    };
    Failure::new(status, error)
}

/// Names of the inputs without their folders: the same index wherever the files lie.
pub(super) fn origin_of(inputs: &[PathBuf]) -> String {
    let names: Vec<_> = inputs
        .iter()
        .filter_map(|path| path.file_stem())
        .map(|name| name.to_string_lossy())
        .collect();
    names.join(", ")
}

/// A file beside the final place, to be moved there once it is complete: never half a star-index.
/// Made before the work begins, so that a place that cannot be written is known at once.
pub(super) fn file_beside(path: &Path) -> anyhow::Result<NamedTempFile> {
    if path.is_dir() {
        return Err(anyhow!("it is a folder"));
    }
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    {
        // Temporary files are private; an index is for everyone whom the user's mask allows.
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    Ok(builder.tempfile_in(folder)?)
}

/// Fills the file and moves it to its place.
fn complete(mut file: NamedTempFile, path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|failed| failed.error)?;
    Ok(())
}

/// Says which output could not be written and what to do.
pub(super) fn cannot_write(out: &Path) -> impl Fn(anyhow::Error) -> Failure {
    move |error| {
        let out = out.display();
        Failure::new(
            CANNOT_WRITE,
            error.context(format!(
                "{out}: cannot be written: name another place with --out"
            )),
        )
    }
}
