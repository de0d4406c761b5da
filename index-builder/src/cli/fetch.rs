//! `index-builder fetch`: stars from a catalogue service, kept as tables.

use super::region::{RegionOptions, size};
use super::service::{self, ServiceOptions};
use super::{Failure, USAGE, print};
use anyhow::anyhow;
use clap::Args;
use std::path::PathBuf;

/// Fetch from a catalogue service (TAP) what `build` with the same options needs, and keep it.
///
/// One table per piece of the sky, each complete and counted. Interrupted, or failing for want of
/// the service, it goes on when it is run again. `build FOLDER/*.vot.gz` makes the index.
#[derive(Debug, Args)]
pub(super) struct FetchOptions {
    /// The folder of the tables
    #[arg(long, value_name = "FOLDER")]
    out: PathBuf,
    #[command(flatten)]
    region: RegionOptions,
    #[command(flatten)]
    service: ServiceOptions,
}

pub(super) fn run(options: &FetchOptions) -> Result<(), Failure> {
    let missing = |what: &str| Failure::new(USAGE, anyhow!("{what}"));
    let asked = options.region.asked()?;
    let asked =
        asked.ok_or_else(|| missing("--for-fields says how many stars are needed: add it"))?;
    let service = options.service.service(&options.region);
    let service = service.ok_or_else(|| missing("--tap names the service: add it"))?;
    let before = asked.beforehand() + &service::beforehand(&service, &asked, &options.region);
    if options.region.estimate {
        return print(&before);
    }
    eprint!("{before}");
    let fetched = service::fetch_into(&options.out, &service, &asked, &options.region)?;
    print(&format!(
        "{} rows in {} tables; {} requests, {} received\n",
        fetched.rows,
        fetched.inputs.len(),
        fetched.requests,
        size(fetched.bytes)
    ))
}
