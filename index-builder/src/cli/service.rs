//! Which catalogue service, and what is fetched from it.

use super::progress::FetchBar;
use super::region::{Asked, RegionOptions, size};
use super::{CANNOT_WRITE, Failure, UNAVAILABLE, USAGE};
use crate::catalogue::Columns;
use crate::tap::{self, Fetched, GAIA_TABLE, Service, TapError, Wanted};
use clap::Args;
use std::path::Path;
use std::time::Duration;

/// A catalogue service.
#[derive(Debug, Args)]
pub(super) struct ServiceOptions {
    /// Fetch the stars from the TAP service at this address, as
    /// https://gea.esac.esa.int/tap-server/tap (Gaia archive)
    #[arg(long, value_name = "URL")]
    pub tap: Option<String>,
    /// Its table; with other columns than those of the Gaia archive also --columns
    #[arg(long, value_name = "NAME", default_value = GAIA_TABLE, requires = "tap")]
    pub table: String,
    /// Wait so long between two requests
    #[arg(long, value_name = "S", default_value = "1", value_parser = seconds, requires = "tap")]
    pub pause: Duration,
}

fn seconds(text: &str) -> Result<Duration, String> {
    let number = text
        .trim()
        .parse()
        .ok()
        .filter(|s| (0.0..=3600.0).contains(s));
    let pause = number.and_then(|s| Duration::try_from_secs_f64(s).ok());
    pause.ok_or_else(|| "a number of seconds, at most 3600".into())
}

/// Fainter stars than this are asked for only with `--faintest`: few catalogues have them.
const FAINTEST_MAG: f64 = 21.0;
/// A row of six numbers in a VOTable, bytes at most.
pub(super) const ROW_BYTES: u64 = 160;

impl ServiceOptions {
    /// The service, if one was named.
    pub(super) fn service(&self, region: &RegionOptions) -> Option<Service> {
        let url = self.tap.as_ref()?;
        let columns = region.columns.clone().unwrap_or_else(Columns::gaia);
        Some(Service {
            table: self.table.clone(),
            columns,
            epoch_jyear: region.epoch,
            pause: self.pause,
            ..Service::gaia(url)
        })
    }
}

fn wanted<'a>(asked: &'a Asked, region: &RegionOptions) -> Wanted<'a> {
    Wanted {
        needs: &asked.needs,
        radius_deg: asked.radius_deg,
        of_deg: &asked.positions,
        faintest_mag: region.faintest.unwrap_or(FAINTEST_MAG),
    }
}

/// What will be fetched.
pub(super) fn beforehand(service: &Service, asked: &Asked, region: &RegionOptions) -> String {
    let [rows, requests] = tap::first_requests(&wanted(asked, region));
    format!(
        "expected: about {rows} rows of {}, a download of at most about {}, {requests} requests \
         or more\n",
        service.table,
        size(rows * ROW_BYTES)
    )
}

/// Fetches into a folder, with a bar.
pub(super) fn fetch_into(
    folder: &Path,
    service: &Service,
    asked: &Asked,
    region: &RegionOptions,
) -> Result<Fetched, Failure> {
    let bar = FetchBar::new();
    let fetched = tap::fetch(service, &wanted(asked, region), folder, &bar);
    bar.clear();
    fetched.map_err(of_tap)
}

fn of_tap(error: TapError) -> Failure {
    let status = match &error {
        TapError::Usage { .. } | TapError::OtherContent { .. } => USAGE,
        TapError::Write { .. } => CANNOT_WRITE,
        TapError::Refused { .. } | TapError::Failing { .. } => UNAVAILABLE,
    };
    Failure::new(status, error)
}
