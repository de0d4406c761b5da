//! Splits a night into runs: stretches of one camera in which the mount only tracked.
//!
//! Whatever was done on purpose between two frames (a new target, a meridian flip, the camera
//! turned, the field re-centred) ends a run. Dither does not: it is part of tracking. A single
//! frame that lies elsewhere while its neighbours carry on is a stray, and ends nothing either.

use super::row::Row;
use crate::robust::{median, scatter};
use crate::sphere::{cross, dot, normalised, tangent_basis};

/// What made a run begin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Beginning {
    /// It is the camera's first.
    First,
    /// The camera lies the other way round on the same side of the sky: a pier flip.
    Flip,
    /// The mount went to another field.
    NewTarget {
        /// How far, degrees.
        moved_deg: f64,
    },
    /// The same field, put elsewhere in the frame.
    Recentred {
        /// How far, arcmin.
        moved_arcmin: f64,
    },
    /// The camera was turned.
    CameraTurned {
        /// By how much, degrees, north through east.
        by_deg: f64,
    },
    /// Another scale or handedness: something in the light path was changed.
    OpticsChanged,
}

/// Frames that only tracking connects.
#[derive(Debug, Clone, PartialEq)]
pub struct Span {
    /// Camera key.
    pub camera: String,
    /// Why it began.
    pub begins: Beginning,
    /// Numbers of the rows, in order of time.
    pub frames: Vec<usize>,
    /// Rows within that lie elsewhere, and count for nothing but themselves.
    pub strays: Vec<usize>,
}

/// A turn nearer than this to half a turn is a pier flip: cone and polar errors and a new grip of
/// the camera change it by a few degrees. Common practice.
const FLIP_WITHIN_DEG: f64 = 15.0;
/// A larger turn than this is no field rotation between two frames.
const TURNED_DEG: f64 = 8.0;
/// Scales that differ by more belong to different optics: focusing and temperature change them
/// by a tenth of that.
const SAME_SCALE: f64 = 0.02;
/// Moves beyond this share of the diagonal show another field.
const OTHER_FIELD: f64 = 0.5;
/// Moves below this share of the diagonal may be dither; beyond, somebody re-centred the field.
const RECENTRED: f64 = 0.03;
/// Moves beyond this many times the usual unrest of the steps are no accident.
const UNUSUAL: f64 = 8.0;
/// Diagonal that is assumed where the size of a frame is unknown, degrees.
const DIAGONAL_DEG: f64 = 1.0;
/// So many moves of the same field are a habit (large dither, a mosaic): they end no run.
const HABIT: usize = 3;

/// A solved frame with a time.
struct Place {
    row: usize,
    minutes: f64,
    up: [f64; 3],
    centre: [f64; 3],
    mirrored: bool,
    scale: f64,
    diagonal_deg: f64,
}

impl Place {
    fn of(row: usize, rows: &[Row]) -> Option<Place> {
        let r = &rows[row];
        let [ra, dec] = r.centre_deg()?;
        let [_, _, centre] = tangent_basis(ra, dec);
        let scale = r.scale_arcsec_per_px?;
        let side = |px: Option<u32>| Some(f64::from(px?) * scale / 3600.0);
        Some(Place {
            row,
            minutes: r.mid_jd_utc? * 1440.0,
            up: up_vector([ra, dec], r.rotation_deg?),
            centre,
            mirrored: r.mirrored?,
            scale,
            diagonal_deg: side(r.width_px)
                .zip(side(r.height_px))
                .map_or(DIAGONAL_DEG, |(w, h)| w.hypot(h)),
        })
    }

    /// East and north of `other` as seen from here, degrees.
    fn step_to(&self, other: &Place) -> [f64; 2] {
        let (_, dec) = crate::sphere::longitude_latitude(self.centre);
        let north = if dec.cos() > 1e-9 {
            normalised([
                -self.centre[2] * self.centre[0],
                -self.centre[2] * self.centre[1],
                1.0 - self.centre[2] * self.centre[2],
            ])
        } else {
            [1.0, 0.0, 0.0]
        };
        let east = cross(north, self.centre);
        let (e, n) = (dot(other.centre, east), dot(other.centre, north));
        let depth = dot(other.centre, self.centre);
        let angle = e.hypot(n).atan2(depth).to_degrees();
        let length = e.hypot(n);
        if length > 0.0 {
            [e / length * angle, n / length * angle]
        } else {
            [0.0, 0.0]
        }
    }

    /// How far the camera is turned at `other`, degrees, -180 to 180, north through east. The
    /// direction 'up' is carried along the great circle between the two places, which says more
    /// than position angles do near a pole.
    fn turn_to(&self, other: &Place) -> f64 {
        let [a, b] = [self.centre, other.centre];
        let axis = cross(a, b);
        // Rodrigues' rotation that takes a to b.
        let cosine = dot(a, b);
        let along = dot(axis, self.up) / (1.0 + cosine).max(1e-9);
        let turned = cross(axis, self.up);
        let carried: [f64; 3] =
            std::array::from_fn(|k| cosine * self.up[k] + turned[k] + along * axis[k]);
        let right = cross(other.up, b);
        (-dot(carried, right))
            .atan2(dot(carried, other.up))
            .to_degrees()
    }
}

/// Direction 'up' of a frame at RA, Dec whose position angle is `rotation_deg`: a unit vector at
/// right angles to the centre.
pub fn up_vector(centre_deg: [f64; 2], rotation_deg: f64) -> [f64; 3] {
    let [east, north, _] = tangent_basis(centre_deg[0], centre_deg[1]);
    let (sin, cos) = rotation_deg.to_radians().sin_cos();
    std::array::from_fn(|k| cos * north[k] + sin * east[k])
}

/// The runs of all cameras, in order of camera and time. Frames without a position or without a
/// time are in none.
pub fn split(rows: &[Row]) -> Vec<Span> {
    let mut cameras: Vec<&str> = rows.iter().map(|r| r.camera.as_str()).collect();
    cameras.sort_unstable();
    cameras.dedup();
    cameras
        .into_iter()
        .flat_map(|camera| {
            let mut places: Vec<Place> = (0..rows.len())
                .filter(|i| rows[*i].camera == camera)
                .filter_map(|i| Place::of(i, rows))
                .collect();
            places.sort_by(|a, b| {
                a.minutes
                    .total_cmp(&b.minutes)
                    .then_with(|| rows[a.row].file.cmp(&rows[b.row].file))
            });
            of_camera(camera, &places, rows)
        })
        .collect()
}

fn of_camera(camera: &str, places: &[Place], rows: &[Row]) -> Vec<Span> {
    let mut spans = Vec::new();
    let mut begins = Beginning::First;
    let mut start = 0;
    for i in 1..=places.len() {
        let change = places.get(i).map(|next| hard_change(&places[i - 1], next));
        if let Some(None) = change {
            continue;
        }
        spans.extend(refine(camera, begins, &places[start..i], rows));
        start = i;
        if let Some(Some(change)) = change {
            begins = change;
        }
    }
    spans
}

/// A change between two successive frames that no tracking explains, however bad.
fn hard_change(a: &Place, b: &Place) -> Option<Beginning> {
    if a.mirrored != b.mirrored || (a.scale / b.scale).ln().abs() > SAME_SCALE {
        return Some(Beginning::OpticsChanged);
    }
    let [east, north] = a.step_to(b);
    let moved_deg = east.hypot(north);
    let by_deg = a.turn_to(b);
    let flipped = by_deg.abs() > 180.0 - FLIP_WITHIN_DEG;
    // A mount that stands still lets the sky go by at a quarter of a degree per minute.
    let by_itself_deg = 0.26 * (b.minutes - a.minutes).abs();
    if moved_deg > OTHER_FIELD * a.diagonal_deg && (flipped || moved_deg > by_itself_deg) {
        return Some(Beginning::NewTarget { moved_deg });
    }
    if flipped {
        return Some(Beginning::Flip);
    }
    (by_deg.abs() > TURNED_DEG).then_some(Beginning::CameraTurned { by_deg })
}

/// Looks for moves within one field.
fn refine(camera: &str, begins: Beginning, places: &[Place], rows: &[Row]) -> Vec<Span> {
    let span = |begins, places: &[&Place], strays: Vec<usize>| Span {
        camera: camera.to_owned(),
        begins,
        frames: places.iter().map(|p| p.row).collect(),
        strays,
    };
    let (kept, strays) = without_strays(places);
    let moves = moves(&kept);
    let limit = limit_deg(&kept, &moves);
    let mut breaks: Vec<usize> = (0..moves.len())
        .filter(|i| moves[*i] > limit || (renamed(&kept, *i, rows) && moves[*i] > 0.3 * limit))
        .collect();
    if breaks.len() >= HABIT {
        breaks.retain(|i| renamed(&kept, *i, rows));
    }
    let mut spans = Vec::new();
    let (mut start, mut begins) = (0, begins);
    for i in breaks {
        spans.push(span(begins, &kept[start..=i], Vec::new()));
        start = i + 1;
        begins = if renamed(&kept, i, rows) {
            Beginning::NewTarget {
                moved_deg: moves[i],
            }
        } else {
            Beginning::Recentred {
                moved_arcmin: 60.0 * moves[i],
            }
        };
    }
    spans.push(span(begins, &kept[start..], Vec::new()));
    for stray in strays {
        // Into the run during whose time it was taken.
        let home = spans
            .iter()
            .rposition(|s| {
                let first = s.frames.first().and_then(|f| rows[*f].mid_jd_utc);
                first <= rows[stray].mid_jd_utc
            })
            .unwrap_or(0);
        spans[home].strays.push(stray);
    }
    spans
}

fn renamed(places: &[&Place], i: usize, rows: &[Row]) -> bool {
    let name = |p: &Place| rows[p.row].target.as_deref();
    name(places[i]).is_some() && name(places[i]) != name(places[i + 1])
}

/// How far each step leads from where the usual rate would, degrees.
fn moves(places: &[&Place]) -> Vec<f64> {
    let steps: Vec<[f64; 2]> = places.windows(2).map(|w| w[0].step_to(w[1])).collect();
    let spans: Vec<f64> = places
        .windows(2)
        .map(|w| (w[1].minutes - w[0].minutes).max(1e-6))
        .collect();
    (0..steps.len())
        .map(|i| {
            // Drift changes in the course of a night: the rate is that of the neighbourhood.
            let near = i.saturating_sub(5)..(i + 6).min(steps.len());
            let rate = |axis: usize| {
                if near.len() < 3 {
                    return 0.0;
                }
                median(near.clone().map(|k| steps[k][axis] / spans[k])).unwrap_or(0.0)
            };
            let [east, north] = [0, 1].map(|axis| steps[i][axis] - rate(axis) * spans[i]);
            east.hypot(north)
        })
        .collect()
}

fn limit_deg(places: &[&Place], moves: &[f64]) -> f64 {
    let diagonal = places.first().map_or(DIAGONAL_DEG, |p| p.diagonal_deg);
    let usual = median(moves.iter().copied()).unwrap_or(0.0);
    let unrest = scatter(moves).unwrap_or(0.0);
    (RECENTRED * diagonal).max(usual + UNUSUAL * unrest.max(0.5 * usual))
}

/// Takes out frames that lie elsewhere than both neighbours, which agree with each other.
fn without_strays(places: &[Place]) -> (Vec<&Place>, Vec<usize>) {
    let all: Vec<&Place> = places.iter().collect();
    let steps = moves(&all);
    let limit = limit_deg(&all, &steps);
    let is_stray = |i: usize| {
        i > 0 && i + 1 < all.len() && steps[i - 1] > limit && steps[i] > limit && {
            let [east, north] = all[i - 1].step_to(all[i + 1]);
            east.hypot(north) < 0.5 * limit + 0.5 * steps[i].min(steps[i - 1])
        }
    };
    let (strays, kept): (Vec<usize>, Vec<usize>) = (0..all.len()).partition(|i| is_stray(*i));
    // Many strays are no strays.
    if strays.len() * 5 > all.len() {
        return (all, Vec::new());
    }
    (
        kept.into_iter().map(|i| all[i]).collect(),
        strays.into_iter().map(|i| all[i].row).collect(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::track::RowStatus;

    fn rows(places: impl IntoIterator<Item = (f64, f64, f64)>) -> Vec<Row> {
        let row = |(i, (ra_deg, dec_deg, rotation_deg)): (usize, (f64, f64, f64))| Row {
            file: format!("{i:03}.fits"),
            camera: "a".into(),
            status: RowStatus::Solved,
            mid_jd_utc: Some(2_461_000.5 + i as f64 / 720.0),
            ra_deg: Some(ra_deg),
            dec_deg: Some(dec_deg),
            rotation_deg: Some(rotation_deg),
            mirrored: Some(false),
            scale_arcsec_per_px: Some(2.0),
            width_px: Some(1200),
            height_px: Some(900),
            ..Row::default()
        };
        places.into_iter().enumerate().map(row).collect()
    }

    /// Small unrest, the same on every run.
    fn unrest(i: usize) -> f64 {
        ((i * 7919 % 101) as f64 / 50.0 - 1.0) * 0.0005
    }

    #[test]
    fn a_flip_a_stray_and_a_new_target() {
        let places = (0..40).map(|i| {
            let drift = 0.0004 * i as f64 + unrest(i);
            match i {
                7 => (100.3, 30.2, 20.0),
                0..20 => (100.0 + drift, 30.0, 20.0 + unrest(i)),
                20..30 => (100.0 + drift, 30.02, 201.0),
                _ => (140.0 + drift, -5.0, 201.0),
            }
        });
        let spans = split(&rows(places));
        assert_eq!(spans.len(), 3, "{spans:?}");
        assert_eq!(spans[0].begins, Beginning::First);
        assert_eq!(spans[0].strays, [7]);
        assert_eq!(spans[0].frames.len(), 19);
        assert_eq!(spans[1].begins, Beginning::Flip);
        assert!(matches!(spans[2].begins, Beginning::NewTarget { moved_deg } if moved_deg > 40.0));
    }

    #[test]
    fn recentring_ends_a_run_and_dither_does_not() {
        let recentred = rows((0..30).map(|i| {
            let jump = if i < 15 { 0.0 } else { 0.1 };
            (100.0 + unrest(i), 30.0 + jump + unrest(i + 3), 20.0)
        }));
        let spans = split(&recentred);
        assert_eq!(spans.len(), 2, "{spans:?}");
        assert!(
            matches!(spans[1].begins, Beginning::Recentred { moved_arcmin } if (moved_arcmin - 6.0).abs() < 0.3)
        );

        let dithered =
            rows((0..30).map(|i| (100.0 + 20.0 * unrest(i), 30.0 + 20.0 * unrest(i + 3), 20.0)));
        assert_eq!(split(&dithered).len(), 1);
    }

    /// Near the pole position angles run through all values while the camera is not turned.
    #[test]
    fn the_pole_turns_no_camera() {
        let spans = split(&rows(
            (0..12).map(|i| (30.0 * i as f64, 89.97, 30.0 * i as f64)),
        ));
        assert_eq!(spans.len(), 1, "{spans:?}");
    }

    #[test]
    fn cameras_are_kept_apart_and_frames_without_a_time_left_out() {
        let mut list = rows((0..8).map(|i| (100.0, 30.0, 20.0 + unrest(i))));
        for row in list.iter_mut().step_by(2) {
            row.camera = "b".into();
            row.rotation_deg = Some(95.0);
        }
        list[3].mid_jd_utc = None;
        let spans = split(&list);
        assert_eq!(spans.len(), 2);
        assert_eq!(spans[0].frames, [1, 5, 7]);
        assert_eq!(spans[1].frames, [0, 2, 4, 6]);
    }
}
