//! The evidence for a pose: a likelihood ratio against chance, star by star.
//!
//! Starting from the pose of four stars, each further catalogue star is predicted with its error
//! (Kalman prediction), compared with the detections there, and, if one fits, made part of the
//! pose (Kalman update). Each comparison contributes the ratio
//!
//! ```text
//! (1 - c) + c * sum over detections of  N(residual; S) / density * brightness
//! ```
//!
//! with c the chance that a star which is there is detected, S the covariance of prediction and
//! measurement, density that of detections bright enough to be this star, and brightness the ratio
//! of [`super::brightness`].
//!
//! If detections lie at random, the expectation of every such factor is one at most given all that
//! came before it, so the product is a test martingale: P(product >= x) <= 1 / x (Ville 1939).
//! Three things see to that. Each detection is asked about once: what lay within the gate of one
//! star is no evidence for another one, and a star beside a detection already asked about (a
//! companion, a blend) is passed over, which what was known before decides. The density is that of
//! the detections not yet asked about in the part of the frame where they lie at all
//! ([`super::open`]), less the area that was looked at, and higher where detections crowd
//! ([`super::field::Spot::crowding`]). And the brightness is one in the mean.

use super::camera::{Camera, Matrix};
use super::errors::{Errors, Gauss, mixed, shares};
use super::field::{DetectionField, Spot};
use super::seen::Seen;
use super::state::{Measured, State};
use crate::sky::{RegionStar, Star};

/// Catalogue stars that are asked for at most, brightest first: at a first glance, and where that
/// went well.
pub const GLANCE_STARS: usize = 20;
/// See [`GLANCE_STARS`].
const STARS_ASKED: usize = 60;
/// A first glance that gains less than this (natural logarithm) is not followed by a second.
pub const GLANCE_GAIN: f64 = 2.0;
/// Below this (natural logarithm) a pose is given up. By the same inequality, turned round, a true
/// one whose stars behave as the model says falls so deep with a probability of at most e^-5.5, or
/// 0.4 %; and it has other quads.
const HOPELESS: f64 = -5.5;
/// Chance that a star is detected which is well within the reach of the frame; near its limit.
const COMPLETENESS: f64 = 0.85;
const COMPLETENESS_AT_LIMIT: f64 = 0.5;
/// Detections beyond this squared distance (in sigma) are not this star: one in 20,000 is missed.
const GATE_CHI2: f64 = 20.0;
/// A star is not asked for while more detections than this are expected within reach by chance.
const MOST_BY_CHANCE: f64 = 1.0;
/// Detections within one gate that are weighed: by chance there is hardly ever a second one.
const MOST_HITS: usize = 8;
/// No more stars are asked for once this share of the open part of the frame was looked at.
const MOST_LOOKED_AT: f64 = 0.5;
/// Detections that a pose must explain, those of the quad included: one at least that the quad does
/// not hold. What that one has to prove is a matter of the evidence.
const FEWEST_SPOTS: usize = 5;
/// Stars closer to the rim than this may be outside: they are not asked for.
const RIM_PX: f64 = 3.0;

/// What speaks for a pose. All its numbers are finite.
#[derive(Debug, Clone)]
pub struct Evidence {
    /// Natural logarithm of the likelihood ratio, the quad's own part included.
    pub log_ratio: f64,
    /// The camera after all updates.
    pub camera: Camera,
    /// Radial distortion that is to be expected, pixels at the frame's corner, 1 sigma.
    pub radial_px: f64,
    /// Covariance of a small change of the camera, in the order of [`super::camera::PARAMETERS`].
    pub covariance: Matrix,
    /// The part of `log_ratio` that the stars beside the quad contributed.
    pub gain: f64,
    /// Detections that the pose explains, the quad's first: their places in the order of
    /// brightness, and the unit vectors of their stars.
    pub pairs: Vec<(usize, [f64; 3])>,
}

/// A match that proposes a pose.
#[derive(Debug, Clone, Copy)]
pub struct Proposal {
    /// The pose.
    pub pose: Camera,
    /// Its four detections A, B, C, D: pixels from the frame's centre, turned over like the
    /// camera.
    pub spots: [[f64; 2]; 4],
    /// Their places in the order of brightness.
    pub ranks: [usize; 4],
    /// Its four stars.
    pub stars: [Star; 4],
    /// The frame's quads are of the `among` brightest detections ...
    pub among: usize,
    /// ... but not of the `done` brightest alone.
    pub done: usize,
    /// How far C and D may be off along either axis for the codes to match, pixels.
    pub gate_px: f64,
    /// Radial distortion that is to be expected, pixels at the reference radius, 1 sigma.
    pub radial_px: f64,
}

/// Weighs poses of one frame.
#[derive(Debug)]
pub struct Weigher<'a> {
    field: &'a DetectionField,
    half_px: [f64; 2],
    /// Random distortion beside the radial term, relative to the distance from the quad.
    pub distortion: f64,
}

impl<'a> Weigher<'a> {
    /// For the detections of `field`.
    pub fn new(field: &'a DetectionField, distortion: f64) -> Weigher<'a> {
        let half_px = field.size_px.map(|s| s / 2.0);
        Weigher {
            field,
            half_px,
            distortion,
        }
    }

    /// Catalogue stars in the circle around the frame of which `most` lie in its open part: the
    /// circle has twice the area of the frame and more.
    pub fn stars_around(&self, most: usize) -> usize {
        let frame_px2 = 4.0 * self.half_px[0] * self.half_px[1];
        (2.0 * most as f64 * frame_px2 / self.field.open.area_px2) as usize
    }

    /// Catalogue stars that a pose of these detections is asked for at most: hardly more than
    /// there are detections.
    pub fn stars_asked(field: &DetectionField) -> usize {
        STARS_ASKED.min(6 * field.len() / 5 + 1)
    }

    /// The evidence for a proposal. `stars` are the catalogue stars around the frame, brightest
    /// first, of which the first `most` in the frame are asked for. `None`: hopeless.
    pub fn weigh(
        &self,
        proposal: &Proposal,
        stars: &[RegionStar],
        most: usize,
    ) -> Option<Evidence> {
        let errors = Errors::at_scale(proposal.pose.focal_px, self.field.fwhm_px, self.distortion);
        let (quad_log, state) = self.quad_evidence(proposal, &errors)?;
        let mut case = Case {
            weigher: self,
            errors,
            state,
            seen: Seen::default(),
            looked_at_px2: 0.0,
            pairs: proposal
                .ranks
                .into_iter()
                .zip(proposal.stars.map(|s| s.vector))
                .collect(),
        };
        proposal
            .ranks
            .iter()
            .for_each(|&rank| case.seen.insert(rank));
        let mut gain = 0.0;
        for question in &self.stars_to_ask(proposal, stars, most) {
            gain += case.ask(question)?;
            if gain < HOPELESS {
                return None;
            }
        }
        let camera = case.state.camera.changed(&case.state.shift);
        let log_ratio = quad_log + gain;
        let sound = log_ratio.is_finite() && camera.is_finite();
        (sound && case.pairs.len() >= FEWEST_SPOTS).then_some(Evidence {
            log_ratio,
            gain,
            camera,
            radial_px: proposal.radial_px,
            covariance: case.state.covariance,
            pairs: case.pairs,
        })
    }

    /// The quad's own part, and the pose with its error. A and B set shift, turn and scale; C and
    /// D, predicted from them, were found where the code's tolerance asked for them: under chance
    /// anywhere in that box.
    fn quad_evidence(&self, proposal: &Proposal, errors: &Errors) -> Option<(f64, State)> {
        let camera = proposal.pose;
        let [a, b, ..] = proposal.spots;
        let half_length = 0.5 * (a[0] - b[0]).hypot(a[1] - b[1]);
        let spread = (errors.distortion * half_length).powi(2) + errors.catalogue_px.powi(2);
        let spot = |k: usize| self.field.by_rank(proposal.ranks[k]);
        let of_pair = |k: usize| {
            let at = camera.project(proposal.stars[k].vector)?;
            Some(Measured {
                rows: camera.derivatives(at),
                residual: [0, 1].map(|axis| proposal.spots[k][axis] - at[axis]),
                variance: errors.of_spot(spot(k)?.sigma_px)[0] + spread,
            })
        };
        let mut state = State::of_pair(camera, &[of_pair(0)?, of_pair(1)?], proposal.radial_px)?;
        let box_px2 = (2.0 * proposal.gate_px).powi(2);
        let mut seen = Seen::default();
        let mut log_ratio = self.chosen_among(proposal);
        for k in 0..4 {
            let star = proposal.stars[k];
            let spot = spot(k)?;
            let mag = f64::from(star.mag);
            let bright = state.zero.expected(self.field, &seen, mag, proposal.among);
            log_ratio += bright.ratio(spot).ln();
            state.zero.add(spot, mag);
            seen.insert(proposal.ranks[k]);
            if k < 2 {
                continue;
            }
            let (at, rows) = state.predict(star.vector)?;
            let residual = [0, 1].map(|axis| proposal.spots[k][axis] - at[axis]);
            let own = errors.of_spot(spot.sigma_px);
            let predicted = state.prediction_covariance(&rows, spread);
            let [tight, loose] = shares(predicted, own, residual)?;
            let both = (tight + loose).max(1e-30);
            log_ratio += (box_px2 * both).ln();
            let variance = mixed(tight / both, own) + spread;
            state = state.updated(&Measured {
                rows,
                residual,
                variance,
            })?;
        }
        Some((log_ratio, state))
    }

    /// What it costs (natural logarithm, at most 0) that the quads of the `done` brightest were
    /// left out: the brightness of the others is weighed as if they were drawn from all.
    fn chosen_among(&self, proposal: &Proposal) -> f64 {
        let share: f64 = (0..4)
            .map(|k| {
                let of = |count: usize| count.saturating_sub(k) as f64;
                of(proposal.done) / of(proposal.among).max(1.0)
            })
            .product();
        (1.0 - share.min(1.0)).max(1e-9).ln()
    }

    /// Catalogue stars that should be in the frame, nearest to the quad first.
    fn stars_to_ask(
        &self,
        proposal: &Proposal,
        stars: &[RegionStar],
        most: usize,
    ) -> Vec<Question> {
        let camera = &proposal.pose;
        let middle = [0, 1].map(|axis| proposal.spots.iter().map(|s| s[axis]).sum::<f64>() / 4.0);
        let most = most.min(Weigher::stars_asked(self.field));
        let mut asked = Vec::with_capacity(most);
        let mut rank = 0;
        for star in stars {
            let Some(at) = camera.project(star.vector) else {
                continue;
            };
            if at[0].abs() > self.half_px[0] - RIM_PX || at[1].abs() > self.half_px[1] - RIM_PX {
                continue;
            }
            if !self.field.open.contains([at[0], proposal.sign() * at[1]]) {
                continue;
            }
            let is_of_quad = proposal
                .stars
                .iter()
                .any(|&q| crate::sphere::chord2(q.vector, star.vector) < 1e-14);
            if !is_of_quad {
                let away = (at[0] - middle[0]).hypot(at[1] - middle[1]);
                asked.push(Question {
                    star: star.vector,
                    mag: f64::from(star.mag),
                    rank,
                    away,
                });
            }
            rank += 1;
            if rank >= most {
                break;
            }
        }
        asked.sort_by(|a, b| a.away.total_cmp(&b.away));
        asked
    }
}

impl Proposal {
    /// -1 where the camera's y axis is turned over against the frame's, else 1.
    fn sign(&self) -> f64 {
        if self.pose.flipped { -1.0 } else { 1.0 }
    }
}

/// A proposal on trial.
struct Case<'a> {
    weigher: &'a Weigher<'a>,
    errors: Errors,
    state: State,
    /// Detections asked about.
    seen: Seen,
    /// Area asked about.
    looked_at_px2: f64,
    pairs: Vec<(usize, [f64; 3])>,
}

/// A detection within the gate of a star.
#[derive(Clone, Copy)]
struct Hit {
    spot: Spot,
    residual: [f64; 2],
}

/// Chance that the star of this rank is detected in a frame with `count` detections.
fn completeness(rank: usize, count: usize) -> f64 {
    if rank * 10 > count * 6 {
        COMPLETENESS_AT_LIMIT
    } else {
        COMPLETENESS
    }
}

/// The detections within the gate of a star that no earlier one was asked about.
struct Hits {
    found: [Option<Hit>; MOST_HITS],
    /// There is one that an earlier star was asked about.
    companion: bool,
}

impl Case<'_> {
    /// Asks for one star: the gain in log likelihood ratio. `None` where the numbers of the pose
    /// have become unfit for a judgement.
    fn ask(&mut self, question: &Question) -> Option<f64> {
        let field = self.weigher.field;
        let Some((at, rows)) = self.state.predict(question.star) else {
            return Some(0.0);
        };
        let eligible = (3 * question.rank + 12).min(field.len());
        let unseen = eligible - self.seen.among_first(eligible);
        let unseen_px2 = field.open.area_px2 - self.looked_at_px2;
        let density = (unseen as f64).max(1.0) / unseen_px2;
        let spread =
            (self.errors.distortion * question.away).powi(2) + self.errors.catalogue_px.powi(2);
        let predicted = self.state.prediction_covariance(&rows, spread);
        let loose2 = self.errors.loose_px.powi(2);
        let reach = 4.5 * (predicted[0].max(predicted[2]) + loose2).sqrt();
        // Where many detections would fit by chance, the answer says next to nothing: not asked.
        let asked = density * reach * reach <= MOST_BY_CHANCE
            && unseen_px2 > (1.0 - MOST_LOOKED_AT) * field.open.area_px2;
        if !asked {
            return Some(0.0);
        }
        let [xx, xy, yy] = predicted;
        let gate = Gauss::new([xx + loose2, xy, yy + loose2])?;
        let hits = self.hits(at, reach, &gate, eligible);
        if hits.companion {
            return Some(0.0);
        }
        self.looked_at_px2 += gate.area_within(GATE_CHI2);
        let complete = completeness(question.rank, field.len());
        if hits.found[0].is_none() {
            return Some((1.0 - complete).ln());
        }
        let bright = (self.state.zero).expected(field, &self.seen, question.mag, eligible);
        let mut sum = 0.0;
        let mut best: Option<(f64, Hit, f64)> = None;
        for hit in hits.found.into_iter().flatten() {
            self.seen.insert(hit.spot.rank);
            let own = self.errors.of_spot(hit.spot.sigma_px);
            let [tight, loose] = shares(predicted, own, hit.residual)?;
            let ratio = bright.ratio(&hit.spot) * (tight + loose) / (density * hit.spot.crowding);
            sum += ratio;
            if best.is_none_or(|(other, ..)| ratio > other) {
                let share = tight / (tight + loose).max(f64::MIN_POSITIVE);
                best = Some((ratio, hit, mixed(share, own) + spread));
            }
        }
        // Taken into the pose only where it is likelier to be the star than not.
        if let Some((ratio, Hit { spot, residual }, variance)) = best
            && complete * ratio > 1.0 - complete
        {
            self.state = self.state.updated(&Measured {
                rows,
                residual,
                variance,
            })?;
            self.state.zero.add(&spot, question.mag);
            self.pairs.push((spot.rank, question.star));
        }
        Some((1.0 - complete + complete * sum).ln())
    }

    /// The detections within a gate about a predicted place, of the `eligible` brightest.
    fn hits(&self, at: [f64; 2], reach: f64, gate: &Gauss, eligible: usize) -> Hits {
        let sign = if self.state.camera.flipped { -1.0 } else { 1.0 };
        let mut hits = Hits {
            found: [None; MOST_HITS],
            companion: false,
        };
        let mut count = 0;
        self.weigher
            .field
            .near([at[0], sign * at[1]], reach, |spot: &Spot| {
                let residual = [spot.offset[0] - at[0], sign * spot.offset[1] - at[1]];
                if gate.chi2(residual) > GATE_CHI2 {
                    return;
                }
                if self.seen.contains(spot.rank) {
                    hits.companion = true;
                } else if spot.rank < eligible && count < MOST_HITS {
                    let spot = *spot;
                    hits.found[count] = Some(Hit { spot, residual });
                    count += 1;
                }
            });
        hits
    }
}

/// A catalogue star to be looked for.
struct Question {
    star: [f64; 3],
    mag: f64,
    rank: usize,
    away: f64,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{Detection, Detections};
    use crate::sphere::{cross, normalised};

    const SIZE: [usize; 2] = [1200, 800];

    /// Nine detections, the first four of them a quad.
    const PLACES: [[f64; 2]; 9] = [
        [300.0, 200.0],
        [900.0, 600.0],
        [500.0, 500.0],
        [700.0, 350.0],
        [100.0, 700.0],
        [1100.0, 100.0],
        [200.0, 450.0],
        [1000.0, 300.0],
        [620.0, 90.0],
    ];

    fn field() -> DetectionField {
        let star = |(rank, place): (usize, &[f64; 2])| Detection {
            x_px: place[0],
            y_px: place[1],
            sigma_px: 0.1,
            flux: 1e5 * (-0.4 * rank as f64).exp(),
            snr: 100.0,
            fwhm_px: 3.0,
            elongation: 1.0,
            saturated: false,
        };
        DetectionField::new(&Detections {
            stars: PLACES.iter().enumerate().map(star).collect(),
            width: SIZE[0],
            height: SIZE[1],
            fwhm_px: 3.0,
            ..Detections::default()
        })
    }

    fn camera() -> Camera {
        let p = normalised([0.3, -0.5, 0.7]);
        let e = normalised(cross([0.0, 0.0, 1.0], p));
        Camera {
            axes: [e, cross(p, e), p],
            focal_px: 40_000.0,
            flipped: false,
            radial: 0.0,
            reference_px: 721.0,
            projection: crate::projection::Projection::Gnomonic,
        }
    }

    fn offset(place: [f64; 2]) -> [f64; 2] {
        [place[0] - 599.5, place[1] - 399.5]
    }

    fn star(place: [f64; 2], mag: f32) -> RegionStar {
        RegionStar {
            vector: camera().direction(offset(place)),
            mag,
            motion: [0.0; 3],
        }
    }

    /// The evidence for a quad that matches, with these further stars in the catalogue.
    fn evidence(others: &[RegionStar]) -> Option<Evidence> {
        let quad: Vec<RegionStar> = (0..4)
            .map(|k| star(PLACES[k], 6.0 + 0.4 * k as f32))
            .collect();
        let field = field();
        let proposal = Proposal {
            pose: camera(),
            spots: std::array::from_fn(|k| offset(PLACES[k])),
            ranks: [0, 1, 2, 3],
            among: 9,
            done: 0,
            stars: std::array::from_fn(|k| quad[k].star()),
            gate_px: 3.0,
            radial_px: 0.7,
        };
        let stars: Vec<RegionStar> = quad.iter().chain(others).copied().collect();
        Weigher::new(&field, 0.0003).weigh(&proposal, &stars, 20)
    }

    /// A list of nine random detections reached 10^-7 by two entries of one star of the quad.
    #[test]
    fn a_star_listed_twice_is_no_second_star() {
        let beside = |k: usize, dx: f64| star([PLACES[k][0] + dx, PLACES[k][1]], 7.0);
        let twins = [
            beside(0, 0.1),
            beside(1, 0.3),
            beside(2, -0.2),
            beside(0, 1.0),
        ];
        assert!(
            evidence(&twins).is_none(),
            "four stars are four, however often they are listed"
        );
        let fifth = star(PLACES[4], 7.6);
        let alone = evidence(&[fifth]).unwrap();
        let with_twins = evidence(&[&twins[..], &[fifth, beside(4, 0.2)]].concat()).unwrap();
        assert_eq!(with_twins.pairs.len(), 5);
        assert!(with_twins.log_ratio <= alone.log_ratio + 1e-9);
    }

    #[test]
    fn each_star_found_speaks_for_the_pose_and_each_missing_one_against_it() {
        let more = [star(PLACES[4], 7.6), star(PLACES[5], 8.0)];
        let [one, two] = [1, 2].map(|count| evidence(&more[..count]).unwrap().log_ratio);
        assert!(two > one + 5.0);
        let missing = [more[0], more[1], star([420.0, 120.0], 7.0)];
        assert!(evidence(&missing).unwrap().log_ratio < two);
        let ranks: Vec<usize> = evidence(&more).unwrap().pairs.iter().map(|p| p.0).collect();
        assert_eq!(ranks, [0, 1, 2, 3, 4, 5]);
    }
}
