//! The `index-builder` command: catalogues in, star-index out.

use anyhow::{Context, Result, bail};
use clap::{Parser, Subcommand};
use index_builder::build::{Built, build, default_recipes};
use index_builder::catalogue::{Catalogue, read};
use index_builder::coverage::{Coverage, measure};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Widths of the windows of the coverage report, degrees.
const WIDTHS_DEG: [f64; 8] = [1.0, 1.25, 1.5, 2.5, 5.0, 10.0, 25.0, 50.0];

#[derive(Parser)]
#[command(version, about = "Turns star catalogues into nightfix star-indexes")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Builds a star-index for fields from 1 to 60 degrees wide and reports its coverage.
    Build {
        /// The star-index to write (.nfsky).
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        /// Catalogues (.nfcat); several are taken together.
        #[arg(required = true, value_name = "INPUT")]
        inputs: Vec<PathBuf>,
        /// Random windows tried for each width of the coverage report; 0: no report.
        #[arg(long, default_value_t = 4000, value_name = "N")]
        windows: usize,
    },
}

fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(refusal) => {
            let help = !refusal.use_stderr();
            // Nothing can be done where even the refusal cannot be printed.
            let _ = refusal.print();
            return if help {
                ExitCode::SUCCESS
            } else {
                ExitCode::from(64)
            };
        }
    };
    let Command::Build {
        out,
        inputs,
        windows,
    } = arguments.command;
    match run(&out, &inputs, windows) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("index-builder: {failure:#}");
            ExitCode::from(65)
        }
    }
}

fn run(out: &Path, inputs: &[PathBuf], windows: usize) -> Result<()> {
    let catalogue = read_all(inputs)?;
    eprintln!("{} stars read; choosing quads", catalogue.stars.len());
    let names: Vec<String> = inputs
        .iter()
        .filter_map(|path| Some(path.file_stem()?.to_string_lossy().into_owned()))
        .collect();
    let built = build(&catalogue, &default_recipes(), &names.join(", "))?;
    write(out, &built.bytes)?;
    let mut report = describe(out, &built);
    if windows > 0 {
        eprintln!("written; trying {windows} random windows of each width");
        let stars = &built.table.records;
        report += &table(&measure(stars, &built.bands, &WIDTHS_DEG, windows));
    }
    // A closed pipe is the reader's right.
    let _ = std::io::stdout().write_all(report.as_bytes());
    Ok(())
}

fn read_all(inputs: &[PathBuf]) -> Result<Catalogue> {
    let mut all = Catalogue {
        epoch_jyear: f64::NAN,
        stars: Vec::new(),
    };
    for path in inputs {
        let one = read(path)?;
        if all.stars.is_empty() {
            all.epoch_jyear = one.epoch_jyear;
        } else if all.epoch_jyear != one.epoch_jyear {
            bail!(
                "{}: its epoch {} differs from {} of the catalogues before: build them apart",
                path.display(),
                one.epoch_jyear,
                all.epoch_jyear
            );
        }
        all.stars.extend(one.stars);
    }
    if all.stars.is_empty() {
        bail!("the catalogues hold no star: name one that does");
    }
    Ok(all)
}

/// Writes to a temporary name, syncs and renames: nobody ever sees half an index.
fn write(out: &Path, bytes: &[u8]) -> Result<()> {
    let folder = match out.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let told = || format!("{}: cannot be written: choose another place", out.display());
    let mut file = tempfile::NamedTempFile::new_in(folder).with_context(told)?;
    file.write_all(bytes).with_context(told)?;
    file.as_file().sync_all().with_context(told)?;
    file.persist(out).with_context(told)?;
    Ok(())
}

fn describe(out: &Path, built: &Built) -> String {
    let mut text = format!(
        "{}: {} stars, {:.1} MB\n\n tile depth       quads\n",
        out.display(),
        built.table.records.len(),
        built.bytes.len() as f64 / 1e6
    );
    for band in &built.bands {
        let quads: usize = band.tiles.iter().map(Vec::len).sum();
        text += &format!("{:11} {quads:11}\n", band.depth);
    }
    text
}

fn table(rows: &[Coverage]) -> String {
    let mut text = String::from(
        "\n3:2 windows at random places and rotations; of those with six stars or more, the share\n\
         that holds so many index quads entirely inside:\n\n\
         width deg   windows  six stars     1 quad    2 quads    5 quads\n",
    );
    for row in rows {
        let share = |part: usize, whole: usize| 100.0 * part as f64 / whole.max(1) as f64;
        let [one, two, five] = row.with_quads.map(|n| share(n, row.counted));
        text += &format!(
            "{:9} {:9} {:8.2} % {one:8.2} % {two:8.2} % {five:8.2} %\n",
            row.width_deg,
            row.windows,
            share(row.counted, row.windows)
        );
    }
    text
}
