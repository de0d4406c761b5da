//! What a night says of a camera's motion beside the causes of its drift.

use super::motion::{Finding, Standing};
use super::text::{self, number};
use crate::track::{Motion, Periodic, Run, Track, Unrest};

/// What refraction moved, where that is known.
pub fn refraction(motion: &Motion) -> Finding {
    let (standing, says) = match motion.refraction {
        Some([ra, dec]) => (
            Standing::Seen,
            format!(
                "Computed from the site and taken off: {}″ per minute in RA, {}″ in Dec.",
                text::signed(ra, 2),
                text::signed(dec, 2)
            ),
        ),
        None => (
            Standing::CannotTell,
            "It takes the latitude and longitude of the site, which no header states.".into(),
        ),
    };
    Finding {
        name: "Refraction",
        standing,
        says,
    }
}

fn runs_of<'a>(motion: &'a Motion, track: &'a Track) -> impl Iterator<Item = &'a Run> {
    track.runs.iter().filter(|run| run.camera == motion.camera)
}

/// Periodic error: the clearest statement of all runs.
pub fn periodic(motion: &Motion, track: &Track) -> Option<Finding> {
    let rank = |p: &Periodic| match p {
        Periodic::Found { .. } => 0,
        Periodic::NotSeen { .. } => 1,
        Periodic::TooRare { .. } => 2,
        Periodic::TooFew => 3,
    };
    let best = runs_of(motion, track)
        .map(|r| r.periodic)
        .min_by_key(rank)?;
    let (standing, says) = match best {
        Periodic::Found {
            period_min,
            amplitude_arcsec,
            alias_min,
            ..
        } => (
            Standing::Seen,
            format!(
                "RA swings by ±{}″ with a period of {} min{}.",
                number(amplitude_arcsec, 1),
                number(period_min, 2),
                alias_min.map_or_else(String::new, |alias| format!(
                    ", or of {} min, which frames this far apart cannot tell from it",
                    number(alias, 2)
                ))
            ),
        ),
        Periodic::NotSeen {
            between_min: [low, high],
            limit_arcsec,
        } => (
            Standing::NotSeen,
            format!(
                "Between {} and {} min, a swing beyond ±{}″ would have shown.",
                number(low, 1),
                number(high, 0),
                number(limit_arcsec.max(0.1), 1)
            ),
        ),
        Periodic::TooRare { every_min } => (
            Standing::CannotTell,
            format!(
                "A worm turns in some minutes, and there is a frame every {} min only.",
                number(every_min, 1)
            ),
        ),
        Periodic::TooFew => (
            Standing::CannotTell,
            "Too few frames, or too little time between them.".into(),
        ),
    };
    Some(Finding {
        name: "Periodic error",
        standing,
        says,
    })
}

/// Whether the field jumps from frame to frame, by the run in which it does most.
pub fn unrest(motion: &Motion, track: &Track) -> Finding {
    let largest = runs_of(motion, track)
        .filter_map(|run| run.unrest)
        .max_by(|a, b| {
            let key = |u: &Unrest| (u.stands_out, u.arcsec);
            let (a, b) = (key(a), key(b));
            a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
        });
    let (standing, says) = match largest {
        Some(u) if u.stands_out => (
            Standing::Seen,
            format!(
                "The field jumps by {}″ ({} pixels) from frame to frame: dither, or a mount that \
                 settles anew each time.",
                number(u.arcsec, 1),
                number(u.px, 1)
            ),
        ),
        Some(u) => (
            Standing::NotSeen,
            format!(
                "From frame to frame the field stays within {}″.",
                number(u.arcsec, 1)
            ),
        ),
        None => (Standing::CannotTell, "Too few frames.".into()),
    };
    Finding {
        name: "Dither and jumps",
        standing,
        says,
    }
}
