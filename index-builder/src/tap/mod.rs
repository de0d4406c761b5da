//! Stars of a region from a catalogue service that speaks TAP (IVOA Table Access Protocol 1.1).
//!
//! Piece by piece of the sky ([`cells`]): first the number of rows is asked for, to the magnitude
//! that is expected to suffice, fainter until the piece has stars enough; then the rows themselves
//! ([`query`]), which have to be as many. A piece of which the service gives only a part is halved.
//! One request at a time, with a pause in between; what fails in passing is asked again, later and
//! later ([`client`]). What is there stays there: a fetch that was interrupted goes on ([`store`]).

mod cells;
mod client;
mod fetch;
mod query;
mod store;

pub use fetch::{Fetched, Watcher, fetch, first_requests};

use crate::catalogue::Columns;
use crate::deep::Needs;
use std::path::PathBuf;
use std::time::Duration;

/// A catalogue of a service.
#[derive(Debug, Clone)]
pub struct Service {
    /// Address of the service: what comes before `/sync`.
    pub url: String,
    /// Name of the table.
    pub table: String,
    /// Its columns; positions in degrees.
    pub columns: Columns,
    /// Julian year of its positions, where no column says so.
    pub epoch_jyear: Option<f64>,
    /// Between two requests.
    pub pause: Duration,
}

/// The table of Gaia DR3 in the Gaia archive.
pub const GAIA_TABLE: &str = "gaiadr3.gaia_source";

impl Service {
    /// Gaia DR3 at a service that has it under the archive's own names.
    pub fn gaia(url: &str) -> Service {
        Service {
            url: url.to_owned(),
            table: GAIA_TABLE.to_owned(),
            columns: Columns::gaia(),
            epoch_jyear: None,
            pause: Duration::from_secs(1),
        }
    }
}

/// Which stars are wanted.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// What an index is to hold.
    pub needs: &'a Needs,
    /// Radius about each position, degrees.
    pub radius_deg: f64,
    /// Positions, ICRS, degrees; none: the whole sky.
    pub of_deg: &'a [[f64; 2]],
    /// No stars fainter than this.
    pub faintest_mag: f64,
}

/// Why stars could not be fetched.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TapError {
    /// The service cannot be asked like this.
    #[error("{what}")]
    Usage {
        /// What is wrong and what to do.
        what: String,
    },
    /// The service refused a query.
    #[error("{url}: {what}: look at --tap, --table and --columns")]
    Refused {
        /// Its address.
        url: String,
        /// What it said.
        what: String,
    },
    /// The service did not answer, or not completely, however often it was asked.
    #[error("{url}: {what}: run the same command later, it goes on where it stopped")]
    Failing {
        /// Its address.
        url: String,
        /// What happened last.
        what: String,
    },
    /// The folder belongs to something else.
    #[error(
        "{}: holds other files, or what was fetched with other settings: name another place", path.display()
    )]
    OtherContent {
        /// The folder.
        path: PathBuf,
    },
    /// What was fetched cannot be kept.
    #[error("{}: cannot be written: {source}", path.display())]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}
