//! Tails of Student's and of the F distribution, through the incomplete beta function.

/// Logarithm of the gamma function: Stirling's series (DLMF 5.11.1) above 8, recurrence below.
fn ln_gamma(x: f64) -> f64 {
    let mut shift = 0.0;
    let mut x = x;
    while x < 8.0 {
        shift += x.ln();
        x += 1.0;
    }
    let series = 1.0 / (12.0 * x) - 1.0 / (360.0 * x.powi(3)) + 1.0 / (1260.0 * x.powi(5));
    (x - 0.5) * x.ln() - x + 0.5 * std::f64::consts::TAU.ln() + series - shift
}

/// The regularised incomplete beta function I_x(a, b): its continued fraction (DLMF 8.17.22), by the
/// modified method of Lentz.
fn incomplete_beta(x: f64, a: f64, b: f64) -> f64 {
    if !(x > 0.0) {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(1.0 - x, b, a);
    }
    const TINY: f64 = 1e-300;
    let guarded = |v: f64| if v.abs() < TINY { TINY } else { v };
    let (mut c, mut d) = (1.0, 1.0 / guarded(1.0 - (a + b) * x / (a + 1.0)));
    let mut fraction = d;
    for m in 1..500 {
        let n = f64::from(m);
        let even = n * (b - n) * x / ((a + 2.0 * n - 1.0) * (a + 2.0 * n));
        let odd = -(a + n) * (a + b + n) * x / ((a + 2.0 * n) * (a + 2.0 * n + 1.0));
        let before = fraction;
        for term in [even, odd] {
            d = 1.0 / guarded(1.0 + term * d);
            c = guarded(1.0 + term / c);
            fraction *= c * d;
        }
        if (fraction / before - 1.0).abs() < 1e-14 {
            break;
        }
    }
    let ln_front =
        a * x.ln() + b * (1.0 - x).ln() + ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) - a.ln();
    ln_front.exp() * fraction
}

/// Probability that sums of squares fall by chance to this share or less when `more` numbers are
/// fitted besides and `freedom` degrees are left: the F test, in terms of the ratio.
pub fn chance_of_share(share: f64, more: f64, freedom: f64) -> f64 {
    incomplete_beta(share, 0.5 * freedom, 0.5 * more)
}

/// Half the width of the interval that holds 95 % of Student's distribution, in standard errors.
pub fn student95(freedom: f64) -> f64 {
    let beyond = |t: f64| incomplete_beta(freedom / (freedom + t * t), 0.5 * freedom, 0.5);
    let (mut low, mut high) = (1.9, 1e4);
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if beyond(middle) > 0.05 {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Abramowitz & Stegun 1964, table 26.10 (t, two-sided 0.95) and 26.9 (F, upper 5 %), from
    /// memory.
    #[test]
    fn as_in_the_tables() {
        for (freedom, t) in [(1.0, 12.706), (2.0, 4.303), (5.0, 2.571), (30.0, 2.042)] {
            assert!((student95(freedom) - t).abs() < 0.001, "{freedom}");
        }
        for (more, freedom, f) in [(2.0, 10.0, 4.10), (5.0, 5.0, 5.05), (4.0, 20.0, 2.87)] {
            let share = freedom / (freedom + more * f);
            assert!((chance_of_share(share, more, freedom) - 0.05).abs() < 3e-4);
        }
    }
}
