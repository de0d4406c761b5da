//! `nightfix centre`: from lost to centred.

mod args;

pub use args::CentreArgs;

use super::known::EquinoxOption;
use super::output::print_text;
use super::{Status, complain, index, stop};
use crate::answer::Known;
use crate::centre::limits::Limits;
use crate::centre::{
    Centring, End, Fault, FolderFrames, Frames, IndiCamera, IndiMount, Journal, Stop, Wish, now,
    run as centre,
};
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
    let stop = Stop(stop::flag());
    complain(&format!(
        "the target is understood as {}",
        args.target.understood
    ));
    let end = devices(args, &journal, &stop).and_then(|(mut mount, mut frames)| {
        let mut say = |line: &str| {
            // The run matters more than its lines.
            let _ = print_text(&format!("{line}\n"));
        };
        Ok(centre(Centring {
            mount: &mut mount,
            frames: frames.as_mut(),
            sky,
            wish: wish(args)?,
            stop: stop.clone(),
            say: &mut say,
        }))
    });
    match end {
        Ok(end) => tell(&end),
        Err(fault) => {
            complain(&fault.to_string());
            status(&fault)
        }
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

fn tell(end: &End) -> Status {
    let gravest = end.not_stopped.as_ref();
    match (&end.outcome, gravest) {
        (Ok(()), _) => Status::Solved,
        (Err(fault), None) => {
            complain(&fault.to_string());
            status(fault)
        }
        (Err(fault), Some(not_stopped)) => {
            complain(&fault.to_string());
            complain(&not_stopped.to_string());
            Status::DeviceFault
        }
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
