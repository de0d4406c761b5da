//! The whole job: a frame in, an outcome out. What the command line and other programs call.

mod barrier;
mod guess;
mod whole;

pub use guess::Guess;

use crate::Deadline;
use crate::detect::{Detections, Reading, detect_again, detect_as};
use crate::diagnosis::{Cause, Drawn, FrameFacts, diagnose};
use crate::fit::{self, Display, Epoch, Solution, Stated};
use crate::frame::Frame;
use crate::quality::{Measured, Quality, quality_of};
use crate::search::{
    ACCEPT_LOG10_CHANCE, Best, Confirm, Found, Lenses, Request, SearchError, SearchOrder,
    SearchReport, search_on,
};
use crate::sky::{RegionStar, Sky, SkyError, SkyRegion};
use crate::sphere::ARCSEC_PER_RAD;
use std::time::Instant;

/// Once the time limit has passed, a frame of more pixels than this is not diagnosed any more: that
/// takes a tenth of a second for each ten million.
const JUDGED_LATE_PX: usize = 16_000_000;

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
    let mut job = Job {
        frame,
        sky,
        request,
        deadline: Deadline::after(begin, request.time_limit),
        solved: None,
        measured: None,
        elapsed: Elapsed::default(),
    };
    let detections = detect_as(frame, Reading::AsItLooks, job.deadline);
    job.elapsed.detect_ms = ms_since(begin);
    let Some(mut detections) = detections else {
        let size = [frame.width, frame.height];
        return Ok(Outcome::out_of_time(size, job.elapsed));
    };
    let mut found = Found::after(SearchReport::default());
    job.look_around(&mut found, &detections, neighbourhood)?;
    if !found.accepted {
        // The one has parts that one thread does alone, the other fills the others meanwhile.
        let lenses = (Lenses::Usual, neighbourhood.helpers);
        let (searched, measured) = rayon::join(
            || job.search(&mut found, &detections, lenses),
            || Measured::on(frame, &detections),
        );
        searched?;
        job.measured = Some(measured);
    }
    if !found.accepted {
        job.read_again(&mut found, &mut detections, neighbourhood.helpers)?;
    }
    Ok(job.outcome(detections, found))
}

/// The work on one frame.
struct Job<'a> {
    frame: &'a Frame,
    sky: &'a Sky,
    request: &'a Request,
    deadline: Deadline,
    /// The solution of the pose that was accepted.
    solved: Option<Solution>,
    /// On the detections that are handed on, where that was done.
    measured: Option<Measured>,
    elapsed: Elapsed,
}

impl Job<'_> {
    /// Reads the frame in the further ways until one solves.
    fn read_again(
        &mut self,
        found: &mut Found,
        detections: &mut Detections,
        helpers: Option<&rayon::ThreadPool>,
    ) -> Result<(), SkyError> {
        let first = detections.clone();
        for reading in Reading::further(&first, self.claims_wide()) {
            found.report.timed_out |= self.deadline.passed();
            if found.report.timed_out {
                break;
            }
            let begin = Instant::now();
            let other = detect_again(self.frame, reading, &first, self.deadline);
            self.elapsed.detect_ms += ms_since(begin);
            let Some(other) = other else {
                // Cut short it showed nothing either.
                found.report.timed_out |= self.deadline.passed();
                continue;
            };
            let mut second = Found::after(found.report.clone());
            let lenses = match reading {
                Reading::WidestLenses => Lenses::Widest,
                _ => Lenses::Usual,
            };
            self.search(&mut second, &other, (lenses, helpers))?;
            if second.accepted {
                (*detections, *found) = (other, second);
                if detections.part.is_some() && self.goes_beyond_part(found, &first)? {
                    *detections = first;
                }
                self.measured = None;
                break;
            }
            found.report = second.report;
        }
        Ok(())
    }

    /// Looks around the guesses of a neighbourhood.
    fn look_around(
        &mut self,
        found: &mut Found,
        detections: &Detections,
        neighbourhood: &mut Neighbourhood,
    ) -> Result<(), SkyError> {
        let bytes_before = self.sky.bytes_touched();
        while let Some(guess) = neighbourhood.guesses.as_mut().and_then(|next| next()) {
            found.report.order = SearchOrder::Spiral;
            self.searched(detections, |request, sky, confirm| {
                guess.look(&mut *found, detections, sky, request, confirm)
            })?;
            if found.accepted {
                break;
            }
        }
        found.report.index_bytes = self.sky.bytes_touched() - bytes_before;
        Ok(())
    }

    /// Whether its likeliest claimed scale makes it wider than lenses are that keep lines straight: as a
    /// hint, for what is tried first.
    fn claims_wide(&self) -> bool {
        /// Across the longer side, in focal lengths: 58 deg.
        const WIDE: f64 = 1.1;
        let scale = self.request.scales_arcsec_per_px.first();
        let longer = self.frame.width.max(self.frame.height) as f64;
        scale.is_some_and(|scale| longer * scale > WIDE * ARCSEC_PER_RAD)
    }

    /// Searches for `detections`, with other threads where they are given.
    fn search(
        &mut self,
        found: &mut Found,
        detections: &Detections,
        (lenses, helpers): (Lenses, Option<&rayon::ThreadPool>),
    ) -> Result<(), SkyError> {
        if found.accepted {
            return Ok(());
        }
        let deadline = self.deadline;
        let shown = detections.as_a_frame();
        self.searched(detections, |request, sky, confirm| {
            let request = &Request {
                lenses,
                ..request.clone()
            };
            let mut all = || search_on(found, &shown, sky, request, deadline, confirm);
            match helpers {
                Some(helpers) => helpers.install(all),
                None => all(),
            }
        })
    }

    /// Runs a search that asks back before it accepts a pose: only where a solution follows from
    /// it. Otherwise it goes on.
    fn searched(
        &mut self,
        detections: &Detections,
        search: impl FnOnce(&Request, &Sky, Confirm<'_>) -> Result<(), SearchError>,
    ) -> Result<(), SkyError> {
        let begin = Instant::now();
        let (frame, sky, request) = (self.frame, self.sky, self.request);
        let mut fit_ms = 0.0;
        let mut solved = None;
        let mut damaged = None;
        let result = search(request, sky, &mut |best, log10_chance| {
            let begin = Instant::now();
            match solution(frame, detections, sky, request, (best, log10_chance)) {
                Ok(solution) => solved = solution,
                Err(error) => damaged = Some(error),
            }
            fit_ms += ms_since(begin);
            solved.is_some()
        });
        self.elapsed.fit_ms += fit_ms;
        self.elapsed.match_ms += ms_since(begin) - fit_ms;
        self.solved = solved;
        result.map_err(|e| sky.error(e.index, &e.error))?;
        damaged.map_or(Ok(()), Err)
    }

    /// What came of it all.
    fn outcome(mut self, detections: Detections, found: Found) -> Outcome {
        let begin = Instant::now();
        let mut solution = self.solved.take();
        let measured = self.measured.take();
        let measured = measured.unwrap_or_else(|| Measured::on(self.frame, &detections));
        if let Some(solution) = &mut solution {
            solution.widen_by_lopsided(measured.lopsided_px());
        }
        let quality = quality_of(self.frame, &detections, &measured, solution.as_ref());
        let pixels = self.frame.width * self.frame.height;
        let late = self.deadline.passed() && pixels > JUDGED_LATE_PX;
        let diagnosis = (solution.is_none() && !late).then(|| {
            diagnose(&FrameFacts {
                frame: self.frame,
                detections: &detections,
                request: self.request,
                sky: self.sky,
                drawn: quality.shape.map(|shape| Drawn {
                    fwhm_px: shape.fwhm_px,
                    elongation: shape.elongation,
                    angle_deg: shape.elongation_angle_deg,
                    stars: quality.stars_measured,
                }),
            })
        });
        self.elapsed.judge_ms = ms_since(begin);
        let best = found.best.filter(|_| solution.is_some());
        Outcome {
            detections,
            star_index: best.map(|best| best.index),
            solution,
            quality,
            diagnosis,
            search: found.report,
            best_log10_chance: found.log10_chance.min(0.0),
            elapsed: self.elapsed,
        }
    }
}

/// The solution that follows from a pose; `None` where none does, or one that disagrees with it.
fn solution(
    frame: &Frame,
    detections: &Detections,
    sky: &Sky,
    request: &Request,
    (best, log10_chance): (&Best, f64),
) -> Result<Option<Solution>, SkyError> {
    let catalogue_jyear = sky.epoch_jyear(best.index);
    let camera = &best.evidence.camera;
    let mut region = SkyRegion::default();
    let years = request
        .epoch_jyear
        .map_or(0.0, |jyear| jyear - catalogue_jyear);
    let reach_rad = fit::reach_rad(camera);
    let stars = region
        .cone(
            sky,
            best.index,
            camera.axes[2],
            reach_rad,
            fit::FIT_STARS,
            years,
        )
        .map_err(|e| sky.error(best.index, &e))?;
    let display = display_of(frame);
    let fit = |stars: &[RegionStar], epoch| {
        let evidence = &best.evidence;
        let solution = fit::fit(detections, evidence, stars, display, log10_chance, epoch)?;
        barrier::lets_pass(&solution, evidence, detections, stars, ACCEPT_LOG10_CHANCE)
            .then_some(solution)
    };
    Ok(match request.epoch_jyear {
        None => fit(stars, Epoch::Unknown { catalogue_jyear }),
        Some(jyear) => {
            let stated = Stated {
                jyear,
                plausible: !request.epoch_doubtful,
                catalogue_jyear,
            };
            fit::fit_dated(stars, stated, fit)
        }
    })
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
