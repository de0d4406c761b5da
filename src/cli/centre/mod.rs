//! `nightfix centre`: from lost to centred.

mod args;

pub use args::{CentreArgs, StandByArgs};

use super::known::EquinoxOption;
use super::output::print_text;
use super::{Status, complain, index, stop};
use crate::answer::Known;
use crate::centre::limits::Limits;
use crate::centre::{
    CentreRecord, Centring, End, Fault, FolderFrames, Frames, Guarded, Guardian, IndiCamera,
    IndiMount, Journal, Stop, Wish, guardian, now, run as centre,
};
use crate::sky::Sky;
use std::fs::OpenOptions;
use std::path::Path;
use std::sync::Arc;

/// Centres, and says what came of it.
pub fn run(args: &CentreArgs) -> Status {
    let sky = match index::open(&args.index) {
        Ok(sky) => Arc::new(sky),
        Err(refusal) => {
            complain(&refusal.to_string());
            return Status::IndexNotUsable;
        }
    };
    let journal = match command_log(&args.log) {
        Ok(journal) => journal,
        Err((refusal, status)) => {
            complain(&refusal);
            return status;
        }
    };
    complain(&format!(
        "the target is understood as {}",
        args.target.understood
    ));
    let (target_deg, end) = match wish(args) {
        Ok(wish) => (wish.target_deg, attempt(args, sky, &journal, wish)),
        Err(fault) => ([args.target.ra_deg, args.target.dec_deg], Err(fault)),
    };
    let status = tell(&end);
    if args.json {
        let record = CentreRecord::new(target_deg, &end);
        say(&record.to_json_line().unwrap_or_default());
    }
    status
}

/// A line on standard output. The run matters more than its lines.
fn say(line: &str) {
    let _ = print_text(&format!("{line}\n"));
}

fn attempt(args: &CentreArgs, sky: Arc<Sky>, journal: &Journal, wish: Wish) -> Result<End, Fault> {
    let stop = Stop(stop::flag());
    let (mount, mut frames) = devices(args, journal, &stop)?;
    let mut step = |line: &str| if args.json { complain(line) } else { say(line) };
    let guardian = args
        .may_move
        .then(|| Guardian::start(&args.mount, &args.log));
    let guardian = guardian.transpose().unwrap_or_else(|refusal| {
        step(&format!(
            "no second process could be started to stop the mount where this one is killed: {refusal}"
        ));
        None
    });
    let mut mount = Guarded { mount, guardian };
    let end = centre(Centring {
        mount: &mut mount,
        frames: frames.as_mut(),
        sky,
        wish,
        stop,
        say: &mut step,
    });
    // A mount that was not seen to stop is left to the second process, which goes on trying.
    if let Some(guardian) = mount.guardian.filter(|_| end.not_stopped.is_none()) {
        guardian.dismiss();
    }
    Ok(end)
}

/// Waits for the end of standard input, and stops the mount where that comes without a word.
pub fn stand_by(args: &StandByArgs) -> Status {
    // It ends with the first process, not by a signal that is meant for that one.
    let _ = stop::flag();
    let journal = match command_log(&args.log) {
        Ok(journal) => journal,
        Err((_, status)) => return status,
    };
    let open = || IndiMount::open(&args.mount, journal.clone(), Stop::default());
    match guardian::stand_by(std::io::stdin(), std::io::stdout(), open) {
        true => Status::Solved,
        false => Status::DeviceFault,
    }
}

/// The file that takes every command that is sent.
pub(super) fn command_log(path: &Path) -> Result<Journal, (String, Status)> {
    let file = OpenOptions::new().create(true).append(true).open(path);
    file.map(Journal::new).map_err(|refusal| {
        let what = format!(
            "{}: the log of commands cannot be written ({refusal}): name another by --log",
            path.display()
        );
        (what, Status::OutputNotWritable)
    })
}

fn devices(
    args: &CentreArgs,
    journal: &Journal,
    stop: &Stop,
) -> Result<(IndiMount, Box<dyn Frames>), Fault> {
    let mount = IndiMount::open(&args.mount, journal.clone(), stop.clone())?;
    let frames: Box<dyn Frames> = match (&args.camera, &args.frames) {
        (Some(camera), _) => Box::new(IndiCamera::open(
            camera,
            args.exposure,
            journal.clone(),
            stop.clone(),
        )?),
        (None, Some(folder)) => Box::new(FolderFrames::new(
            folder.clone(),
            args.patience,
            stop.clone(),
        )?),
        (None, None) => {
            return Err(Fault::Device(
                "neither --camera nor --frames was given".into(),
            ));
        }
    };
    Ok((mount, frames))
}

fn wish(args: &CentreArgs) -> Result<Wish, Fault> {
    let numbers = [args.target.ra_deg, args.target.dec_deg];
    let of_date = args.target.name.is_none() && args.equinox == EquinoxOption::Date;
    Ok(Wish {
        target_deg: if of_date {
            now()?.date_to_icrs(numbers[0], numbers[1])
        } else {
            numbers
        },
        within_arcmin: args.within_arcmin,
        tries: args.tries,
        may_move: args.may_move,
        may_sync: args.sync,
        slew_first: args.slew_first,
        settle: args.settle,
        limits: Limits {
            min_altitude_deg: args.min_altitude,
            meridian_deg: args.meridian_limit,
            most_motion_deg: args.most_motion,
        },
        site: args.site,
        known: Known {
            scale_arcsec_per_px: args.scale,
            time_limit: Some(args.time_limit),
            ..Known::default()
        },
    })
}

fn tell(end: &Result<End, Fault>) -> Status {
    let (outcome, not_stopped) = match end {
        Ok(end) => (end.outcome.as_ref().err(), end.not_stopped.as_ref()),
        Err(fault) => (Some(fault), None),
    };
    for fault in outcome.into_iter().chain(not_stopped) {
        complain(&fault.to_string());
    }
    match (outcome, not_stopped) {
        (None, _) => Status::Solved,
        (Some(fault), None) => status(fault),
        (Some(_), Some(_)) => Status::DeviceFault,
    }
}

fn status(fault: &Fault) -> Status {
    match fault {
        Fault::Device(_) => Status::DeviceFault,
        Fault::Refused(_) => Status::MotionRefused,
        Fault::NotCentred(_) => Status::Unsolved,
        Fault::Interrupted => Status::Interrupted,
    }
}
