//! The chance of a false match, all trials counted.
//!
//! Over all candidates weighed, trials / likelihood ratio bounds the probability that any of them
//! looks so good by accident. The bound is not tight. If g is the density of log10 of the ratio
//! among true matches, as the model has it, then accidents reach 10^u with a probability of the
//! order of g(u) 10^-u (a ratio and its distribution under either hypothesis determine each
//! other): little where u is far below what true matches reach, more the larger it is. Seen over
//! a few decades that is a power of the bound below one, with a factor that falls with the number
//! of detections. Both were measured on detection lists that show no piece of the sky:
//! `benches/CALIBRATION.md` has the figures, the command, and the proof on other lists than those
//! that the constants were taken from. Where the power law, carried on, would exceed the bound,
//! the bound holds.

/// log10 of the chance at a bound of one in a frame of [`USUAL_DETECTIONS`].
const LOG10_FACTOR: f64 = -2.0;
/// Power of the bound.
const POWER: f64 = 0.75;
/// Power of the number of detections.
const POWER_OF_DETECTIONS: f64 = -0.68;
const USUAL_DETECTIONS: f64 = 50.0;
/// Numbers of detections that were measured; beyond, the nearer end stands.
const MEASURED_DETECTIONS: [f64; 2] = [15.0, 120.0];

/// log10 of the chance that any of `trials` candidates reaches a likelihood ratio (natural
/// logarithm `log_ratio`) by accident, in a frame of so many detections. Above 0 it is the number of such accidents to be
/// expected, and says that nothing is known.
pub fn log10_of_false_match(trials: u64, log_ratio: f64, detections: usize) -> f64 {
    let bound = (trials.max(1) as f64).log10() - log_ratio / std::f64::consts::LN_10;
    let [fewest, most] = MEASURED_DETECTIONS;
    let share = (detections as f64).clamp(fewest, most) / USUAL_DETECTIONS;
    let measured = LOG10_FACTOR + POWER * bound + POWER_OF_DETECTIONS * share.log10();
    measured.min(bound)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::LN_10;

    #[test]
    fn never_above_the_bound() {
        for detections in [0, 15, 50, 400, usize::MAX] {
            for decades in -5..60 {
                let chance = log10_of_false_match(1000, f64::from(decades) * LN_10, detections);
                assert!(chance <= 3.0 - f64::from(decades) + 1e-9);
            }
        }
    }

    /// Far down the measured law would say less than the bound's own slope allows.
    #[test]
    fn far_beyond_what_was_measured_the_bound_holds() {
        let chance = |decades: f64| log10_of_false_match(1, decades * LN_10, 50);
        assert!((chance(40.0) + 40.0).abs() < 1e-9);
        assert!(chance(2.0) < -3.0);
    }
}
