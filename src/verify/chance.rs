//! The chance of a false match, all trials counted.
//!
//! Over all candidates weighed, trials / likelihood ratio bounds the probability that any of them
//! looks so good by accident. The bound is not tight. If g is the density of log10 of the ratio
//! among true matches, as the model has it, then accidents reach 10^u with a probability of the
//! order of g(u) 10^-u (a ratio and its distribution under either hypothesis determine each
//! other): little where u is far below what true matches reach, more the larger it is. Seen over
//! a few decades that is a power of the bound below one, times a small factor. Both were measured
//! on detection lists that show no piece of the sky: `benches/CALIBRATION.md` has the figures, the
//! command, and the proof on other lists than those that the two constants were taken from. Where
//! the power law, carried on, would exceed the bound, the bound holds.

/// log10 of the chance at a bound of one.
const LOG10_FACTOR: f64 = -2.0;
/// Power of the bound.
const POWER: f64 = 0.78;

/// log10 of the chance that any of `trials` candidates reaches a likelihood ratio (natural
/// logarithm `log_ratio`) by accident. Above 0 it is the number of such accidents to be expected,
/// and says that nothing is known.
pub fn log10_of_false_match(trials: u64, log_ratio: f64) -> f64 {
    let bound = (trials.max(1) as f64).log10() - log_ratio / std::f64::consts::LN_10;
    (LOG10_FACTOR + POWER * bound).min(bound)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::LN_10;

    #[test]
    fn never_above_the_bound() {
        for decades in -5..60 {
            let chance = log10_of_false_match(1000, f64::from(decades) * LN_10);
            assert!(chance <= 3.0 - f64::from(decades) + 1e-9);
        }
    }

    #[test]
    fn far_beyond_what_was_measured_the_bound_holds() {
        let chance = |decades: f64| log10_of_false_match(1, decades * LN_10);
        assert!((chance(40.0) + 40.0).abs() < 1e-9);
        assert!((chance(2.0) + 3.56).abs() < 1e-9);
    }
}
