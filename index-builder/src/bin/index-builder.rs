//! The `index-builder` command: catalogues in, one star-index out, coverage measured.

use anyhow::anyhow;
use clap::{Args, Parser, Subcommand};
use index_builder::build::{Built, build, default_recipes};
use index_builder::catalogue::{CatalogueError, read_all};
use index_builder::coverage::{Coverage, measure};
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use tempfile::NamedTempFile;

/// Widths of the report's windows, degrees.
const WIDTHS_DEG: [f64; 8] = [1.0, 1.25, 1.5, 2.5, 5.0, 10.0, 25.0, 50.0];

/// Exit statuses, numbered as in BSD sysexits.
const USAGE: u8 = 64;
const DAMAGED: u8 = 65;
const NOT_READABLE: u8 = 66;
const CANNOT_WRITE: u8 = 74;

/// Turns star catalogues into a star-index.
#[derive(Debug, Parser)]
#[command(
    version,
    after_help = "Exit status: 0 done, 64 usage, 65 damaged or unsuitable \
    catalogue, 66 catalogue not readable, 74 star-index cannot be written."
)]
struct Options {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Build a star-index and report how many fields of a given width it can recognise.
    Build(BuildOptions),
}

#[derive(Debug, Args)]
struct BuildOptions {
    /// Catalogues (.nfcat); the stars of several are put together.
    #[arg(value_name = "INPUT", required = true)]
    inputs: Vec<PathBuf>,
    /// The star-index to write (.nfsky); replaced only once the new one is complete.
    #[arg(long, value_name = "FILE.nfsky")]
    out: PathBuf,
    /// Random windows per width for the coverage report.
    #[arg(long, value_name = "N", default_value_t = 4000,
          value_parser = clap::value_parser!(u32).range(1..=10_000_000))]
    windows: u32,
    /// Leave out the coverage report.
    #[arg(long)]
    no_report: bool,
}

/// An error together with the exit status that it ends in.
struct Failure {
    status: u8,
    error: anyhow::Error,
}

fn main() -> ExitCode {
    let options = match Options::try_parse() {
        Ok(options) => options,
        Err(error) => {
            // A closed pipe is no reason to fail.
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { USAGE } else { 0 });
        }
    };
    let Command::Build(options) = options.command;
    match run(&options) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("index-builder: {:#}", failure.error);
            ExitCode::from(failure.status)
        }
    }
}

fn run(options: &BuildOptions) -> Result<(), Failure> {
    let file = file_beside(&options.out).map_err(cannot_write(&options.out))?;
    eprintln!("reading {} catalogue(s)", options.inputs.len());
    let catalogue = read_all(&options.inputs).map_err(|error| Failure {
        status: match error {
            CatalogueError::Io { .. } => NOT_READABLE,
            _ => DAMAGED,
        },
        error: error.into(),
    })?;
    eprintln!("building from {} stars", catalogue.stars.len());
    let origin = origin_of(&options.inputs);
    let built = build(&catalogue, &default_recipes(), &origin).map_err(|error| Failure {
        status: DAMAGED,
        error: anyhow::Error::from(error).context("the stars lie too densely for an index"),
    })?;
    eprintln!("writing {}", options.out.display());
    complete(file, &options.out, &built.bytes).map_err(cannot_write(&options.out))?;
    let mut report = summary(&built);
    if !options.no_report {
        eprintln!("measuring coverage: {} windows a width", options.windows);
        let windows = options.windows as usize;
        report += &table(&measure(
            &built.table.records,
            &built.bands,
            &WIDTHS_DEG,
            windows,
        ));
    }
    match std::io::stdout().lock().write_all(report.as_bytes()) {
        // Whoever reads the report may stop early; the index is written.
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure {
            status: CANNOT_WRITE,
            error: anyhow!(error).context("standard output: cannot be written"),
        }),
        _ => Ok(()),
    }
}

/// Names of the inputs without their folders: the same index wherever the files lie.
fn origin_of(inputs: &[PathBuf]) -> String {
    let names: Vec<_> = inputs
        .iter()
        .filter_map(|path| path.file_stem())
        .map(|name| name.to_string_lossy())
        .collect();
    names.join(", ")
}

/// A file beside the final place, to be moved there once it is complete: never half a star-index.
/// Made before the work begins, so that a place that cannot be written is known at once.
fn file_beside(path: &Path) -> anyhow::Result<NamedTempFile> {
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
fn cannot_write(out: &Path) -> impl Fn(anyhow::Error) -> Failure {
    move |error| {
        let out = out.display();
        Failure {
            status: CANNOT_WRITE,
            error: error.context(format!(
                "{out}: cannot be written: name another place with --out"
            )),
        }
    }
}

/// Stars, bytes and bands.
fn summary(built: &Built) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    for band in &built.bands {
        let quads: usize = band.tiles.iter().map(Vec::len).sum();
        let [shortest_deg, longest_deg] = band.size_rad.map(f64::to_degrees);
        let _ = writeln!(
            text,
            "band of {shortest_deg:.4} to {longest_deg:.2} deg: tile depth {}, {quads} quads",
            band.depth
        );
    }
    let (stars, bytes) = (built.table.records.len(), built.bytes.len());
    let _ = writeln!(text, "{stars} stars, {bytes} bytes");
    text
}

/// The coverage table; shares of the windows that hold six stars or more.
fn table(rows: &[Coverage]) -> String {
    let percent = |part: usize, whole: usize| match whole {
        0 => "-".to_string(),
        _ => format!("{:.2} %", 100.0 * part as f64 / whole as f64),
    };
    let mut text = format!(
        "\n{:>9} {:>8} {:>10} {:>10} {:>10} {:>10}\n",
        "width deg", "windows", "6+ stars", "1+ quads", "2+ quads", "5+ quads"
    );
    for row in rows {
        let [one, two, five] = row.with_quads.map(|n| percent(n, row.counted));
        let six = percent(row.counted, row.windows);
        let _ = writeln!(
            text,
            "{:>9} {:>8} {six:>10} {one:>10} {two:>10} {five:>10}",
            row.width_deg, row.windows
        );
    }
    text
}
