//! The whole job: a frame in, an outcome out. What the command line and other programs call.

mod again;
mod guess;

pub use guess::Guess;

use crate::Deadline;
use crate::detect::{Assumed, Detections, detect_by};
use crate::diagnosis::{Cause, FrameFacts, diagnose};
use crate::fit::{self, Display, Epoch, Solution};
use crate::frame::Frame;
use crate::quality::{Quality, quality};
use crate::search::{ACCEPT_LOG10_CHANCE, Best, Found, SearchError, search_after};
use crate::sky::{Sky, SkyError, SkyRegion};
use std::time::Instant;

/// Once the time limit has passed, a frame of more pixels than this is not diagnosed any more: that
/// takes a tenth of a second for each ten million.
const JUDGED_LATE_PX: usize = 16_000_000;

/// A sky position that the mount was told to point at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Commanded {
    /// ICRS right ascension, degrees.
    pub ra_deg: f64,
    /// ICRS declination, degrees.
    pub dec_deg: f64,
}

/// What the caller knows or wants. Everything is optional.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// Where to begin the spiral, likeliest first; empty: the whole sky at once.
    pub starts: Vec<Commanded>,
    /// Search no farther than this from the first start, degrees.
    pub within_deg: Option<f64>,
    /// Claimed pixel scales, arcsec per pixel, likeliest first.
    pub scales_arcsec_per_px: Vec<f64>,
    /// Julian year of the exposure; `None`: unknown, to be judged from the stars' own motion.
    pub epoch_jyear: Option<f64>,
    /// Give up after this long.
    pub time_limit: Option<std::time::Duration>,
}

/// In which order the sky was searched when it ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SearchOrder {
    /// Outward from a commanded position.
    Spiral,
    /// No commanded position.
    #[default]
    WholeSky,
}

/// Counters of one search.
#[derive(Debug, Clone, Default)]
pub struct SearchReport {
    /// How the search went.
    pub order: SearchOrder,
    /// Sky cells read.
    pub cells: u64,
    /// Bytes of the star-indexes that no earlier search with them had touched.
    pub index_bytes: u64,
    /// Largest distance from the start that was searched, degrees.
    pub radius_deg: f64,
    /// Candidates verified.
    pub candidates: u64,
    /// True where the time limit ended it.
    pub timed_out: bool,
}

/// Elapsed times of the stages after reading, milliseconds.
#[derive(Debug, Clone, Copy, Default)]
pub struct Elapsed {
    /// Detection.
    pub detect_ms: f64,
    /// Quads, search and verification.
    pub match_ms: f64,
    /// Final fit.
    pub fit_ms: f64,
    /// Frame quality, and the diagnosis of an unsolved frame.
    pub judge_ms: f64,
}

/// What came of one frame.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// The stars found.
    pub detections: Detections,
    /// Number, in its [`Sky`], of the star-index whose stars matched.
    pub star_index: Option<usize>,
    /// The position, or `None`: unsolved.
    pub solution: Option<Solution>,
    /// What can be read off the frame besides.
    pub quality: Quality,
    /// Why there is no solution; `None` where there is one.
    pub diagnosis: Option<Cause>,
    /// How the search went.
    pub search: SearchReport,
    /// Best chance of a false match that any candidate reached, log10; 0 where there was none.
    pub best_log10_chance: f64,
    /// How long it took.
    pub elapsed: Elapsed,
}

impl Outcome {
    /// Of a frame of `size` pixels along x and y: the time limit came before its stars were found.
    pub(crate) fn out_of_time(size: [usize; 2], elapsed: Elapsed) -> Outcome {
        let search = SearchReport {
            timed_out: true,
            ..SearchReport::default()
        };
        Outcome {
            detections: Detections {
                width: size[0],
                height: size[1],
                ..Detections::default()
            },
            star_index: None,
            solution: None,
            quality: Quality::default(),
            diagnosis: None,
            search,
            best_log10_chance: 0.0,
            elapsed,
        }
    }

    /// False where the time limit came before there was anything to judge.
    pub fn is_judged(&self) -> bool {
        self.solution.is_some() || self.diagnosis.is_some()
    }
}

/// Finds where `frame` points, with the star-indexes of `sky`.
///
/// # Errors
///
/// A star-index that turns out to be damaged where it is read.
pub fn solve(frame: &Frame, sky: &Sky, request: &Request) -> Result<Outcome, SkyError> {
    solve_among(frame, sky, request, &mut Neighbourhood::default())
}

/// What a run over many frames adds to the question about one.
#[derive(Default)]
pub struct Neighbourhood<'a> {
    /// Gives guesses until there are no more: each is looked at before the search begins.
    pub guesses: Option<&'a mut dyn FnMut() -> Option<Guess>>,
    /// Threads for the search, where no guess helps and it takes long; `None`: those of the
    /// caller.
    pub helpers: Option<&'a rayon::ThreadPool>,
}

impl Neighbourhood<'_> {
    fn search(
        &self,
        earlier: SearchReport,
        detections: &Detections,
        sky: &Sky,
        request: &Request,
        deadline: Option<Instant>,
    ) -> Result<Found, SearchError> {
        let all = || search_after(earlier, detections, sky, request, deadline);
        match self.helpers {
            Some(helpers) => helpers.install(all),
            None => all(),
        }
    }
}

/// As [`solve`], for one frame among many. Guesses save time; they can neither keep a frame from
/// being found nor, beyond the last digit of the WCS, change where.
///
/// # Errors
///
/// As [`solve`].
pub fn solve_among(
    frame: &Frame,
    sky: &Sky,
    request: &Request,
    neighbourhood: &mut Neighbourhood,
) -> Result<Outcome, SkyError> {
    let begin = Instant::now();
    let time = Deadline::after(begin, request.time_limit);
    let deadline = request
        .time_limit
        .and_then(|limit| begin.checked_add(limit));
    let detections = detect_by(frame, Assumed::default(), time);
    let mut elapsed = Elapsed {
        detect_ms: ms_since(begin),
        ..Elapsed::default()
    };
    let Some(mut detections) = detections else {
        return Ok(Outcome::out_of_time([frame.width, frame.height], elapsed));
    };

    let begin = Instant::now();
    let damaged = |e: SearchError| sky.error(e.index, &e.error);
    let mut found = find(&detections, sky, request, deadline, neighbourhood).map_err(damaged)?;
    elapsed.match_ms = ms_since(begin);

    let first = detections.clone();
    for look in again::LOOKS {
        found.report.timed_out |= !found.accepted && time.passed();
        if found.accepted || found.report.timed_out {
            break;
        }
        let begin = Instant::now();
        let other = look(frame, &first, time);
        elapsed.detect_ms += ms_since(begin);
        let Some(other) = other else {
            continue;
        };
        let begin = Instant::now();
        let earlier = found.report.clone();
        let second = neighbourhood.search(earlier, &other, sky, request, deadline);
        let second = second.map_err(damaged)?;
        if second.accepted {
            (detections, found) = (other, second);
        } else {
            found.report = second.report;
        }
        elapsed.match_ms += ms_since(begin);
    }

    let begin = Instant::now();
    let best_log10_chance = found.log10_chance();
    let mut star_index = None;
    let solution = match found.best.filter(|_| found.accepted) {
        Some(best) => {
            star_index = Some(best.index);
            solution(frame, &detections, sky, request, &best, best_log10_chance)?
        }
        None => None,
    };
    elapsed.fit_ms = ms_since(begin);

    let begin = Instant::now();
    let quality = quality(frame, &detections, solution.as_ref());
    let late = time.passed() && frame.width * frame.height > JUDGED_LATE_PX;
    let diagnosis = (solution.is_none() && !late).then(|| {
        diagnose(&FrameFacts {
            frame,
            detections: &detections,
            request,
            sky,
        })
    });
    elapsed.judge_ms = ms_since(begin);
    Ok(Outcome {
        detections,
        star_index: star_index.filter(|_| solution.is_some()),
        solution,
        quality,
        diagnosis,
        search: found.report,
        best_log10_chance,
        elapsed,
    })
}

/// Looks around the guesses, then searches as if there had been none; all trials count.
fn find(
    detections: &Detections,
    sky: &Sky,
    request: &Request,
    deadline: Option<Instant>,
    neighbourhood: &mut Neighbourhood,
) -> Result<Found, SearchError> {
    let bytes_before = sky.bytes_touched();
    let mut looks = SearchReport::default();
    while let Some(guess) = neighbourhood.guesses.as_mut().and_then(|next| next()) {
        let look = guess::look(detections, sky, request, &guess)?;
        looks.cells += look.cells;
        looks.candidates += look.candidates;
        looks.radius_deg = looks.radius_deg.max(look.radius_deg);
        let mut found = Found {
            best: look.best,
            accepted: false,
            report: SearchReport {
                order: SearchOrder::Spiral,
                index_bytes: sky.bytes_touched() - bytes_before,
                ..looks.clone()
            },
            lowest_log10_chance: 0.0,
        };
        found.lowest_log10_chance = found.log10_chance();
        if found.lowest_log10_chance < ACCEPT_LOG10_CHANCE {
            found.accepted = true;
            return Ok(found);
        }
    }
    looks.index_bytes = sky.bytes_touched() - bytes_before;
    neighbourhood.search(looks, detections, sky, request, deadline)
}

fn solution(
    frame: &Frame,
    detections: &Detections,
    sky: &Sky,
    request: &Request,
    best: &Best,
    log10_chance: f64,
) -> Result<Option<Solution>, SkyError> {
    let catalogue_jyear = sky.epoch_jyear(best.index);
    let epoch = match request.epoch_jyear {
        Some(jyear) => Epoch::Known { jyear },
        None => Epoch::Unknown { catalogue_jyear },
    };
    let camera = &best.evidence.camera;
    let mut region = SkyRegion::default();
    let stars = region
        .cone(
            sky,
            best.index,
            camera.axes[2],
            fit::reach_rad(camera),
            fit::FIT_STARS,
            request
                .epoch_jyear
                .map_or(0.0, |jyear| jyear - catalogue_jyear),
        )
        .map_err(|e| sky.error(best.index, &e))?;
    let display = display_of(frame);
    Ok(fit::fit(
        detections,
        camera,
        stars,
        display,
        log10_chance,
        epoch,
    ))
}

/// Where 'up' and 'right' of the displayed frame lie in stored pixels: row order first, then
/// the EXIF orientation (EXIF 2.3, tag 0x0112), which says which edges of the displayed picture
/// the stored first row and first column are.
fn display_of(frame: &Frame) -> Display {
    let y_up = if frame.first_row_on_top { -1.0 } else { 1.0 };
    let (stored_up, stored_right) = ([0.0, y_up], [1.0, 0.0]);
    let minus = |v: [f64; 2]| [-v[0], -v[1]];
    let (up, right) = match frame.orientation {
        2 => (stored_up, minus(stored_right)),
        3 => (minus(stored_up), minus(stored_right)),
        4 => (minus(stored_up), stored_right),
        5 => (minus(stored_right), minus(stored_up)),
        6 => (minus(stored_right), stored_up),
        7 => (stored_right, stored_up),
        8 => (stored_right, minus(stored_up)),
        _ => (stored_up, stored_right),
    };
    Display { up, right }
}

fn ms_since(begin: Instant) -> f64 {
    begin.elapsed().as_secs_f64() * 1e3
}
