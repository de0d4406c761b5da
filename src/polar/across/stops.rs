//! What the frames of a night say of the mount, field by field.

use super::model::Terms;
use crate::frame::Site;
use crate::mount::Moment;
use crate::track::{Attitude, PierSide, Place, Row, Run, Sky};
use nalgebra::Vector3;

/// A run is cut into pieces of this length, minutes: by then the hour angle is another.
const PIECE_MIN: f64 = 60.0;
/// Frames of a piece that are looked at, at most: more of the same would add nothing.
const SAMPLES: usize = 5;
/// Pieces of a night, at most: a survey has thousands, and a part of them says it all.
const MOST: usize = 200;
/// Refraction is not known well lower than this, degrees.
const LOWEST_DEG: f64 = 10.0;
/// Nearer to the pole than this, radians, small errors of the axis turn the camera by a lot.
const POLAR_CAP: f64 = 4.0 * std::f64::consts::PI / 180.0;
/// A position that is farther off than this is a slip, or was never the mount's: degrees.
const ELSEWHERE_DEG: f64 = 15.0;
/// A camera that lies within this of where it lay, or of half a turn from there, was not turned:
/// what is more is not the mount's doing. Radians.
const SAME_GRIP: f64 = 20.0 * std::f64::consts::PI / 180.0;
/// The turn is read off the direction up alone: its error is that of all stars together times
/// this, for a frame half as high again as it is wide.
const UP_ALONE: f64 = 1.8;

/// Ways to read what a mount was sent to: a mount that reckons with refraction or one that does
/// not, a position as it was read or, where nobody states an equinox, of date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reading {
    /// The mount reckons with refraction.
    pub refracted: bool,
    /// The position is of date although it was taken for J2000.
    pub of_date: bool,
}

impl Reading {
    /// All of them.
    pub const ALL: [Reading; 4] = [
        Reading::new(false, false),
        Reading::new(true, false),
        Reading::new(false, true),
        Reading::new(true, true),
    ];

    const fn new(refracted: bool, of_date: bool) -> Reading {
        Reading { refracted, of_date }
    }
}

/// One field, for an hour at most.
#[derive(Debug, Clone)]
pub struct Stop {
    /// Row of its first frame.
    pub row: usize,
    /// Frames in it.
    pub frames: usize,
    /// Minutes since the night began.
    pub minutes: f64,
    /// Line of sight and up of the camera, some frames of it; the first one's first.
    pub seen: Vec<[Vector3<f64>; 2]>,
    /// Towards east and north at the first line of sight.
    pub sideways: [Vector3<f64>; 2],
    /// Hour angle (west positive) and declination that the mount was sent to, radians, by reading;
    /// only where it was sent, that is for the first piece of a run.
    pub sent: [Option<[f64; 2]>; 4],
    /// The camera's turn may be compared with that of other fields.
    pub turn_counts: bool,
    /// Past the pole as the first one is not, by the camera's turn.
    pub flipped: bool,
    /// The grip of the camera: it changes where somebody turns it.
    pub grip: usize,
    /// By the header.
    pub pier_side: Option<PierSide>,
    /// Standard errors of the centre per axis and of the turn, radians.
    pub errors: [f64; 2],
}

impl Stop {
    /// Hour angle and declination as seen, radians.
    pub fn place(&self) -> [f64; 2] {
        let sight = self.seen[0][0];
        [(-sight.y).atan2(sight.x), sight.z.clamp(-1.0, 1.0).asin()]
    }

    /// Turn of the camera against a mount of these terms, radians; mean over the frames.
    pub fn turn(&self, terms: &Terms, zenith: Vector3<f64>) -> Option<f64> {
        let one = |[sight, up]: &[Vector3<f64>; 2]| {
            let held = terms.up(*sight, self.flipped, zenith)?;
            Some(held.cross(up).dot(sight).atan2(held.dot(up)))
        };
        let first = one(self.seen.first()?)?;
        let near = |angle: f64| first + wrapped(angle - first);
        let all: Option<Vec<f64>> = self.seen.iter().map(|s| one(s).map(near)).collect();
        let all = all?;
        Some(all.iter().sum::<f64>() / all.len() as f64)
    }
}

/// -pi to pi.
pub fn wrapped(angle: f64) -> f64 {
    let half = std::f64::consts::PI;
    (angle + half).rem_euclid(2.0 * half) - half
}

/// Up, in the axes of the ground.
pub fn zenith(site: &Site) -> Vector3<f64> {
    let (sin, cos) = site.latitude_deg.to_radians().sin_cos();
    Vector3::new(cos, 0.0, sin)
}

/// The fields of one camera's runs, in order of time.
pub fn gather(rows: &[Row], runs: &[&Run], place: &Place, site: &Site) -> Vec<Stop> {
    let start_jd = runs
        .iter()
        .map(|run| run.span_jd[0])
        .fold(f64::INFINITY, f64::min);
    let mut stops: Vec<Stop> = Vec::new();
    for run in runs {
        let held = run
            .frames
            .iter()
            .filter_map(|i| Attitude::of(*i, rows, place, start_jd));
        let held: Vec<Attitude> = held
            .filter(|a| a.altitude_deg.is_some_and(|deg| deg > LOWEST_DEG))
            .collect();
        let Some(begin) = held.first().map(|a| a.minutes) else {
            continue;
        };
        let piece_of = |a: &Attitude| ((a.minutes - begin) / PIECE_MIN) as usize;
        for piece in held.chunk_by(|a, b| piece_of(a) == piece_of(b)) {
            stops.push(stop(piece, rows, place));
        }
        // Only where it was sent, not where it tracked to.
        let pieces = held.chunk_by(|a, b| piece_of(a) == piece_of(b)).count();
        let later = stops.len() + 1 - pieces;
        stops[later..].iter_mut().for_each(|s| s.sent = [None; 4]);
    }
    stops.sort_by(|a, b| a.minutes.total_cmp(&b.minutes));
    let every = stops.len().div_ceil(MOST).max(1);
    let mut stops: Vec<Stop> = stops.into_iter().step_by(every).collect();
    sides(&mut stops, zenith(site));
    stops
}

fn stop(piece: &[Attitude], rows: &[Row], place: &Place) -> Stop {
    let every = piece.len().div_ceil(SAMPLES).max(1);
    let some = piece.iter().step_by(every);
    let seen: Vec<[Vector3<f64>; 2]> = some
        .map(|a| {
            let axes = a.seen.matrix();
            [axes.column(2).into_owned(), axes.column(1).into_owned()]
        })
        .collect();
    let first = &piece[0];
    let row = &rows[first.row];
    let [east, north, _] = first.basis;
    let sine = first.basis[2].z.abs().clamp(0.0, 1.0);
    Stop {
        row: first.row,
        frames: piece.len(),
        minutes: first.minutes,
        sideways: [east, north],
        sent: Reading::ALL.map(|reading| sent(row, place, reading)),
        turn_counts: sine.acos() > POLAR_CAP,
        flipped: false,
        grip: 0,
        pier_side: row.pier_side,
        errors: [
            first.centre_error,
            UP_ALONE * first.turn_error / (seen.len() as f64).sqrt(),
        ],
        seen,
    }
}

/// What the mount was sent to, hour angle and declination, radians.
fn sent(row: &Row, place: &Place, reading: Reading) -> Option<[f64; 2]> {
    let jd = row.mid_jd_utc?;
    let as_read = row.commanded_deg()?;
    if row.pointing_error()?.separation_deg > ELSEWHERE_DEG {
        return None;
    }
    let icrs = match reading.of_date {
        false => as_read,
        true if row.equinox_assumed => {
            let moment = Moment::from_jd_utc(jd - place.hours_ahead / 24.0)?;
            moment.date_to_icrs(as_read[0], as_read[1])
        }
        true => return None,
    };
    let pressure = if reading.refracted {
        place.pressure_hpa
    } else {
        0.0
    };
    let there = Sky::at(jd, place, pressure)?.ground(icrs);
    Some([(-there.y).atan2(there.x), there.z.clamp(-1.0, 1.0).asin()])
}

/// On which side of the pier the tube was, and whether the camera was turned, by the camera's turn
/// against a mount without a fault.
fn sides(stops: &mut [Stop], zenith: Vector3<f64>) {
    let (mut grip, mut lay) = (0, None);
    for stop in stops.iter_mut() {
        let Some(turn) = stop
            .turn(&Terms::default(), zenith)
            .filter(|_| stop.turn_counts)
        else {
            stop.grip = grip;
            continue;
        };
        let by = wrapped(turn - *lay.get_or_insert(turn));
        if by.abs() > std::f64::consts::PI - SAME_GRIP {
            stop.flipped = true;
        } else if by.abs() > SAME_GRIP {
            grip += 1;
            lay = Some(turn);
        }
        stop.grip = grip;
    }
    // Where the camera is turned from field to field, the mount's own word has to do.
    let first = stops.first().and_then(|s| s.pier_side);
    if 2 * grip > stops.len() && first.is_some() && stops.iter().all(|s| s.pier_side.is_some()) {
        stops
            .iter_mut()
            .for_each(|s| s.flipped = s.pier_side != first);
    }
}
