//! The loop.

use super::judge::{commanded_deg, confusion, is_stuck, why_no_sync};
use super::limits::{Limits, Place, allowed, clear_of_sun};
use super::{Fault, Frames, Mount, Side, Stop, View, now};
use crate::answer::{Asked, At, Known, answer};
use crate::frame::{Frame, ScaleClue, Site};
use crate::mount::{Equinox, pointing_error, separation_deg};
use crate::sky::Sky;
use crate::sphere::arcsec_per_px;
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

/// What was done.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Report {
    /// Slews that were made.
    pub slews: u32,
    /// Frames that were solved, the latest last.
    pub tries: Vec<Tried>,
}

/// One solved frame, and what the mount said when it was exposed.
#[derive(Debug, Clone, PartialEq)]
pub struct Tried {
    /// The frame's centre, ICRS degrees.
    pub found_deg: [f64; 2],
    /// How far that is from the target, arcmin.
    pub off_arcmin: f64,
    /// Within this it counts as centred.
    pub within_arcmin: f64,
    /// Where the mount took itself to point, ICRS degrees.
    pub reported_deg: [f64; 2],
    /// The side of the pier that it reported.
    pub side: Option<Side>,
    /// The mount was synced to it.
    pub synced: bool,
    /// From the frame's arrival to the command for the next slew, or to the end, seconds: solving,
    /// syncing and what the limits take.
    pub thought_s: f64,
}

/// How it ended, and why where the target is not in the middle.
#[derive(Debug)]
pub struct End {
    /// Figures.
    pub report: Report,
    /// `Ok`: centred.
    pub outcome: Result<(), Fault>,
    /// Motion was aborted.
    pub aborted: bool,
    /// A mount that could not be seen to stop then.
    pub not_stopped: Option<Fault>,
}

impl End {
    /// Whether the mount was seen to stand after motion was aborted; `None`: it was not aborted.
    pub fn stopped(&self) -> Option<bool> {
        self.aborted.then_some(self.not_stopped.is_none())
    }
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
    /// What the mount says, before the exposure or since a sync.
    reported: View,
    off_arcmin: f64,
    within_arcmin: f64,
    /// When the frame came.
    begin: Instant,
}

/// The next slew: the tube from `from_deg` to the target, the mount from what it reports to `to_deg`.
struct Way<'a> {
    reported: &'a View,
    from_deg: [f64; 2],
    to_deg: [f64; 2],
}

/// What holds for a whole run.
struct Course {
    site: Option<Site>,
    /// All slews so far together.
    moved_deg: f64,
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
        aborted: must_stop,
        not_stopped,
    }
}

fn attempt(job: &mut Centring, report: &mut Report) -> Result<(), Fault> {
    let mut course = Course {
        site: ready(job)?,
        moved_deg: 0.0,
    };
    if job.wish.slew_first && job.wish.may_move {
        let view = job.mount.view()?;
        let way = Way {
            reported: &view,
            from_deg: view.icrs_deg,
            to_deg: job.wish.target_deg,
        };
        slew(job, report, &mut course, &way, None)?;
    }
    loop {
        let look = look(job, report)?;
        let errors: Vec<f64> = report.tries.iter().map(|tried| tried.off_arcmin).collect();
        if look.off_arcmin <= look.within_arcmin {
            (job.say)(&format!(
                "centred: {:.2} arcmin off, within {:.2}; slews: {}",
                look.off_arcmin, look.within_arcmin, report.slews
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
        step(job, report, &mut course, look)?;
    }
}

/// Sync and slew, or what they would be.
fn step(
    job: &mut Centring,
    report: &mut Report,
    course: &mut Course,
    mut look: Look,
) -> Result<(), Fault> {
    job.stop.check()?;
    if let Some(what) = confusion(look.reported.numbers_deg, look.found_deg, &now()?) {
        (job.say)(what);
    }
    if job.wish.may_sync && look.reported.can_sync {
        if job.mount.sync(look.found_deg)? {
            (job.say)("synced to the frame's centre");
            look.reported = job.mount.view()?;
            if let Some(tried) = report.tries.last_mut() {
                tried.synced = true;
            }
        } else {
            let sides: Vec<Option<Side>> = report.tries.iter().map(|tried| tried.side).collect();
            (job.say)(&format!(
                "{}; going on by offsets",
                why_no_sync(look.found_deg, &sides)
            ));
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
            separation_deg(look.found_deg, target)
        ));
        return Err(Fault::NotCentred("nothing was moved".into()));
    }
    let way = Way {
        reported: &look.reported,
        from_deg: look.found_deg,
        to_deg: to,
    };
    slew(job, report, course, &way, Some(look.begin))
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

/// Whether the limits allow a slew; the place that they were asked for.
fn permitted(job: &Centring, course: &Course, way: &Way) -> Result<Place, Fault> {
    let site = course.site;
    let site = site.ok_or_else(|| Fault::Device("the mount has no site".into()))?;
    let place = Place {
        moment: now()?,
        site,
    };
    let target = job.wish.target_deg;
    let may = |from, to| allowed(&job.wish.limits, &place, from, to, course.moved_deg);
    // Where the tube goes, and where the mount takes itself to go.
    may(way.from_deg, target)?;
    if separation_deg(target, way.to_deg) > 1.0 {
        may(way.reported.icrs_deg, way.to_deg).map_err(|fault| {
            let hint =
                "by the mount's own idea of where it points; with --sync it is put right first";
            Fault::Refused(format!("{fault} ({hint})"))
        })?;
    }
    Ok(place)
}

/// Slews to the target; `begin` is when the frame came that asked for it.
fn slew(
    job: &mut Centring,
    report: &mut Report,
    course: &mut Course,
    way: &Way,
    begin: Option<Instant>,
) -> Result<(), Fault> {
    let place = permitted(job, course, way)?;
    let length_deg = separation_deg(way.from_deg, job.wish.target_deg);
    report.slews += 1;
    (job.say)(&format!("slew {}: {length_deg:.2} degrees", report.slews));
    if let (Some(begin), Some(tried)) = (begin, report.tries.last_mut()) {
        tried.thought_s = begin.elapsed().as_secs_f64();
    }
    let (start_deg, start_side) = (way.reported.icrs_deg, way.reported.side);
    let budget_deg = job.wish.limits.most_motion_deg - course.moved_deg;
    let mut side = start_side;
    let mut watch = |view: &View| {
        side = view.side.or(side);
        // The tube is off the mount's idea as it was before.
        let tube = commanded_deg(view.icrs_deg, way.from_deg, start_deg);
        clear_of_sun(&place, tube)?;
        if separation_deg(start_deg, view.icrs_deg) > budget_deg + 1.0 {
            return Err(Fault::Refused(
                "the mount moves farther than --most-motion allows".into(),
            ));
        }
        Ok(())
    };
    let arrived = job.mount.slew(way.to_deg, &mut watch);
    course.moved_deg += length_deg;
    // A refusal in mid-slew must stop the mount as any fault does.
    arrived.map_err(|fault| match fault {
        Fault::Refused(text) => Fault::Device(text),
        other => other,
    })?;
    if side != start_side && start_side.is_some() {
        (job.say)(
            "the mount turned over: what it was synced to on the other side may not hold here",
        );
    }
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
    let mut frame = job.frames.next()?;
    let begin = Instant::now();
    let optics = job.frames.optics()?;
    let focal_mm = reported.focal_mm.or(optics.focal_mm);
    if let (Some(pixel_um), Some(focal_mm)) = (optics.pixel_um, focal_mm) {
        frame.clues.scales.push(ScaleClue {
            arcsec_per_px: arcsec_per_px(pixel_um, focal_mm),
            source: "the camera's pixel size and binning and the telescope's focal length".into(),
        });
    }
    let near_deg = if report.slews > 0 {
        job.wish.target_deg
    } else {
        reported.icrs_deg
    };
    let (found_deg, field_deg) = solved(job, frame, near_deg)?;
    let error = pointing_error(job.wish.target_deg, found_deg);
    let off_arcmin = error.separation_deg * 60.0;
    let narrow_deg = field_deg[0].min(field_deg[1]);
    let within_arcmin = (job.wish.within_arcmin).unwrap_or(narrow_deg * 60.0 * CENTRED_SHARE);
    report.tries.push(Tried {
        found_deg,
        off_arcmin,
        within_arcmin,
        reported_deg: reported.icrs_deg,
        side: reported.side,
        synced: false,
        thought_s: begin.elapsed().as_secs_f64(),
    });
    (job.say)(&format!(
        "frame solved: {} {}, {off_arcmin:.2} arcmin from the target (mount believed {:.2} degrees elsewhere)",
        crate::angle::format_ra(found_deg[0]),
        crate::angle::format_dec(found_deg[1]),
        separation_deg(reported.icrs_deg, found_deg)
    ));
    Ok(Look {
        found_deg,
        reported,
        off_arcmin,
        within_arcmin,
        begin,
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
