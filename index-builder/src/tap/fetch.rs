//! The region piece by piece.

use super::cells::{Cell, cells};
use super::client::Client;
use super::query;
use super::store::{State, Store};
use super::{Service, TapError, Wanted};
use crate::catalogue::Input;
use crate::synthetic::{galactic, stars_per_deg2};
use std::path::Path;

/// Is told how far a fetch is.
pub trait Watcher {
    /// The share of the region that is there, and its rows.
    fn there(&self, share: f64, rows: u64);
}

/// What was fetched.
#[derive(Debug)]
pub struct Fetched {
    /// The tables, to be read like any other catalogue.
    pub inputs: Vec<Input>,
    /// Rows in them.
    pub rows: u64,
    /// Requests that this run made.
    pub requests: u64,
    /// Bytes that this run received.
    pub bytes: u64,
}

/// So many times as many stars as are kept are asked for on average: then hardly any cell, whose
/// stars are not spread evenly, goes short (8 wanted where 24 are expected: 1 cell in 10,000 by
/// Poisson's law).
const SPARE: f64 = 3.0;
/// Where a piece turns out to hold this many times what is wanted, a brighter limit is tried.
const TOO_MANY: f64 = 6.0;
/// Rows that are asked for at once unless the service gives fewer.
const ROWS_AT_ONCE: u64 = 100_000;

/// Refuses a service of whose positions too little was said.
fn judge(service: &Service) -> Result<(), TapError> {
    let usage = |what: &str| Err(TapError::Usage { what: what.into() });
    if !service.columns.is_in_degrees() {
        return usage("a service is asked for positions in degrees: state ra and dec with :deg");
    }
    if !service.columns.says_epoch() && service.epoch_jyear.is_none() {
        return usage(
            "it is not said of which epoch the positions are: add --epoch, or the column \
             that says it to --columns",
        );
    }
    Ok(())
}

/// Fetches what is wanted into `folder`, or what is missing of it there.
///
/// # Errors
///
/// See [`TapError`]. What was complete is kept.
pub fn fetch(
    service: &Service,
    wanted: &Wanted<'_>,
    folder: &Path,
    watcher: &dyn Watcher,
) -> Result<Fetched, TapError> {
    judge(service)?;
    let settings = format!(
        "1 {} {} {:?} {:?} {} {:?} {}",
        service.url,
        service.table,
        service.columns,
        wanted.needs,
        wanted.radius_deg,
        wanted.of_deg,
        wanted.faintest_mag
    );
    let mut run = Run {
        client: Client::new(service)?,
        store: Store::open(folder, &settings)?,
        service,
        wanted,
        at_once: ROWS_AT_ONCE,
        fetched: Fetched {
            inputs: Vec::new(),
            rows: 0,
            requests: 0,
            bytes: 0,
        },
    };
    let mut open = cells(wanted.radius_deg, wanted.of_deg);
    let area: f64 = open.iter().map(Cell::area_deg2).sum();
    open.reverse();
    let mut there = 0.0;
    while let Some(cell) = open.pop() {
        match run.piece(&cell)? {
            Piece::Rows(rows) => {
                run.fetched.rows += rows;
                if rows > 0 {
                    run.fetched.inputs.push(Input {
                        path: run.store.table(&cell),
                        columns: Some(service.columns.clone()),
                        epoch_jyear: service.epoch_jyear,
                    });
                }
                there += cell.area_deg2();
                watcher.there(there / area, run.fetched.rows);
            }
            Piece::Halves([first, second]) => open.extend([second, first]),
        }
    }
    run.fetched.requests = run.client.requests;
    run.fetched.bytes = run.client.bytes;
    Ok(run.fetched)
}

/// Rows and requests that a region will take, before anything was asked: from star counts.
pub fn first_requests(wanted: &Wanted<'_>) -> [u64; 2] {
    let pieces = cells(wanted.radius_deg, wanted.of_deg);
    let rows = pieces.iter().map(|cell| {
        let many = 2.0 * stars_wanted(wanted, cell);
        many.min(cell.area_deg2() * density(cell, wanted.faintest_mag))
    });
    // A number or two, then the rows.
    [rows.sum::<f64>() as u64, 3 * pieces.len() as u64]
}

enum Piece {
    Rows(u64),
    Halves([Cell; 2]),
}

struct Run<'a> {
    client: Client<'a>,
    store: Store,
    service: &'a Service,
    wanted: &'a Wanted<'a>,
    /// Rows that the service gives at once, as far as is known.
    at_once: u64,
    fetched: Fetched,
}

impl Run<'_> {
    fn piece(&mut self, cell: &Cell) -> Result<Piece, TapError> {
        match self.store.state(cell) {
            State::Done(rows) => return Ok(Piece::Rows(rows)),
            State::Halved => {
                if let Some(halves) = cell.halves() {
                    return Ok(Piece::Halves(halves));
                }
            }
            State::Open => {}
        }
        let (to_mag, count) = self.depth(cell)?;
        if count == 0 {
            self.store.note(cell, State::Done(0))?;
            return Ok(Piece::Rows(0));
        }
        if count > self.at_once
            && let Some(halves) = cell.halves()
        {
            self.store.note(cell, State::Halved)?;
            return Ok(Piece::Halves(halves));
        }
        let query = query::rows(self.service, cell, to_mag);
        let mut given = Vec::new();
        // An answer that is short without saying so may be an accident; twice the same is a limit.
        for _ in 0..3 {
            let unfinished = self.store.unfinished(cell);
            let received = self.client.table(&query, count, &unfinished)?;
            if received.rows == count && !received.cut {
                self.store.keep(cell, count)?;
                return Ok(Piece::Rows(count));
            }
            let limited = received.cut || given.contains(&received.rows);
            if limited
                && received.rows < count
                && let Some(halves) = cell.halves()
            {
                self.at_once = self.at_once.min(received.rows.max(1));
                self.store.note(cell, State::Halved)?;
                return Ok(Piece::Halves(halves));
            }
            given.push(received.rows);
        }
        Err(TapError::Failing {
            url: self.service.url.clone(),
            what: format!("it counts {count} rows of a piece of the sky and gives {given:?}"),
        })
    }

    /// The magnitude to which a piece is asked for, and its number of rows.
    fn depth(&mut self, cell: &Cell) -> Result<(f64, u64), TapError> {
        /// Growth of star counts, powers of ten a magnitude, where the magnitude is raised and
        /// lowered: slower and faster than it ever is.
        const GROWTH: [f64; 2] = [0.2, 0.45];
        /// Attempts with a brighter limit, and all of them.
        const ATTEMPTS: [u32; 2] = [4, 8];
        let least = stars_wanted(self.wanted, cell);
        let faintest = self.wanted.faintest_mag;
        let mut mag = magnitude(cell, 2.0 * least).min(faintest);
        let mut raised = false;
        for attempt in 1.. {
            let count = self.client.number(&query::count(self.service, cell, mag))?;
            let ratio = count.max(1) as f64 / least;
            if ratio > TOO_MANY && !raised && attempt <= ATTEMPTS[0] {
                mag -= (ratio / 2.0).log10() / GROWTH[1];
                continue;
            }
            if ratio >= 1.0 || mag >= faintest {
                return Ok((mag, count));
            }
            raised = true;
            let step = ((1.5 / ratio).log10() / GROWTH[0]).clamp(0.25, 2.0);
            mag = if attempt < ATTEMPTS[1] {
                (mag + step).min(faintest)
            } else {
                faintest
            };
        }
        Ok((faintest, 0))
    }
}

/// Rows that a piece should hold at least.
fn stars_wanted(wanted: &Wanted<'_>, cell: &Cell) -> f64 {
    /// Square degrees of the whole sky: 4 pi (180 / pi)^2.
    const WHOLE_SKY_DEG2: f64 = 41_252.961;
    let kept_in_deg2 = WHOLE_SKY_DEG2 / (12.0 * 4_f64.powi(i32::from(wanted.needs.depth)));
    let cells = (cell.area_deg2() / kept_in_deg2).max(1.0);
    SPARE * wanted.needs.per_cell as f64 * cells
}

/// Stars per square degree around the middle of a piece, by the model of the synthetic sky.
fn density(cell: &Cell, mag: f64) -> f64 {
    let [ra, dec] = cell.middle_deg().map(f64::to_radians);
    let [l, b] = galactic(ra, dec).map(f64::to_degrees);
    stars_per_deg2(mag, l, b)
}

/// The magnitude to which a piece is expected to hold this many stars.
fn magnitude(cell: &Cell, stars: f64) -> f64 {
    let mags = (24..=88).map(|quarters| f64::from(quarters) / 4.0);
    let enough = |mag: &f64| density(cell, *mag) * cell.area_deg2() >= stars;
    mags.into_iter().find(enough).unwrap_or(22.0)
}
