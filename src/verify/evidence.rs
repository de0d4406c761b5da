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
//! of [`super::brightness`]. If detections lie
//! at random, the expectation of every such factor is one given all that came before it, so
//! the product is a test martingale: P(product >= x) <= 1 / x (Ville 1939), and over many trials
//! at most trials / x. How much smaller it really is, was measured: see [`super::chance`].

use super::brightness::ZeroPoint;
use super::camera::{Camera, Matrix, Vector};
use super::errors::{Errors, Gauss, mixed, shares};
use super::field::{DetectionField, Spot};
use super::state::State;
use crate::sky::{RegionStar, Star};

/// Catalogue stars that are asked for at most, brightest first: at a first glance, and where that
/// went well.
pub const GLANCE_STARS: usize = 20;
/// See [`GLANCE_STARS`].
pub const STARS_ASKED: usize = 60;
/// A first glance that gains less than this (natural logarithm) is not followed by a second.
pub const GLANCE_GAIN: f64 = 2.0;
/// Below this (natural logarithm) a pose is given up. By the same inequality, turned round, a true
/// one whose stars behave as the model says falls so deep with a probability of at most e^-5.5, or
/// 0.4 %; and it has other quads.
const HOPELESS: f64 = -5.5;
/// Chance that a star is detected which is well within the reach of the frame; near its limit.
const COMPLETENESS: f64 = 0.85;
const COMPLETENESS_AT_LIMIT: f64 = 0.5;
/// Standard deviation of what is not known at all, pixels: more than any frame is wide.
const UNKNOWN_PX: f64 = 1e5;
/// Detections beyond this squared distance (in sigma) are not this star: one in 20,000 is missed.
const GATE_CHI2: f64 = 20.0;
/// A star is not asked for while so many detections are expected within reach by chance.
const MOST_BY_CHANCE: f64 = 1.0;
/// Stars closer to the rim than this may be outside: they are not asked for.
const RIM_PX: f64 = 3.0;

/// What speaks for a pose.
#[derive(Debug, Clone)]
pub struct Evidence {
    /// Natural logarithm of the likelihood ratio, the quad's own part included.
    pub log_ratio: f64,
    /// The camera after all updates.
    pub camera: Camera,
    /// The part of it that the stars beside the quad contributed.
    pub gain: f64,
    /// Detections matched, beside those of the quad.
    pub matched: usize,
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
    /// The frame's quads are of so many detections.
    pub among: usize,
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

    /// The evidence for a proposal. `stars` are the catalogue stars around the frame, brightest
    /// first, of which the first `most` in the frame are asked for. `None`: hopeless.
    pub fn weigh(
        &self,
        proposal: &Proposal,
        stars: &[RegionStar],
        most: usize,
    ) -> Option<Evidence> {
        let errors = Errors::at_scale(proposal.pose.focal_px, self.field.fwhm_px, self.distortion);
        let (quad_log, mut state) = self.quad_evidence(proposal, &errors)?;
        let asked = self.stars_to_ask(proposal, stars, most);
        let mut log_ratio = quad_log;
        let mut matched = 0;
        for question in &asked {
            let (gain, hit) = self.ask(&mut state, question, &errors);
            log_ratio += gain;
            matched += usize::from(hit);
            if log_ratio - quad_log < HOPELESS {
                return None;
            }
        }
        Some(Evidence {
            log_ratio,
            gain: log_ratio - quad_log,
            camera: state.camera.changed(&state.shift),
            matched,
        })
    }

    /// The quad's own part, and the pose with its error. A and B set shift, turn and scale; C and
    /// D, predicted from them, were found where the code's tolerance asked for them: under chance
    /// anywhere in that box.
    fn quad_evidence(&self, proposal: &Proposal, errors: &Errors) -> Option<(f64, State)> {
        let camera = proposal.pose;
        // Nothing is known but the lens.
        let mut covariance = Matrix::identity() * UNKNOWN_PX.powi(2);
        covariance[(4, 4)] = proposal.radial_px.powi(2);
        let mut shift = Vector::zeros();
        shift[4] = -camera.radial * camera.reference_px;
        let mut state = State {
            camera,
            covariance,
            shift,
            zero: ZeroPoint::default(),
        };
        let [a, b, ..] = proposal.spots;
        let half_length = 0.5 * (a[0] - b[0]).hypot(a[1] - b[1]);
        let spread = (errors.distortion * half_length).powi(2) + errors.catalogue_px.powi(2);
        let box_px2 = (2.0 * proposal.gate_px).powi(2);
        let mut log_ratio = 0.0;
        for k in 0..4 {
            let star = proposal.stars[k];
            let (at, rows) = state.predict(star.vector)?;
            let place = proposal.spots[k];
            let residual = [place[0] - at[0], place[1] - at[1]];
            let spot = self.field.by_rank(proposal.ranks[k])?;
            let own = errors.of_spot(spot.sigma_px);
            let mag = f64::from(star.mag);
            log_ratio += state.zero.ratio(self.field, spot, mag, proposal.among).ln();
            state.zero.add(spot, mag);
            if k < 2 {
                state.update(&rows, residual, own[0] + spread);
                continue;
            }
            let predicted = state.prediction_covariance(&rows, spread);
            let [tight, loose] = shares(predicted, own, residual);
            let both = (tight + loose).max(1e-30);
            log_ratio += (box_px2 * both).ln();
            let share = tight / both;
            state.update(&rows, residual, mixed(share, own) + spread);
        }
        Some((log_ratio, state))
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
        let most = most.min(6 * self.field.len() / 5 + 1);
        let mut asked = Vec::with_capacity(most);
        let mut rank = 0;
        for star in stars {
            let Some(at) = camera.project(star.vector) else {
                continue;
            };
            if at[0].abs() > self.half_px[0] - RIM_PX || at[1].abs() > self.half_px[1] - RIM_PX {
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

    /// Asks for one star: the gain in log likelihood ratio and whether a detection was taken.
    fn ask(&self, state: &mut State, question: &Question, errors: &Errors) -> (f64, bool) {
        let Some((at, rows)) = state.predict(question.star) else {
            return (0.0, false);
        };
        let eligible = (3 * question.rank + 12).min(self.field.len());
        let density = eligible as f64 / (4.0 * self.half_px[0] * self.half_px[1]);
        let near_limit = question.rank * 10 > self.field.len() * 6;
        let complete = if near_limit {
            COMPLETENESS_AT_LIMIT
        } else {
            COMPLETENESS
        };
        let spread = (errors.distortion * question.away).powi(2) + errors.catalogue_px.powi(2);
        let predicted = state.prediction_covariance(&rows, spread);
        let loose2 = errors.loose_px.powi(2);
        let reach = 4.5 * (predicted[0].max(predicted[2]) + loose2).sqrt();
        // Where many detections would fit by chance, the answer says next to nothing: not asked.
        if density * reach * reach > MOST_BY_CHANCE {
            return (0.0, false);
        }
        let gate = Gauss::new([predicted[0] + loose2, predicted[1], predicted[2] + loose2]);
        let sign = if state.camera.flipped { -1.0 } else { 1.0 };
        let mut sum = 0.0;
        let mut best: Option<(f64, [f64; 2], f64, Spot)> = None;
        let zero = state.zero;
        self.field
            .near([at[0], sign * at[1]], reach, |spot: &Spot| {
                if spot.rank >= eligible {
                    return;
                }
                let residual = [spot.offset[0] - at[0], sign * spot.offset[1] - at[1]];
                if gate.chi2(residual) > GATE_CHI2 {
                    return;
                }
                let own = errors.of_spot(spot.sigma_px);
                let [tight, loose] = shares(predicted, own, residual);
                let bright = zero.ratio(self.field, spot, question.mag, eligible);
                let both = bright * (tight + loose);
                sum += both;
                if best.is_none_or(|(value, ..)| both > value) {
                    let share = tight / (tight + loose).max(f64::MIN_POSITIVE);
                    best = Some((both, residual, mixed(share, own), *spot));
                }
            });
        let gain = (1.0 - complete + complete * sum / density).ln();
        let Some((value, residual, variance, spot)) = best else {
            return (gain, false);
        };
        // Taken into the pose only where it is likelier to be the star than not.
        let taken = complete * value / density > 1.0 - complete;
        if taken {
            state.update(&rows, residual, variance + spread);
            state.zero.add(&spot, question.mag);
        }
        (gain, taken)
    }
}

/// A catalogue star to be looked for.
struct Question {
    star: [f64; 3],
    mag: f64,
    rank: usize,
    away: f64,
}
