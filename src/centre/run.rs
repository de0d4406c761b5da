//! The loop.

use super::judge::{commanded_deg, confusion, is_stuck};
use super::limits::{Limits, Place, allowed, clear_of_sun};
use super::{Fault, Frames, Mount, Stop, View, now};
use crate::answer::{Asked, At, Known, answer};
use crate::frame::{Frame, Site};
use crate::mount::{Equinox, pointing_error, separation_deg};
use crate::sky::Sky;
use std::sync::Arc;
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::{Duration, Instant};

/// Without a limit from the user the target is centred within this share of the field's narrower
/// side.
const CENTRED_SHARE: f64 = 0.02;
/// A clock that is ahead of this computer's by more than this is wrong.
const CLOCK_AHEAD_S: f64 = 120.0;
/// Requests to end are heeded within this time.
const ATTENTION: Duration = Duration::from_millis(50);

/// What the user wants.
#[derive(Debug, Clone)]
pub struct Wish {
    /// ICRS, degrees.
    pub target_deg: [f64; 2],
    /// Centred within this; `None`: 2 % of the field's narrower side.
    pub within_arcmin: Option<f64>,
    /// Slews at most.
    pub tries: u32,
    /// The mount may be moved.
    pub may_move: bool,
    /// The mount may be synced.
    pub may_sync: bool,
    /// Slew before the first frame, by what the mount believes.
    pub slew_first: bool,
    /// Time for the mount to come to rest after a slew.
    pub settle: Duration,
    /// Where nothing may go.
    pub limits: Limits,
    /// The site, where the mount's is not used.
    pub site: Option<Site>,
    /// What is known about the frames; the position is that of the mount.
    pub known: Known,
}

/// Where the mount stands at the end.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Report {
    /// Slews that were made.
    pub slews: u32,
    /// The latest frame's centre, ICRS degrees.
    pub found_deg: Option<[f64; 2]>,
    /// How far that is from the target, arcmin.
    pub off_arcmin: Option<f64>,
    /// The longest time from a frame to the next command, seconds.
    pub longest_thought_s: f64,
}

/// How it ended, and why where the target is not in the middle.
#[derive(Debug)]
pub struct End {
    /// Figures.
    pub report: Report,
    /// `Ok`: centred.
    pub outcome: Result<(), Fault>,
    /// A mount that could not be seen to stop.
    pub not_stopped: Option<Fault>,
}

/// A run.
pub struct Centring<'a> {
    /// The mount.
    pub mount: &'a mut dyn Mount,
    /// The camera.
    pub frames: &'a mut dyn Frames,
    /// The star-indexes.
    pub sky: Arc<Sky>,
    /// What the user wants.
    pub wish: Wish,
    /// Requests to end.
    pub stop: Stop,
    /// Told each step, in a line.
    pub say: &'a mut dyn FnMut(&str),
}

/// One solved frame.
struct Look {
    found_deg: [f64; 2],
    /// Where the mount took itself to be, ICRS and as it counts.
    reported: View,
    tolerance_arcmin: f64,
    off_arcmin: f64,
}

/// Brings the target into the middle. Whatever goes wrong once the mount may be moved, it is
/// stopped, and seen to stand, before this returns.
pub fn run(mut job: Centring) -> End {
    let mut report = Report::default();
    let outcome = attempt(&mut job, &mut report);
    let must_stop = job.wish.may_move
        && outcome
            .as_ref()
            .is_err_and(|fault| !matches!(fault, Fault::Refused(_)));
    let not_stopped = if must_stop {
        let stopped = job.mount.stop();
        match &stopped {
            Ok(()) => (job.say)("motion aborted; the mount was seen to stand"),
            Err(fault) => (job.say)(&fault.to_string()),
        }
        stopped.err()
    } else {
        None
    };
    End {
        report,
        outcome,
        not_stopped,
    }
}

fn attempt(job: &mut Centring, report: &mut Report) -> Result<(), Fault> {
    let site = ready(job)?;
    let mut errors = Vec::new();
    let mut moved_deg = 0.0;
    if job.wish.slew_first && job.wish.may_move {
        let view = job.mount.view()?;
        let target = job.wish.target_deg;
        slew(
            job,
            report,
            site,
            &view,
            view.icrs_deg,
            target,
            &mut moved_deg,
        )?;
    }
    loop {
        let look = look(job, report)?;
        errors.push(look.off_arcmin);
        if look.off_arcmin <= look.tolerance_arcmin {
            (job.say)(&format!(
                "centred: {:.2} arcmin off, within {:.2}; slews: {}",
                look.off_arcmin, look.tolerance_arcmin, report.slews
            ));
            return Ok(());
        }
        if is_stuck(&errors) {
            return Err(Fault::NotCentred(
                "two slews did not make the error smaller: look for a slipped clutch, a cable or a loose load".into(),
            ));
        }
        if report.slews >= job.wish.tries {
            return Err(Fault::NotCentred(format!(
                "still {:.2} arcmin off after {} slews; more are allowed by --tries",
                look.off_arcmin, report.slews
            )));
        }
        step(job, report, site, look, &mut moved_deg)?;
    }
}

/// Sync and slew, or what they would be.
fn step(
    job: &mut Centring,
    report: &mut Report,
    site: Option<Site>,
    mut look: Look,
    moved_deg: &mut f64,
) -> Result<(), Fault> {
    job.stop.check()?;
    if let Some(what) = confusion(look.reported.numbers_deg, look.found_deg, &now()?) {
        (job.say)(what);
    }
    if job.wish.may_sync && look.reported.can_sync {
        if job.mount.sync(look.found_deg)? {
            (job.say)("synced to the frame's centre");
            look.reported = job.mount.view()?;
        } else {
            (job.say)(
                "the mount does not take the sync (near a pole, or after it turned over, some \
                 refuse): going on by offsets; else slew to a star on the same side first",
            );
        }
    } else if job.wish.may_sync {
        (job.say)("the mount cannot be synced: going on by offsets");
    }
    let target = job.wish.target_deg;
    let to = commanded_deg(target, look.reported.icrs_deg, look.found_deg);
    if !job.wish.may_move {
        (job.say)(&format!(
            "would {}slew by {:.2} degrees to the target; nothing moves without --move",
            if job.wish.may_sync {
                ""
            } else {
                "sync (with --sync) and "
            },
            look.off_arcmin / 60.0
        ));
        return Err(Fault::NotCentred("nothing was moved".into()));
    }
    slew(
        job,
        report,
        site,
        &look.reported,
        look.found_deg,
        to,
        moved_deg,
    )
}

/// Checks what must be right before anything is asked of the mount; gives the site.
fn ready(job: &mut Centring) -> Result<Option<Site>, Fault> {
    let view = job.mount.view()?;
    let wrong = |text: String| Err(Fault::Device(text));
    if view.is_parked {
        return wrong(
            "the mount is parked: unpark it, switch tracking on, then run this again".into(),
        );
    }
    if view.is_moving {
        return wrong(
            "the mount is moving already: let it finish, or stop it, then run this again".into(),
        );
    }
    if let Some(ahead_s) = view
        .clock_ahead_s
        .filter(|ahead_s| *ahead_s > CLOCK_AHEAD_S)
    {
        return wrong(format!(
            "the mount's clock is ahead of this computer's by {:.2} h: set both to UTC (an hour is \
             summer time or a time zone)",
            ahead_s / 3600.0
        ));
    }
    let site = job.wish.site.or(view.site);
    if job.wish.may_move {
        let Some(site) = site else {
            return wrong("the mount has no site: set its GEOGRAPHIC_COORD, or give --site \"LATITUDE LONGITUDE\"".into());
        };
        let place = Place {
            moment: now()?,
            site,
        };
        clear_of_sun(&place, job.wish.target_deg)?;
        // From nowhere: only where it would end.
        let target = job.wish.target_deg;
        allowed(
            &Limits {
                meridian_deg: None,
                ..job.wish.limits
            },
            &place,
            target,
            target,
            0.0,
        )?;
        if view.is_tracking == Some(false) {
            (job.say)("tracking is off: switching it on");
            job.mount.track()?;
        }
    } else if view.is_tracking == Some(false) {
        (job.say)("tracking is off: the field drifts; with --move it is switched on");
    }
    Ok(site)
}

fn slew(
    job: &mut Centring,
    report: &mut Report,
    site: Option<Site>,
    reported: &View,
    from_deg: [f64; 2],
    to_deg: [f64; 2],
    moved_deg: &mut f64,
) -> Result<(), Fault> {
    let site = site.ok_or_else(|| Fault::Device("the mount has no site".into()))?;
    let place = Place {
        moment: now()?,
        site,
    };
    let target = job.wish.target_deg;
    // Where the tube goes, and where the mount takes itself to go.
    allowed(&job.wish.limits, &place, from_deg, target, *moved_deg)?;
    if separation_deg(target, to_deg) > 1.0 {
        allowed(
            &job.wish.limits,
            &place,
            reported.icrs_deg,
            to_deg,
            *moved_deg,
        )
        .map_err(|fault| {
            let hint =
                "by the mount's own idea of where it points; with --sync it is put right first";
            Fault::Refused(format!("{fault} ({hint})"))
        })?;
    }
    report.slews += 1;
    (job.say)(&format!(
        "slew {}: {:.2} degrees",
        report.slews,
        separation_deg(from_deg, target)
    ));
    let (start_deg, budget) = (
        reported.icrs_deg,
        job.wish.limits.most_motion_deg - *moved_deg,
    );
    let mut watch = |view: &View| {
        // The tube is off the mount's idea as it was before.
        let tube = commanded_deg(view.icrs_deg, from_deg, start_deg);
        clear_of_sun(&place, tube)?;
        if separation_deg(start_deg, view.icrs_deg) > budget + 1.0 {
            return Err(Fault::Refused(
                "the mount moves farther than --most-motion allows".into(),
            ));
        }
        Ok(())
    };
    let arrived = job.mount.slew(to_deg, &mut watch);
    *moved_deg += separation_deg(from_deg, target);
    // A refusal in mid-slew must stop the mount as any fault does.
    arrived.map_err(|fault| match fault {
        Fault::Refused(text) => Fault::Device(text),
        other => other,
    })?;
    let begin = Instant::now();
    while begin.elapsed() < job.wish.settle {
        job.stop.check()?;
        std::thread::sleep(ATTENTION.min(job.wish.settle));
    }
    Ok(())
}

/// Exposes and solves.
fn look(job: &mut Centring, report: &mut Report) -> Result<Look, Fault> {
    job.stop.check()?;
    let reported = job.mount.view()?;
    let frame = job.frames.next()?;
    let begin = Instant::now();
    let near_deg = if report.slews > 0 {
        job.wish.target_deg
    } else {
        reported.icrs_deg
    };
    let (found_deg, field_deg) = solved(job, frame, near_deg)?;
    report.longest_thought_s = report.longest_thought_s.max(begin.elapsed().as_secs_f64());
    let error = pointing_error(job.wish.target_deg, found_deg);
    let off_arcmin = error.separation_deg * 60.0;
    report.found_deg = Some(found_deg);
    report.off_arcmin = Some(off_arcmin);
    let narrow_deg = field_deg[0].min(field_deg[1]);
    (job.say)(&format!(
        "frame solved: {} {}, {:.2} arcmin from the target (mount believed {:.2} degrees elsewhere)",
        crate::angle::format_ra(found_deg[0]),
        crate::angle::format_dec(found_deg[1]),
        off_arcmin,
        separation_deg(reported.icrs_deg, found_deg)
    ));
    Ok(Look {
        found_deg,
        reported,
        tolerance_arcmin: job
            .wish
            .within_arcmin
            .unwrap_or(narrow_deg * 60.0 * CENTRED_SHARE),
        off_arcmin,
    })
}

/// Solves on a thread of its own, so that a request to end is heeded meanwhile.
fn solved(job: &Centring, frame: Frame, near_deg: [f64; 2]) -> Result<([f64; 2], [f64; 2]), Fault> {
    let (sky, mut known) = (Arc::clone(&job.sky), job.wish.known.clone());
    known.at = Some(At {
        position_deg: near_deg,
        name: None,
    });
    known.equinox = Some(Equinox::J2000);
    let (sender, receiver) = mpsc::channel();
    std::thread::spawn(move || {
        let asked = Asked {
            file: "frame",
            known: &known,
            begin: Instant::now(),
        };
        let solution = answer(&frame, &sky, &asked).map(|answer| answer.outcome.solution);
        // Nobody waits any more: the run was ended.
        let _ = sender.send(solution);
    });
    loop {
        job.stop.check()?;
        match receiver.recv_timeout(ATTENTION) {
            Ok(Ok(Some(s))) => return Ok(([s.centre_ra_deg, s.centre_dec_deg], s.field_deg)),
            Ok(Ok(None)) => {
                return Err(Fault::NotCentred(
                    "the frame has no solution: nothing moves on. Look at the frame (clouds, cap, focus)".into(),
                ));
            }
            Ok(Err(damaged)) => return Err(Fault::Device(damaged.to_string())),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => {
                return Err(Fault::Device(
                    "a fault of nightfix itself while solving".into(),
                ));
            }
        }
    }
}
