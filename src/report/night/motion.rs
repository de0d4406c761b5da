//! What the mount did, in words: findings, causes, and what to do about them.

use super::steady::{periodic, refraction, unrest};
use super::text::{self, number, size};
use crate::track::{Beginning, Cause, Judged, Lack, Motion, Run, Track, Verdict};

/// A cause, or anything else that was looked for, and how it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What was looked for.
    pub name: &'static str,
    /// How sure the night is of it: a word.
    pub standing: Standing,
    /// One or two sentences.
    pub says: String,
}

/// How a finding stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It is there.
    Seen,
    /// It would have been seen.
    NotSeen,
    /// The night cannot tell.
    CannotTell,
}

impl Standing {
    /// The word on the page.
    pub fn word(self) -> &'static str {
        match self {
            Standing::Seen => "seen",
            Standing::NotSeen => "not seen",
            Standing::CannotTell => "cannot tell",
        }
    }
}

/// Arcsec per minute: drifts below spoil no exposure of some minutes. Common practice.
const STEADY_ARCSEC_PER_MIN: f64 = 0.2;

/// One sentence on how a run drifted.
pub fn drift_sentence(run: &Run) -> Option<String> {
    let drift = run.drift?;
    let (ra, dec) = (drift.ra_arcsec_per_min, drift.dec_arcsec_per_min);
    let total = ra.value.hypot(dec.value);
    let error = ra.error.hypot(dec.error);
    if total < STEADY_ARCSEC_PER_MIN || (error.is_finite() && total < 2.0 * error) {
        return Some(format!(
            "The field stayed where it was, within {}″ per minute.",
            number(total.max(2.0 * error.max(0.0)).max(0.01), 2)
        ));
    }
    let towards = text::towards(ra.value, dec.value);
    let bend = if drift.bend_arcsec > 0.2 * total * minutes(run) {
        " The drift was not steady."
    } else {
        ""
    };
    Some(format!(
        "The field drifted {}″ per minute {towards} ({} pixels per minute).{bend}",
        number(total, text::decimals_for(total, error)),
        number(
            drift.px_per_min,
            text::decimals_for(drift.px_per_min, f64::NAN)
        ),
    ))
}

/// Minutes from the first frame to the last.
pub fn minutes(run: &Run) -> f64 {
    (run.span_jd[1] - run.span_jd[0]) * 1440.0
}

/// Why a run began, in words; `None` for the first.
pub fn beginning(begins: Beginning) -> Option<String> {
    Some(match begins {
        Beginning::First => return None,
        Beginning::Flip => "pier flip: the camera lies the other way round".into(),
        Beginning::NewTarget { moved_deg } => {
            format!("new field, {} away", text::angle(60.0 * moved_deg))
        }
        Beginning::Recentred { moved_arcmin } => {
            format!("field moved by {}", text::angle(moved_arcmin))
        }
        Beginning::CameraTurned { by_deg } => format!("camera turned by {}°", number(by_deg, 1)),
        Beginning::OpticsChanged => "another scale or handedness: the optics changed".into(),
    })
}

/// What a night says of one camera's motion.
pub fn findings(motion: &Motion, track: &Track) -> Vec<Finding> {
    let mut all: Vec<Finding> = motion
        .causes
        .iter()
        .map(|judged| cause(judged, motion))
        .collect();
    all.push(refraction(motion));
    all.extend(periodic(motion, track));
    all.push(unrest(motion, track));
    all
}

fn cause(judged: &Judged, motion: &Motion) -> Finding {
    let name = name_of(judged.cause);
    let (standing, says) = match &judged.verdict {
        Verdict::Found => (Standing::Seen, found(judged, motion)),
        Verdict::Vague => (
            Standing::Seen,
            format!(
                "It takes part, but how much depends on what else does{}.",
                range(judged)
            ),
        ),
        Verdict::NotSeen { limit } => (
            Standing::NotSeen,
            format!(
                "Beyond {} it would have shown.",
                amount(judged.cause, *limit)
            ),
        ),
        Verdict::Open { instead } => (Standing::CannotTell, open(judged, instead)),
        Verdict::Unfit(Lack::Frames) => (
            Standing::CannotTell,
            "Too few frames, or too little time between them.".into(),
        ),
        Verdict::Unfit(Lack::Site) => (
            Standing::CannotTell,
            "It takes the latitude and longitude of the site, which no header states.".into(),
        ),
    };
    Finding {
        name,
        standing,
        says,
    }
}

fn name_of(cause: Cause) -> &'static str {
    match cause {
        Cause::Axis => "Polar axis",
        Cause::Rate => "Tracking rate",
        Cause::Creep => "Creep in declination",
        Cause::Sag => "Flexure of the tube",
    }
}

fn amount(cause: Cause, value: f64) -> String {
    let decimals = text::decimals_for(value, f64::NAN).min(2);
    let value = number(value, decimals);
    match cause {
        Cause::Axis => format!("{value}′"),
        Cause::Rate | Cause::Creep => format!("{value}″ per minute"),
        Cause::Sag => format!("{value}″ at the horizon"),
    }
}

fn range(judged: &Judged) -> String {
    judged.range.map_or_else(String::new, |ends| {
        let [low, high] = ends.map(|end| amount(judged.cause, end));
        if low == high {
            format!(": about {low}")
        } else {
            format!(": between {low} and {high}")
        }
    })
}

fn open(judged: &Judged, instead: &[Cause]) -> String {
    let others: Vec<String> = instead.iter().map(|c| name_of(*c).to_lowercase()).collect();
    if others.is_empty() {
        return format!(
            "The motion fits as well with it as without it{}.",
            range(judged)
        );
    }
    format!(
        "The motion fits as well with {} in its place{}. Frames from another part of the sky would \
         tell them apart.",
        others.join(" or "),
        range(judged)
    )
}

fn found(judged: &Judged, motion: &Motion) -> String {
    let Some(found) = judged.size else {
        return "It is part of every explanation.".into();
    };
    match judged.cause {
        Cause::Axis => axis(motion).unwrap_or_else(|| format!("{}′ off.", size(found))),
        Cause::Rate => format!(
            "The hour axis turns {}″ per minute too {}.",
            size(found),
            if found.value > 0.0 { "fast" } else { "slow" }
        ),
        Cause::Creep => format!(
            "A steady {}″ per minute towards {}.",
            size(found),
            if found.value > 0.0 { "north" } else { "south" }
        ),
        Cause::Sag => format!("{}″ at the horizon.", size(found)),
    }
}

fn axis(motion: &Motion) -> Option<String> {
    let axis = motion.axis?;
    let mut says = format!("It points {}′ from the pole", size(axis.distance));
    if let (Some(altitude), Some(east)) = (axis.altitude, axis.east) {
        says += &format!(
            ": {}′ too {}, and {}′ too far {} on the sky",
            size(altitude),
            if altitude.value > 0.0 { "high" } else { "low" },
            size(east),
            if east.value > 0.0 { "east" } else { "west" },
        );
    }
    Some(says + ".")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::night::advice::advice;
    use crate::track::{AxisError, Estimate};

    fn motion(verdict: Verdict) -> Motion {
        let e = |value| Estimate { value, error: 0.5 };
        Motion {
            camera: "Main".into(),
            frames: 24,
            minutes: 400.0,
            hour_angles_h: None,
            causes: vec![Judged {
                cause: Cause::Axis,
                verdict,
                size: Some(e(20.0)),
                range: None,
                drift: None,
            }],
            axis: Some(AxisError {
                distance: e(20.0),
                altitude: Some(e(12.0)),
                east: Some(e(-16.0)),
                azimuth: Some(e(-21.0)),
            }),
            refraction: None,
            pole_lifted_arcmin: None,
            remainder: None,
            residuals: Vec::new(),
        }
    }

    #[test]
    fn an_axis_too_high_is_lowered_and_one_too_far_west_turned_east() {
        let motion = motion(Verdict::Found);
        let advice = advice(&motion);
        assert_eq!(advice.len(), 1);
        assert!(advice[0].contains("lower the axis by 12.0"), "{advice:?}");
        assert!(advice[0].contains("towards east"), "{advice:?}");
        let finding = cause(&motion.causes[0], &motion);
        assert_eq!(finding.standing, Standing::Seen);
        assert!(finding.says.contains("too high") && finding.says.contains("too far west"));
    }

    #[test]
    fn what_the_night_cannot_tell_gives_no_advice() {
        let motion = motion(Verdict::Open {
            instead: vec![Cause::Rate],
        });
        assert!(advice(&motion).is_empty());
        let finding = cause(&motion.causes[0], &motion);
        assert_eq!(finding.standing, Standing::CannotTell);
        assert!(finding.says.contains("tracking rate"));
    }
}
