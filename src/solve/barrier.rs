//! The last barrier before a position is stated: does the solution say what was verified?
//!
//! A pose is verified by up to sixty stars, a solution fitted to all of them. The two are made by
//! different code from different stars: where they disagree, one of them is wrong.

use crate::detect::Detections;
use crate::fit::Solution;
use crate::sky::RegionStar;
use crate::sphere::{angle_between, sky_to_vector};
use crate::verify::{DetectionField, Evidence, Weigher};
use std::f64::consts::LN_10;

/// Share of the verified detections that the solution must rest on, each with the same star. The
/// others may be blends, which a fit leaves out.
const LEAST_KEPT: f64 = 0.5;
/// ... and at least this many: fewer do not make a pose.
const FEWEST_KEPT: usize = 4;
/// A star is the same one within this distance, pixels: no detector tells closer ones apart.
const SAME_STAR_PX: f64 = 3.0;
/// Shift, turn and scale may differ by this many standard deviations of the verified pose. Beyond 6
/// a normal error lies once in a thousand million cases.
const MOST_SIGMAS: f64 = 6.0;
/// Chance that a star near the limit of the frame is detected.
const COMPLETENESS: f64 = 0.5;

/// Whether `solution` agrees with the pose of `evidence`, and with the chance of a false match
/// (log10) that was found for it, once the stars are asked that verification left out. `stars` are
/// those around the frame, brightest first.
pub(super) fn lets_pass(
    solution: &Solution,
    evidence: &Evidence,
    detections: &Detections,
    stars: &[RegionStar],
    accept_log10: f64,
) -> bool {
    let field = DetectionField::new(detections);
    rests_on_verified(solution, evidence)
        && points_alike(solution, evidence, &field)
        && solution.log10_chance - held_out(solution, &field, stars) / LN_10 < accept_log10
}

/// The verified detections are among those that the solution rests on, with the same stars.
fn rests_on_verified(solution: &Solution, evidence: &Evidence) -> bool {
    let near_rad = (SAME_STAR_PX * solution.scale_arcsec_per_px / 3600.0).to_radians();
    let kept = |(rank, star): &&(usize, [f64; 3])| {
        solution.matched.iter().any(|m| {
            m.detection == *rank
                && angle_between(sky_to_vector(m.ra_deg, m.dec_deg), *star) < near_rad
        })
    };
    let count = evidence.pairs.iter().filter(kept).count();
    count >= FEWEST_KEPT && count as f64 >= LEAST_KEPT * evidence.pairs.len() as f64
}

/// Centre, turn and scale of the solution are those of the pose, within its error. All in pixels:
/// turn and scale at half the frame's diagonal.
fn points_alike(solution: &Solution, evidence: &Evidence, field: &DetectionField) -> bool {
    let camera = &evidence.camera;
    let [nx, ny] = field.size_px;
    let sign = if camera.flipped { -1.0 } else { 1.0 };
    let centre = [(nx + 1.0) / 2.0, (ny + 1.0) / 2.0];
    let seen = |x: f64, y: f64| {
        let star = solution.wcs.pixel_to_vector(centre[0] + x, centre[1] + y);
        let at = camera.project(star)?;
        Some([at[0], sign * at[1]])
    };
    // A tenth of the way to the rim: what the linear part says, without the distortion of corners.
    let step = 0.1 * camera.reference_px;
    let (Some(middle), Some(right), Some(up)) = (seen(0.0, 0.0), seen(step, 0.0), seen(0.0, step))
    else {
        return false;
    };
    let [a, b] = [right, up].map(|p| [(p[0] - middle[0]) / step, (p[1] - middle[1]) / step]);
    let stretch = (0.5 * (a[0] + b[1]) - 1.0) * camera.reference_px;
    let turn = 0.5 * (a[1] - b[0]) * camera.reference_px;
    // What the lens may bend beyond the one radial term of a pose changes its scale and centre too.
    let bend2 = evidence.radial_px.powi(2);
    let limit2 = |k: usize, bends: f64| {
        (MOST_SIGMAS * MOST_SIGMAS) * (evidence.covariance[(k, k)] + bends * bend2)
            + field.fwhm_px.powi(2)
    };
    let limits2 = [
        limit2(0, 0.1),
        limit2(1, 0.1),
        limit2(2, 0.1),
        limit2(3, 1.0),
    ];
    [middle[0], middle[1], turn, stretch]
        .iter()
        .zip(limits2)
        .all(|(off, limit2)| off * off <= limit2)
}

/// What the stars say that verification did not ask for: natural logarithm of the likelihood ratio
/// of their being where the solution predicts them, against chance.
fn held_out(solution: &Solution, field: &DetectionField, stars: &[RegionStar]) -> f64 {
    let asked = Weigher::stars_asked(field);
    let centre = field.size_px.map(|s| (s + 1.0) / 2.0);
    let radius_px = (3.0 * solution.rms_px).max(1.0);
    let inside = |star: &RegionStar| {
        let [x, y] = solution.wcs.vector_to_pixel(star.vector)?;
        let offset = [x - centre[0], y - centre[1]];
        let in_frame = [0, 1]
            .iter()
            .all(|&i| offset[i].abs() < 0.5 * field.size_px[i] - radius_px);
        (in_frame && field.open.contains(offset)).then_some(offset)
    };
    let by_chance =
        std::f64::consts::PI * radius_px.powi(2) * field.len() as f64 / field.open.area_px2;
    if !(by_chance < COMPLETENESS) {
        return 0.0;
    }
    let places = stars.iter().filter_map(inside);
    let mut gain = 0.0;
    for place in places.take(field.len()).skip(asked) {
        let mut hit = false;
        field.near(place, radius_px, |_| hit = true);
        gain += if hit {
            (COMPLETENESS / by_chance + (1.0 - COMPLETENESS)).ln()
        } else {
            (1.0 - COMPLETENESS).ln()
        };
    }
    gain
}
