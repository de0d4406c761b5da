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

/// Whether a solution of all stars of a frame says what the one of a part did, and rests on clearly more
/// stars.
pub(super) fn says_more(whole: &Solution, part: &Solution) -> bool {
    const MORE_STARS: f64 = 1.1;
    const SAME_SCALE: f64 = 0.01;
    let centre = |s: &Solution| sky_to_vector(s.centre_ra_deg, s.centre_dec_deg);
    let apart_arcsec = 3600.0 * angle_between(centre(whole), centre(part)).to_degrees();
    let near_arcsec = part.uncertainty_arcsec + SAME_STAR_PX * part.scale_arcsec_per_px;
    let scale = whole.scale_arcsec_per_px / part.scale_arcsec_per_px;
    whole.matched.len() as f64 > MORE_STARS * part.matched.len() as f64
        && apart_arcsec < near_arcsec
        && (scale - 1.0).abs() < SAME_SCALE
        && whole.mirrored == part.mirrored
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
    // What the lens bends beyond the one radial term of a pose shows in its scale, and by a third of
    // that (a tenth of the variance) in centre and turn: seen in frames with 2 % of distortion, where
    // the scale differs by 3.5 px and the rest by 0.3 px.
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
    // A square of that half side is looked at.
    let by_chance = (2.0 * radius_px).powi(2) * field.len() as f64 / field.open.area_px2;
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::detect;
    use crate::fit::{Display, Epoch, FIT_STARS, fit, reach_rad};
    use crate::frame::{Clues, Frame, Pixels};
    use crate::search::{Best, Request, search};
    use crate::sky::{Sky, SkyRegion};
    use sample_fields::{FieldSpec, render};

    const ACCEPT: f64 = -7.0;

    struct Case {
        detections: Detections,
        best: Best,
        stars: Vec<RegionStar>,
        solution: Solution,
    }

    impl Case {
        /// A field in the Milky Way, with far more stars than verification asks for.
        fn new() -> Case {
            let field = render(&FieldSpec {
                epoch_year: 2000.0,
                width_px: 1200,
                height_px: 800,
                ..FieldSpec::new(300.0, 35.0, 3.0)
            })
            .unwrap();
            let detections = detect(&Frame {
                path: "rendered".into(),
                width: field.truth.width_px,
                height: field.truth.height_px,
                pixels: Pixels::U16(field.pixels),
                mosaic_stated: None,
                first_row_on_top: false,
                orientation: 1,
                nonlinear: false,
                clues: Clues::default(),
            });
            let sky = Sky::embedded().unwrap();
            let (request, never) = (Request::default(), crate::Deadline::NONE);
            let found = search(&detections, &sky, &request, never).unwrap();
            assert!(found.accepted);
            let best = found.best.unwrap();
            let camera = &best.evidence.camera;
            let mut region = SkyRegion::default();
            let (middle, reach) = (camera.axes[2], reach_rad(camera));
            let stars = region
                .cone(&sky, best.index, middle, reach, FIT_STARS, 0.0)
                .unwrap()
                .to_vec();
            let display = Display {
                up: [0.0, 1.0],
                right: [1.0, 0.0],
            };
            // As if it were barely beyond doubt.
            let (chance, epoch) = (ACCEPT - 0.01, Epoch::Known { jyear: 2000.0 });
            let solution = fit(&detections, &best.evidence, &stars, display, chance, epoch);
            Case {
                detections,
                best,
                stars,
                solution: solution.unwrap(),
            }
        }

        fn passes(&self, change: impl Fn(&mut Solution), stars: &[RegionStar]) -> bool {
            let mut solution = self.solution.clone();
            change(&mut solution);
            let evidence = &self.best.evidence;
            lets_pass(&solution, evidence, &self.detections, stars, ACCEPT)
        }
    }

    #[test]
    fn only_a_solution_that_says_what_was_verified_passes() {
        let case = Case::new();
        assert!(case.passes(|_| {}, &case.stars));
        let elsewhere = |solution: &mut Solution| solution.wcs.crval[1] += 0.05;
        assert!(!case.passes(elsewhere, &case.stars), "centre 20 px off");
        let scale = |s: &mut Solution| s.wcs.cd = s.wcs.cd.map(|row| row.map(|cd| 1.05 * cd));
        assert!(!case.passes(scale, &case.stars), "scale 5 % off");
        let other_stars = |solution: &mut Solution| {
            for star in &mut solution.matched {
                star.ra_deg += 0.05;
            }
        };
        assert!(!case.passes(other_stars, &case.stars), "other stars");
    }

    #[test]
    fn stars_that_verification_did_not_ask_for_have_a_say() {
        let case = Case::new();
        let field = DetectionField::new(&case.detections);
        let asked = Weigher::stars_asked(&field);
        assert!(held_out(&case.solution, &field, &case.stars) > 20.0);
        // The brightest as they are, the others 10 pixels and more beside where they were found.
        let mut stars = case.stars.clone();
        for star in stars.iter_mut().skip(2 * asked) {
            star.vector[2] += 0.0008;
            star.vector = crate::sphere::normalised(star.vector);
        }
        assert!(held_out(&case.solution, &field, &stars) < -2.0);
        assert!(!case.passes(|_| {}, &stars));
    }
}
