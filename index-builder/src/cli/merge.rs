//! `index-builder merge`: several deep star-indexes become one.

use super::build::{cannot_write, file_beside};
use super::deep::{memory, of_deep, report};
use super::progress::Bars;
use super::{DAMAGED, Failure, NOT_READABLE, print};
use crate::catalogue::Input;
use crate::deep::{self, Fields, Needs, Order, Region};
use anyhow::anyhow;
use clap::Args;
use star_index::{IndexError, StarIndex};
use std::path::{Path, PathBuf};

/// Make one star-index of several, for all the fields that they were built for.
///
/// Stars that several of them hold are kept once, and the brightest of every cell as by `build`.
/// The indexes themselves stay as they are.
#[derive(Debug, Args)]
pub(super) struct MergeOptions {
    /// Star-indexes that were built with --for-fields
    #[arg(value_name = "FILE.nfsky", required = true, num_args = 2..)]
    inputs: Vec<PathBuf>,
    /// The star-index to write; replaced only once the new one is complete
    #[arg(long, value_name = "FILE.nfsky")]
    out: PathBuf,
    /// Memory for buffers, as 2GB or 500MB
    #[arg(long, value_name = "SIZE", default_value = "2GB", value_parser = memory)]
    memory: u64,
}

pub(super) fn run(options: &MergeOptions) -> Result<(), Failure> {
    let mut fields: Option<Fields> = None;
    let mut origins: Vec<String> = Vec::new();
    for path in &options.inputs {
        let (found, origin) = look(path)?;
        fields = Some(fields.map_or(found, |all| Fields {
            narrowest_deg: all.narrowest_deg.min(found.narrowest_deg),
            widest_deg: all.widest_deg.max(found.widest_deg),
        }));
        if !origins.contains(&origin) {
            origins.push(origin);
        }
    }
    let Some(fields) = fields else {
        return Ok(());
    };
    let needs = Needs::of(fields);
    eprintln!("{}", needs.explain());
    drop(file_beside(&options.out).map_err(cannot_write(&options.out))?);
    let inputs: Vec<Input> = options.inputs.iter().cloned().map(Input::new).collect();
    let order = Order {
        out: &options.out,
        inputs: &inputs,
        needs: &needs,
        region: &Region::default(),
        faintest_mag: f64::INFINITY,
        // Filled in already.
        bright: &[],
        memory_bytes: options.memory,
        origin: &origins.join(", "),
    };
    let bars = Bars::new(&inputs);
    let built = deep::build(&order, &bars);
    bars.clear();
    print(&report(&needs, &built.map_err(of_deep)?))
}

/// The fields and the origin of a deep index.
fn look(path: &Path) -> Result<(Fields, String), Failure> {
    let index = StarIndex::open(path).map_err(|error| {
        let status = match error {
            IndexError::Io(_) => NOT_READABLE,
            _ => DAMAGED,
        };
        Failure::new(status, anyhow!("{}: {error}", path.display()))
    })?;
    let header = index.header();
    let [narrowest_deg, widest_deg] = header.fields_deg;
    // By the same road as an option, so that no index asks for what no option could.
    let fields = format!("{narrowest_deg}..{widest_deg}").parse();
    let fields = fields.map_err(|_| {
        let what = "was not built for stated fields: merge what build --for-fields made";
        Failure::new(DAMAGED, anyhow!("{}: {what}", path.display()))
    })?;
    Ok((fields, header.origin()))
}
