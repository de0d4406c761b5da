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
use super::field::{DetectionField, Spot};
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
/// Share of measurements with the small error; the others have the large one.
const TIGHT_SHARE: f64 = 0.7;
/// Chance that a star is detected which is well within the reach of the frame; near its limit.
const COMPLETENESS: f64 = 0.85;
const COMPLETENESS_AT_LIMIT: f64 = 0.5;
/// Systematic centroid error beside the one stated with each detection, pixels.
const FLOOR_PX: f64 = 0.08;
/// Catalogue position error, arcsec per axis: positions to 0.0001 deg (0.1 arcsec rms) and
/// proper motion errors of some mas/yr over decades.
const CATALOGUE_ARCSEC: f64 = 0.2;
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

/// Measurement errors of one frame at one scale.
#[derive(Debug, Clone, Copy)]
struct Errors {
    catalogue_px: f64,
    loose_px: f64,
    distortion: f64,
}

impl Errors {
    /// Variances of a detection's place, per axis: small as a rule, else large.
    fn of_spot(&self, sigma_px: f64) -> [f64; 2] {
        let tight = sigma_px.powi(2) + FLOOR_PX.powi(2);
        [tight, tight + self.loose_px.powi(2)]
    }
}

/// Density of a residual, in parts for the small and the large variance of the detection; the
/// prediction has the covariance (xx, xy, yy).
fn shares(predicted: [f64; 3], variances: [f64; 2], residual: [f64; 2]) -> [f64; 2] {
    let density = |variance: f64| {
        Gauss::new([
            predicted[0] + variance,
            predicted[1],
            predicted[2] + variance,
        ])
        .density(residual)
    };
    [
        TIGHT_SHARE * density(variances[0]),
        (1.0 - TIGHT_SHARE) * density(variances[1]),
    ]
}

/// The variance to be expected where the small one has this share.
fn mixed(share: f64, [tight, loose]: [f64; 2]) -> f64 {
    share * tight + (1.0 - share) * loose
}

/// Weighs poses of one frame.
#[derive(Debug)]
pub struct Weigher<'a> {
    field: &'a DetectionField,
    half_px: [f64; 2],
    /// Random distortion beside the radial term, relative to the distance from the quad.
    pub distortion: f64,
}

/// A two-dimensional normal distribution about zero.
struct Gauss {
    inverse: [f64; 3],
    peak: f64,
}

impl Gauss {
    /// Of covariance xx, xy, yy.
    fn new([xx, xy, yy]: [f64; 3]) -> Gauss {
        let det = xx * yy - xy * xy;
        Gauss {
            inverse: [yy / det, -xy / det, xx / det],
            peak: 1.0 / (2.0 * std::f64::consts::PI * det.sqrt()),
        }
    }

    fn chi2(&self, [x, y]: [f64; 2]) -> f64 {
        self.inverse[0] * x * x + 2.0 * self.inverse[1] * x * y + self.inverse[2] * y * y
    }

    fn density(&self, at: [f64; 2]) -> f64 {
        self.peak * (-0.5 * self.chi2(at)).exp()
    }
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

    fn errors(&self, camera: &Camera) -> Errors {
        let catalogue_px = CATALOGUE_ARCSEC / 206_265.0 * camera.focal_px;
        Errors {
            catalogue_px,
            loose_px: (0.3 + 0.2 * self.field.fwhm_px).hypot(2.0 * catalogue_px),
            distortion: self.distortion,
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
        let errors = self.errors(&proposal.pose);
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

/// The pose while it is being improved: a fixed camera and a small change of it.
struct State {
    camera: Camera,
    covariance: Matrix,
    shift: Vector,
    zero: ZeroPoint,
}

impl State {
    fn predict(&self, star: [f64; 3]) -> Option<([f64; 2], [Vector; 2])> {
        let at = self.camera.project(star)?;
        let rows = self.camera.derivatives(at);
        Some((
            [0, 1].map(|axis| at[axis] + rows[axis].dot(&self.shift)),
            rows,
        ))
    }

    /// Covariance of a prediction (xx, xy, yy), pixels squared.
    fn prediction_covariance(&self, rows: &[Vector; 2], spread: f64) -> [f64; 3] {
        let px = self.covariance * rows[0];
        let py = self.covariance * rows[1];
        [
            rows[0].dot(&px) + spread,
            rows[1].dot(&px),
            rows[1].dot(&py) + spread,
        ]
    }

    /// Kalman update with a residual of both axes.
    fn update(&mut self, rows: &[Vector; 2], residual: [f64; 2], variance: f64) {
        let px = self.covariance * rows[0];
        let py = self.covariance * rows[1];
        let s = [
            rows[0].dot(&px) + variance,
            rows[1].dot(&px),
            rows[1].dot(&py) + variance,
        ];
        let det = s[0] * s[2] - s[1] * s[1];
        let gain_x = (px * s[2] - py * s[1]) / det;
        let gain_y = (py * s[0] - px * s[1]) / det;
        self.shift += gain_x * residual[0] + gain_y * residual[1];
        self.covariance -= gain_x * px.transpose() + gain_y * py.transpose();
    }
}
