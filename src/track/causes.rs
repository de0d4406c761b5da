//! Which causes explain how a camera drifted, and which of them the night cannot tell apart.
//!
//! Every set of causes is fitted. The Bayesian information criterion says which sets are still in
//! the race; a cause is found where all of those contain it and agree on its size, not seen where
//! none does, and open otherwise.

use super::attitude::Attitude;
use super::fit::{Cause, EARTH_RAD_PER_MIN, Fit, Look, Sample, criterion, fit};
use crate::frame::Site;
use crate::robust::{line, median};
use crate::sphere::ARCSEC_PER_RAD;
use nalgebra::{Rotation3, Vector3};

/// Difference of the criterion beyond which a set of causes is out: "very strong" evidence
/// (Kass & Raftery 1995).
const OUT: f64 = 10.0;
/// Relative error below which a number is worth telling.
const TELLING: f64 = 0.34;
/// A remainder this many times the unrest from frame to frame is a motion of its own.
const SMOOTH: f64 = 1.7;
/// Fewer frames than this say nothing of causes.
const LEAST_FRAMES: usize = 6;

/// A number and its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The number.
    pub value: f64,
    /// Its standard error.
    pub error: f64,
}

/// What the night says of a cause.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// It is there, and this large.
    Found,
    /// It is in every explanation, but how large it is depends on what else is.
    Vague,
    /// The motion is explained without it; beyond this size it would have been seen (95 %).
    NotSeen {
        /// In the unit of the cause.
        limit: f64,
    },
    /// Sets with it and without it, or with sizes that differ, fit equally well.
    Open {
        /// Other causes that would do in its place.
        instead: Vec<Cause>,
    },
    /// The fit needs something that the night lacks.
    Unfit(Lack),
}

/// What is missing for a judgement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lack {
    /// Frames, or time between them.
    Frames,
    /// The site.
    Site,
}

/// One cause, judged. Units: arcmin for the axis, arcsec per minute for rate and creep, arcsec
/// at the horizon for the sag.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Which.
    pub cause: Cause,
    /// How it stands.
    pub verdict: Verdict,
    /// Size in the likeliest set that contains it.
    pub size: Option<Estimate>,
    /// Smallest and largest size among the sets in the race.
    pub range: Option<[f64; 2]>,
    /// Drift in RA (times cos Dec) and Dec that it causes in the longest run, arcsec per minute.
    pub drift: Option<[f64; 2]>,
}

/// Where the hour axis points, seen from the celestial pole above the horizon; arcmin on the sky.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisError {
    /// Distance from the pole.
    pub distance: Estimate,
    /// Too high (negative: too low), where the site is known.
    pub altitude: Option<Estimate>,
    /// Too far east (negative: west), on the sky, where the site is known.
    pub east: Option<Estimate>,
    /// The same as the angle that the azimuth screws turn: `east` over the cosine of the latitude.
    pub azimuth: Option<Estimate>,
}

/// What is left when the likeliest causes are taken off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Remainder {
    /// Root mean square per axis of the centre, arcsec.
    pub centre_arcsec: f64,
    /// Root mean square of the turn, arcmin.
    pub turn_arcmin: f64,
    /// Part of `centre_arcsec` that changes from frame to frame: seeing, wind, dither.
    pub unrest_arcsec: f64,
    /// What the solver states for the centre, arcsec per axis.
    pub stated_arcsec: f64,
    /// It changes slowly: a motion of its own.
    pub smooth: bool,
    /// Distance of the axis from the pole by the centres alone and by the turns alone, arcmin:
    /// where a smooth remainder shows that no single axis explains both.
    pub axis_by_part: Option<[f64; 2]>,
}

/// How one camera moved, all its runs together.
#[derive(Debug, Clone, PartialEq)]
pub struct Motion {
    /// Camera key.
    pub camera: String,
    /// Frames in it.
    pub frames: usize,
    /// Minutes covered by its runs together.
    pub minutes: f64,
    /// Hour angles covered, hours, where the site is known.
    pub hour_angles_h: Option<[f64; 2]>,
    /// The causes, in the order of [`Cause::ALL`].
    pub causes: Vec<Judged>,
    /// The axis in the likeliest set that has it.
    pub axis: Option<AxisError>,
    /// Drift by refraction in the longest run, RA (times cos Dec) and Dec, arcsec per minute: it
    /// is computed from the site, not fitted, and taken off before the fit. `None`: no site.
    pub refraction: Option<[f64; 2]>,
    /// How far the air lifts the pole, arcmin; `None`: no site.
    pub pole_lifted_arcmin: Option<f64>,
    /// What is left; `None` where nothing could be fitted.
    pub remainder: Option<Remainder>,
    /// East, north (arcsec) and turn (arcmin, north through east), seen minus fitted, by row.
    pub residuals: Vec<(usize, [f64; 3])>,
}

/// Judges the causes for one camera. `runs` holds the orientations of each run in order of time.
pub fn judge(camera: &str, runs: &[Vec<Attitude>], site: Option<Site>) -> Motion {
    let runs: Vec<&Vec<Attitude>> = runs.iter().filter(|r| r.len() >= 2).collect();
    let samples = samples_of(&runs);
    let longest = runs
        .iter()
        .enumerate()
        .max_by(|a, b| length(a.1).total_cmp(&length(b.1)))
        .map_or(0, |(i, _)| i);
    let mut motion = Motion {
        camera: camera.to_owned(),
        frames: samples.len(),
        minutes: runs.iter().map(|r| length(r)).sum(),
        hour_angles_h: span(samples.iter().filter_map(|s| s.attitude.hour_angle_h)),
        causes: Vec::new(),
        axis: None,
        refraction: site.and_then(|_| refraction(runs.get(longest)?)),
        pole_lifted_arcmin: site.and_then(pole_lifted_arcmin),
        remainder: None,
        residuals: Vec::new(),
    };
    let enough = samples.len() >= LEAST_FRAMES && motion.minutes > 0.0;
    let fits = if enough {
        race(&samples, runs.len())
    } else {
        Vec::new()
    };
    let Some(best) = fits.first() else {
        motion.causes = Cause::ALL.iter().map(|c| unfit(*c, Lack::Frames)).collect();
        return motion;
    };
    let pole = site.map_or(1.0, |s| s.latitude_deg.signum());
    motion.causes = Cause::ALL
        .iter()
        .map(|&cause| match cause {
            Cause::Sag if site.is_none() => unfit(cause, Lack::Site),
            _ => judge_cause(cause, &fits, &samples, longest),
        })
        .collect();
    motion.axis = fits
        .iter()
        .map(|(f, _)| f)
        .find(|f| f.causes.contains(&Cause::Axis))
        .map(|f| axis_error(f, site, pole));
    let left = remainder(&best.0, &samples, runs.len());
    let longest_min = runs.get(longest).map_or(0.0, |r| length(r));
    for judged in &mut motion.causes {
        doubt(judged, &left, longest_min);
    }
    motion.remainder = Some(left);
    let shown = |r: &[f64; 3]| [r[0], r[1], r[2] / 60.0].map(|radians| radians * ARCSEC_PER_RAD);
    motion.residuals = samples
        .iter()
        .zip(&best.0.residuals)
        .map(|(s, r)| (s.attitude.row, shown(r)))
        .collect();
    motion
}

/// The orientations of all runs, each with its time since the run began.
fn samples_of<'a>(runs: &[&'a Vec<Attitude>]) -> Vec<Sample<'a>> {
    let of_run = |(run, list): (usize, &&'a Vec<Attitude>)| {
        let begin = list[0].minutes;
        list.iter().map(move |attitude| Sample {
            attitude,
            run,
            minutes: attitude.minutes - begin,
        })
    };
    runs.iter().enumerate().flat_map(of_run).collect()
}

/// What the fits, the likeliest first, say of one cause.
fn judge_cause(
    cause: Cause,
    fits: &[(Fit, f64)],
    samples: &[Sample<'_>],
    longest: usize,
) -> Judged {
    let best = fits.first().map_or(f64::NAN, |(_, criterion)| *criterion);
    let in_race: Vec<&Fit> = fits
        .iter()
        .filter(|f| f.1 - best <= OUT)
        .map(|f| &f.0)
        .collect();
    let mut judged = verdict(cause, &in_race, fits);
    judged.drift = fits
        .iter()
        .find(|(f, _)| f.causes.contains(&cause))
        .and_then(|(f, _)| drift_by(f, cause, samples, longest));
    if hides_much(&judged, observed_drift(samples, longest)) {
        judged.verdict = Verdict::Open {
            instead: instead_of(cause, &in_race),
        };
    }
    judged
}

fn length(run: &[Attitude]) -> f64 {
    match run {
        [first, .., last] => last.minutes - first.minutes,
        _ => 0.0,
    }
}

fn span(values: impl Iterator<Item = f64>) -> Option<[f64; 2]> {
    values.fold(None, |span, v| match span {
        None => Some([v, v]),
        Some([low, high]) => Some([v.min(low), v.max(high)]),
    })
}

fn unfit(cause: Cause, lack: Lack) -> Judged {
    Judged {
        cause,
        verdict: Verdict::Unfit(lack),
        size: None,
        range: None,
        drift: None,
    }
}

/// All sets that can be fitted, with their criterion, likeliest first.
fn race(samples: &[Sample<'_>], runs: usize) -> Vec<(Fit, f64)> {
    let sets = (0..1_usize << Cause::ALL.len()).map(|bits| -> Vec<Cause> {
        let has = |k: &usize| bits >> k & 1 == 1;
        (0..Cause::ALL.len())
            .filter(has)
            .map(|k| Cause::ALL[k])
            .collect()
    });
    let fits: Vec<Fit> = sets
        .filter_map(|causes| fit(samples, runs, &causes, Look::Both))
        .collect();
    // One measure for all: the memory of what no cause explains.
    let independent = fits.iter().map(|f| f.independent).fold(0.2, f64::max);
    let mut race: Vec<(Fit, f64)> = fits
        .into_iter()
        .map(|f| {
            let bic = criterion(&f, independent);
            (f, bic)
        })
        .collect();
    race.sort_by(|a, b| a.1.total_cmp(&b.1));
    race
}

fn verdict(cause: Cause, in_race: &[&Fit], fits: &[(Fit, f64)]) -> Judged {
    let size = fits
        .iter()
        .find(|(f, _)| f.causes.contains(&cause))
        .map(|(f, _)| size_of(f, cause));
    let with: Vec<Estimate> = in_race
        .iter()
        .filter(|f| f.causes.contains(&cause))
        .map(|f| size_of(f, cause))
        .collect();
    let range = span(with.iter().map(|e| e.value));
    let verdict = match (size, range) {
        (None, _) => Verdict::Unfit(Lack::Frames),
        (Some(size), None) => Verdict::NotSeen {
            limit: size.value.abs() + 2.0 * size.error,
        },
        // In the race, but of no size in any set: it only rides along.
        (Some(size), Some(_)) if with.iter().all(|e| e.value.abs() <= 3.0 * e.error) => {
            Verdict::NotSeen {
                limit: size.value.abs() + 2.0 * size.error,
            }
        }
        (Some(size), Some([low, high])) => {
            let steady = high - low <= (4.0 * size.error).max(TELLING * size.value.abs());
            let sure = size.error <= TELLING * size.value.abs();
            if with.len() == in_race.len() && steady && sure {
                Verdict::Found
            } else if with.len() == in_race.len()
                && with.iter().all(|e| e.value.abs() > 3.0 * e.error)
            {
                Verdict::Vague
            } else {
                Verdict::Open {
                    instead: instead_of(cause, in_race),
                }
            }
        }
    };
    Judged {
        cause,
        verdict,
        size,
        range,
        drift: None,
    }
}

/// A slow motion that nothing explains may be part of what was taken for a cause: one that moves
/// no more than it is open, an axis that centres and turns see differently is vague.
fn doubt(judged: &mut Judged, left: &Remainder, minutes: f64) {
    if !left.smooth || judged.verdict != Verdict::Found {
        return;
    }
    // Standard deviation of a steady motion over its duration.
    let moved = judged.drift.map_or(0.0, |d| d[0].hypot(d[1])) * minutes / 12.0_f64.sqrt();
    let differ = left
        .axis_by_part
        .zip(judged.size)
        .is_some_and(|([a, b], size)| {
            judged.cause == Cause::Axis && (a - b).abs() > 3.0 * size.error
        });
    if moved < 2.0 * left.centre_arcsec {
        judged.verdict = Verdict::Open {
            instead: Vec::new(),
        };
    } else if differ {
        judged.verdict = Verdict::Vague;
    }
    if let (true, Some([low, high]), Some([a, b])) = (differ, judged.range, left.axis_by_part) {
        judged.range = Some([low.min(a).min(b), high.max(a).max(b)]);
    }
}

/// What cannot be seen may still be a good part of the drift, where its error is large.
fn hides_much(judged: &Judged, observed: Option<[f64; 2]>) -> bool {
    let (Verdict::NotSeen { limit }, Some(size), Some(drift), Some(observed)) =
        (&judged.verdict, judged.size, judged.drift, observed)
    else {
        return false;
    };
    let most = limit / size.value.abs().max(1e-12) * drift[0].hypot(drift[1]);
    most > 0.5 * observed[0].hypot(observed[1])
}

/// Drift of the longest run as the fit sees it: against a mount without a fault, air taken off.
fn observed_drift(samples: &[Sample<'_>], run: usize) -> Option<[f64; 2]> {
    let mine: Vec<&Sample<'_>> = samples.iter().filter(|s| s.run == run).collect();
    let first = mine.first()?.attitude;
    let minutes: Vec<f64> = mine.iter().map(|s| s.minutes).collect();
    let moved: Vec<[f64; 2]> = mine
        .iter()
        .map(|s| {
            let turn =
                Rotation3::from_axis_angle(&Vector3::z_axis(), -EARTH_RAD_PER_MIN * s.minutes);
            moved_arcsec(&s.attitude.seen, &(turn * first.seen), s.attitude)
        })
        .collect();
    slopes(&minutes, &moved)
}

/// East and north of where `a` looks as seen from where `b` looks, arcsec.
fn moved_arcsec(a: &Rotation3<f64>, b: &Rotation3<f64>, at: &Attitude) -> [f64; 2] {
    let turn = (a * b.inverse()).scaled_axis();
    let [east, north, _] = at.basis;
    [
        turn.dot(&north) * ARCSEC_PER_RAD,
        -turn.dot(&east) * ARCSEC_PER_RAD,
    ]
}

/// Causes of the sets in the race that lack `cause`, or, where all have it, those that take some
/// of it.
fn instead_of(cause: Cause, in_race: &[&Fit]) -> Vec<Cause> {
    let without: Vec<&&Fit> = in_race
        .iter()
        .filter(|f| !f.causes.contains(&cause))
        .collect();
    let from = if without.is_empty() {
        in_race.iter().collect()
    } else {
        without
    };
    Cause::ALL
        .into_iter()
        .filter(|c| *c != cause && from.iter().any(|f| f.causes.contains(c)))
        .collect()
}

/// The size of a cause in a fit, in its unit.
fn size_of(fit: &Fit, cause: Cause) -> Estimate {
    let scale = (1.0 / fit.independent.clamp(0.1, 1.0)).sqrt();
    let error = |k: usize| scale * fit.error_of(cause, k).unwrap_or(f64::INFINITY);
    let (value, error) = match cause {
        Cause::Axis => {
            let [x, y] = fit.tilt;
            let value = x.hypot(y);
            let error = if value > 0.0 {
                (x * error(0)).hypot(y * error(1)) / value
            } else {
                error(0).hypot(error(1))
            };
            (value / 60.0, error / 60.0)
        }
        Cause::Rate => (fit.rate, error(0)),
        Cause::Creep => (fit.creep, error(0)),
        Cause::Sag => (fit.sag, error(0)),
    };
    Estimate {
        value: value * ARCSEC_PER_RAD,
        error: error * ARCSEC_PER_RAD,
    }
}

fn axis_error(fit: &Fit, site: Option<Site>, pole: f64) -> AxisError {
    let arcmin = ARCSEC_PER_RAD / 60.0;
    let scale = arcmin * (1.0 / fit.independent.clamp(0.1, 1.0)).sqrt();
    let error = |k: usize| scale * fit.error_of(Cause::Axis, k).unwrap_or(f64::INFINITY);
    // The axis is the rotated third axis: first component to the equator on the meridian, which
    // is up at the pole, second to the east.
    let tilt = Rotation3::new(Vector3::new(fit.tilt[0], fit.tilt[1], 0.0));
    let axis = tilt * Vector3::z() * pole;
    let altitude = Estimate {
        value: arcmin * axis.x,
        error: error(1),
    };
    let east = Estimate {
        value: arcmin * axis.y,
        error: error(0),
    };
    AxisError {
        distance: size_of(fit, Cause::Axis),
        altitude: site.map(|_| altitude),
        east: site.map(|_| east),
        azimuth: site.and_then(|s| {
            let cos = s.latitude_deg.to_radians().cos();
            (cos > 0.02).then(|| Estimate {
                value: east.value / cos,
                error: east.error / cos,
            })
        }),
    }
}

/// Drift by one cause of a fit alone, in one run.
fn drift_by(fit: &Fit, cause: Cause, samples: &[Sample<'_>], run: usize) -> Option<[f64; 2]> {
    let keep = |c: Cause| if c == cause { 1.0 } else { 0.0 };
    let alone = Fit {
        tilt: fit.tilt.map(|t| t * keep(Cause::Axis)),
        rate: fit.rate * keep(Cause::Rate),
        creep: fit.creep * keep(Cause::Creep),
        sag: fit.sag * keep(Cause::Sag),
        ..fit.clone()
    };
    let nothing = Fit {
        tilt: [0.0; 2],
        rate: 0.0,
        creep: 0.0,
        sag: 0.0,
        ..fit.clone()
    };
    let mine: Vec<&Sample<'_>> = samples.iter().filter(|s| s.run == run).collect();
    let first = mine.first()?.attitude;
    let minutes: Vec<f64> = mine.iter().map(|s| s.minutes).collect();
    let moved: Vec<[f64; 2]> = mine
        .iter()
        .map(|s| {
            let with = alone.predict(&first.seen, s.attitude, s.minutes);
            let without = nothing.predict(&first.seen, s.attitude, s.minutes);
            moved_arcsec(&with, &without, s.attitude)
        })
        .collect();
    slopes(&minutes, &moved)
}

fn slopes(minutes: &[f64], moved: &[[f64; 2]]) -> Option<[f64; 2]> {
    let slope = |axis: usize| -> Option<f64> {
        let values: Vec<f64> = moved.iter().map(|m| m[axis]).collect();
        Some(line(minutes, &values)?.slope)
    };
    Some([slope(0)?, slope(1)?])
}

/// A mount that holds still against the air sees the stars sink or rise: minus what the air adds.
fn refraction(run: &[Attitude]) -> Option<[f64; 2]> {
    let minutes: Vec<f64> = run.iter().map(|a| a.minutes).collect();
    let moved: Vec<[f64; 2]> = run
        .iter()
        .map(|a| a.refraction.map(|r| -r * ARCSEC_PER_RAD))
        .collect();
    slopes(&minutes, &moved)
}

/// Refraction at the altitude of the pole: Bennett (1982), J. Navigation 35, 255, formula G;
/// standard air.
fn pole_lifted_arcmin(site: Site) -> Option<f64> {
    let h = site.latitude_deg.abs();
    (h > 5.0).then(|| 1.0 / (h + 7.31 / (h + 4.4)).to_radians().tan())
}

fn remainder(best: &Fit, samples: &[Sample<'_>], runs: usize) -> Remainder {
    let count = best.residuals.len() as f64;
    let rms = |pick: &dyn Fn(&[f64; 3]) -> f64| {
        (best.residuals.iter().map(pick).sum::<f64>() / count).sqrt()
    };
    // Half the mean square of successive differences (von Neumann 1941) is the variance that
    // remains when slow motion is taken out.
    let mut unrest = [0.0; 2];
    let mut pairs = 0.0;
    for i in 1..samples.len() {
        if samples[i].run == samples[i - 1].run {
            let [now, before] = [best.residuals[i], best.residuals[i - 1]];
            unrest[0] += 0.5 * ((now[0] - before[0]).powi(2) + (now[1] - before[1]).powi(2)) / 2.0;
            unrest[1] += 0.5 * (now[2] - before[2]).powi(2);
            pairs += 1.0;
        }
    }
    let unrest = unrest.map(|sum: f64| {
        if pairs > 0.0 {
            (sum / pairs).sqrt()
        } else {
            0.0
        }
    });
    let centre = rms(&|r| 0.5 * (r[0] * r[0] + r[1] * r[1]));
    let turn = rms(&|r| r[2] * r[2]);
    let stated = samples.iter().map(|s| s.attitude.centre_error);
    let stated = median(stated).unwrap_or(0.0);
    let smooth = samples.len() >= 8
        && (centre > SMOOTH * unrest[0].max(stated) || turn > SMOOTH * unrest[1]);
    Remainder {
        centre_arcsec: centre * ARCSEC_PER_RAD,
        turn_arcmin: turn * ARCSEC_PER_RAD / 60.0,
        unrest_arcsec: unrest[0] * ARCSEC_PER_RAD,
        stated_arcsec: stated * ARCSEC_PER_RAD,
        smooth,
        axis_by_part: smooth
            .then(|| {
                let by = |look| {
                    Some(size_of(&fit(samples, runs, &[Cause::Axis], look)?, Cause::Axis).value)
                };
                Some([by(Look::Centres)?, by(Look::Turns)?])
            })
            .flatten(),
    }
}
