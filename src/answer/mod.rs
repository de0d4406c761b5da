//! The whole answer for one frame: what the caller knows and the frame claims become the
//! question, the solver's outcome becomes the record. What every command and every program that
//! wants records instead of bare outcomes calls.

pub mod axis;
mod claims;
mod plan;

use crate::Deadline;
use crate::angle::ParsedPosition;
use crate::frame::{Clues, Frame};
use crate::guide::MagnitudeRange;
pub use crate::mount::Wanted as At;
use crate::mount::{CommandedPosition, Equinox, Moment};
use crate::report::record::{Reason, Subject};
use crate::report::{Record, Unsolved};
use crate::search::Request;
use crate::sky::{Sky, SkyError};
use crate::solve::{Elapsed, Neighbourhood, Outcome, solve_among};
use plan::Plan;
use std::time::{Duration, Instant};

impl From<&ParsedPosition> for At {
    fn from(parsed: &ParsedPosition) -> At {
        At {
            position_deg: [parsed.ra_deg, parsed.dec_deg],
            name: parsed.name.clone(),
        }
    }
}

/// What the caller says beforehand, the same for every frame. Everything is optional.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Known {
    /// Where the mount was told to point.
    pub at: Option<At>,
    /// What the position of `at` counts from, and header positions that do not say so themselves.
    pub equinox: Option<Equinox>,
    /// Search no farther from the commanded position than this.
    pub within_deg: Option<f64>,
    /// Focal length.
    pub focal_length_mm: Option<f64>,
    /// Size of a pixel of the file, binning included.
    pub pixel_size_um: Option<f64>,
    /// Pixel scale.
    pub scale_arcsec_per_px: Option<f64>,
    /// Take nothing from the frame's metadata.
    pub ignore_header: bool,
    /// Give up after this long, reading included.
    pub time_limit: Option<Duration>,
    /// The target, ICRS: the record says where it lies.
    pub target: Option<At>,
    /// The record names a star of this brightness to focus on.
    pub focus: Option<MagnitudeRange>,
}

impl Known {
    /// Where the caller says that the mount was told to point.
    pub fn commanded(&self, moment: Option<&Moment>) -> Option<CommandedPosition> {
        let at = self.at.as_ref()?;
        let equinox = match at.name {
            Some(_) => Equinox::J2000,
            None => self.equinox.unwrap_or(Equinox::J2000),
        };
        let mut position = CommandedPosition::from_option(at.position_deg, equinox, moment);
        position.name = at.name.clone();
        Some(position)
    }
}

/// One frame's question.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    /// Name of the frame, as the record is to give it.
    pub file: &'a str,
    /// What the caller says.
    pub known: &'a Known,
    /// When work on this frame began.
    pub begin: Instant,
}

impl Asked<'_> {
    /// When to give up on this frame.
    pub fn deadline(&self) -> Deadline {
        Deadline::after(self.begin, self.known.time_limit)
    }
}

/// What came of one frame.
#[derive(Debug)]
pub struct Answer {
    /// What the solver found.
    pub outcome: Outcome,
    /// What the solver was asked.
    pub request: Request,
    /// The claims that were used: none where the header is ignored.
    pub clues: Clues,
    /// The commanded position that the record reports.
    pub commanded: Option<CommandedPosition>,
    /// The JSON object.
    pub record: Record,
}

/// Solves `frame`, which was just read.
///
/// # Errors
///
/// A star-index that turns out to be damaged where it is read.
pub fn answer(frame: &Frame, sky: &Sky, asked: &Asked) -> Result<Answer, SkyError> {
    answer_among(frame, sky, asked, Neighbourhood::default())
}

/// As [`answer`], for one frame among many.
///
/// # Errors
///
/// As [`answer`].
pub fn answer_among(
    frame: &Frame,
    sky: &Sky,
    asked: &Asked,
    neighbourhood: Neighbourhood,
) -> Result<Answer, SkyError> {
    let known = asked.known;
    let read = asked.begin.elapsed();
    let clues = if known.ignore_header {
        Clues::default()
    } else {
        frame.clues.clone()
    };
    let mut plan = Plan::new(known, &clues);
    plan.request.time_limit = known.time_limit.map(|limit| limit.saturating_sub(read));
    let outcome = solve_within(frame, sky, &plan, neighbourhood)?;
    let total = asked.begin.elapsed();
    let solution = outcome.solution.as_ref();
    let found_deg = solution.map(|s| [s.centre_ra_deg, s.centre_dec_deg]);
    if let Some(solution) = solution {
        plan.settle(known, &clues, solution.date);
    }
    let commanded = plan.commanded(found_deg);
    if let Some(solution) = solution {
        let moment = plan.moment.as_ref();
        plan.remarks
            .extend(claims::contradicted(&clues, moment, solution));
    }
    let reason = solution
        .is_none()
        .then(|| unsolved(known, &outcome, !plan.request.starts.is_empty()));
    let record = Record::new(&Subject {
        file: asked.file,
        reason: reason.map(Reason::Unsolved),
        outcome: Some(&outcome),
        commanded: commanded.as_ref(),
        target: known.target.as_ref(),
        focus: known.focus,
        moment: plan.moment,
        unbelieved: plan.unbelieved,
        site: clues.site,
        remarks: &plan.remarks,
        read_ms: Some(milliseconds(read)),
        total_ms: milliseconds(total),
    });
    Ok(Answer {
        outcome,
        request: plan.request,
        clues,
        commanded,
        record,
    })
}

/// Solves with what `plan` asks; a guess outside the bounds of its search ends the guessing.
fn solve_within(
    frame: &Frame,
    sky: &Sky,
    plan: &Plan,
    Neighbourhood {
        mut guesses,
        helpers,
    }: Neighbourhood,
) -> Result<Outcome, SkyError> {
    let mut allowed = || {
        let guess = guesses.as_mut().and_then(|next| next());
        guess.filter(|guess| plan.allows(guess))
    };
    let mut neighbourhood = Neighbourhood {
        guesses: Some(&mut allowed),
        helpers,
    };
    solve_among(frame, sky, &plan.request, &mut neighbourhood)
}

/// The record of a frame that could not be read or searched; `reason` is the message that says so.
pub fn refused(asked: &Asked, reason: &str) -> Record {
    unread(asked, Reason::Fault(reason), None)
}

/// The record of a frame that was not read before its time limit came.
pub fn out_of_time(asked: &Asked) -> Record {
    let outcome = Outcome::out_of_time([0, 0], Elapsed::default());
    let reason = Reason::Unsolved(unsolved(asked.known, &outcome, false));
    unread(asked, reason, Some(&outcome))
}

/// The record of a frame of which nothing is known but its name.
fn unread(asked: &Asked, reason: Reason, outcome: Option<&Outcome>) -> Record {
    // An equinox of date needs the frame; what the caller said can be repeated without it.
    let commanded = Plan::new(asked.known, &Clues::default()).commanded(None);
    Record::new(&Subject {
        file: asked.file,
        reason: Some(reason),
        outcome,
        commanded: commanded.as_ref(),
        target: asked.known.target.as_ref(),
        focus: asked.known.focus,
        moment: None,
        unbelieved: None,
        site: None,
        remarks: &[],
        read_ms: None,
        total_ms: milliseconds(asked.begin.elapsed()),
    })
}

/// Why `outcome` has no solution.
fn unsolved(known: &Known, outcome: &Outcome, has_start: bool) -> Unsolved {
    /// A quad has four stars.
    const LEAST_STARS: usize = 4;
    let found = outcome.detections.stars.len();
    let limit = known.time_limit.filter(|_| outcome.search.timed_out);
    match (limit, known.within_deg.filter(|_| has_start)) {
        (Some(limit), _) => Unsolved::TimeLimit {
            limit_s: limit.as_secs_f64(),
        },
        _ if found < LEAST_STARS => Unsolved::TooFewStars { found },
        (None, Some(within_deg)) => Unsolved::NotNear { found, within_deg },
        (None, None) => Unsolved::Nowhere { found },
    }
}

fn milliseconds(duration: Duration) -> f64 {
    duration.as_secs_f64() * 1000.0
}
