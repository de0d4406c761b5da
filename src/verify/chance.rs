//! The chance of a false match, all trials and looks counted.
//!
//! Were a candidate false, the expectation of its likelihood ratio would be at most one (see
//! [`super::evidence`]), and the ratio would reach x with a probability of at most 1 / x (Markov).
//! Candidates come one after the other, and after each batch of them the search asks whether to
//! stop; how many there will be is not known. So candidate number n is given the share n^-1.15 /
//! zeta(1.15) of the whole chance, and all shares together make one, however long the search goes
//! on and whenever it looks: the probability that any false candidate ever states a chance of p or
//! less is at most p. (The weighted form of Bonferroni's inequality; the sum over the looks needs
//! no independence.) The price of not knowing the number beforehand is a factor of 7.25 n^0.15:
//! small for the few candidates of a sparse field, where evidence is scarce, and 31 for the 16,000
//! of a blind search.
//!
//! Nothing here was fitted. That real lists keep to it is shown by `benches/CALIBRATION.md`.

/// Power of the number of trials.
const POWER: f64 = 1.15;
/// log10 of zeta(1.15), the sum over all n of n^-1.15, by the Euler-Maclaurin formula as in the
/// test.
const LOG10_ZETA: f64 = 0.8606191;

/// log10 of the chance that a false candidate among `trials`, or among any that follow, reaches a
/// likelihood ratio (natural logarithm `log_ratio`) that says as much. Above 0 nothing is known.
pub fn log10_of_false_match(trials: u64, log_ratio: f64) -> f64 {
    POWER * (trials.max(1) as f64).log10() + LOG10_ZETA - log_ratio / std::f64::consts::LN_10
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::LN_10;

    /// Euler-Maclaurin: the sum below N, and the integral with its first corrections beyond.
    #[test]
    fn the_shares_of_all_candidates_make_one() {
        let n = 1000.0_f64;
        let below: f64 = (1..1000).map(|k| f64::from(k).powf(-POWER)).sum();
        let beyond = n.powf(1.0 - POWER) / (POWER - 1.0)
            + 0.5 * n.powf(-POWER)
            + POWER / 12.0 * n.powf(-POWER - 1.0);
        assert!((LOG10_ZETA - (below + beyond).log10()).abs() < 1e-6);
    }

    /// Every search that stops at the first statement under p, however many candidates it has, is
    /// wrong with at most that probability: summed over candidates that reach a ratio of x with a
    /// probability of 1 / x.
    #[test]
    fn looking_after_every_candidate_keeps_the_promise() {
        let needed = |n: u64| {
            // The ratio at which candidate n states 10^-7.
            (log10_of_false_match(n, 0.0) + 7.0) * LN_10
        };
        let total: f64 = (1..2_000_000).map(|n| (-needed(n)).exp()).sum();
        assert!(total < 1e-7 && total > 0.5e-7, "{total}");
    }

    #[test]
    fn a_decade_of_evidence_is_a_decade_of_chance() {
        let chance = |decades: f64| log10_of_false_match(1, decades * LN_10);
        assert!((chance(3.0) - chance(4.0) - 1.0).abs() < 1e-12);
    }
}
