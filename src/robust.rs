//! Estimates that a few wild values cannot upset.

/// Median of the finite values, the mean of the middle two of an even number; `None` where there is
/// no value.
pub fn median<T: Into<f64>>(values: impl IntoIterator<Item = T>) -> Option<f64> {
    let finite = |v: T| Some(v.into()).filter(|v: &f64| v.is_finite());
    let mut values: Vec<f64> = values.into_iter().filter_map(finite).collect();
    if values.is_empty() {
        return None;
    }
    let (count, middle) = (values.len(), values.len() / 2);
    let upper = *values.select_nth_unstable_by(middle, f64::total_cmp).1;
    if count % 2 == 1 {
        return Some(upper);
    }
    let below = values[..middle].iter().copied();
    Some(0.5 * (upper + below.fold(f64::NEG_INFINITY, f64::max)))
}

/// The value at which half of the weight is passed; 0 without values. Values are finite, weights are
/// positive.
pub fn weighted_median(values: impl IntoIterator<Item = (f64, f64)>) -> f64 {
    let mut values: Vec<(f64, f64)> = values.into_iter().collect();
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut left = 0.5 * values.iter().map(|(_, weight)| weight).sum::<f64>();
    let passed = values.iter().find(|(_, weight)| {
        left -= weight;
        left <= 0.0
    });
    passed.map_or(0.0, |(value, _)| *value)
}

/// The value that `part` in `of` of the values lie below; `None` where there is no value.
pub fn quantile<T: Into<f64>>(
    values: impl IntoIterator<Item = T>,
    (part, of): (usize, usize),
) -> Option<f64> {
    let mut values: Vec<f64> = values.into_iter().map(T::into).collect();
    let rank = values.len() * part / of;
    (rank < values.len()).then(|| *values.select_nth_unstable_by(rank, f64::total_cmp).1)
}

/// Standard deviation of a normal distribution per median absolute deviation, 1 / 0.6745.
pub const SIGMA_PER_MAD: f64 = 1.482_602_2;

/// Standard deviation about the median, from the median absolute deviation.
pub fn scatter(values: &[f64]) -> Option<f64> {
    let middle = median(values.iter().copied())?;
    Some(SIGMA_PER_MAD * median(values.iter().map(|v| (v - middle).abs()))?)
}

/// How much longer the memory of the residuals makes a standard error: (1 + r) / (1 - r) is the
/// ratio of values to independent values for a first-order autoregressive series with lag-one
/// correlation r (Bayley & Hammersley 1946, from memory). Returns the inverse, 0.1 to 1.
pub fn independent_share(residuals: &[f64]) -> f64 {
    let square: f64 = residuals.iter().map(|r| r * r).sum();
    let lag: f64 = residuals.windows(2).map(|w| w[0] * w[1]).sum();
    if residuals.len() < 5 || !(square > 0.0) {
        return 1.0;
    }
    let r = (lag / square).clamp(0.0, 0.9);
    ((1.0 - r) / (1.0 + r)).max(0.1)
}

/// A straight line through points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Value at `t` = 0.
    pub intercept: f64,
    /// Change per unit of `t`.
    pub slope: f64,
    /// Standard error of the slope, with the memory of the residuals counted; `None` for two
    /// points.
    pub slope_error: Option<f64>,
    /// Standard deviation of the points about the line.
    pub scatter: f64,
}

/// Tuning constant of the biweight for 95 % efficiency at normal errors (Beaton & Tukey 1974).
const BIWEIGHT: f64 = 4.685;
/// Pairs of points that the first slope is a median of.
const PAIRS: usize = 60_000;

/// A straight line: median of the slopes between points (Theil 1950, Sen 1968), refined by
/// Tukey's biweight. `None` for fewer than two different `t`.
pub fn line(t: &[f64], y: &[f64]) -> Option<Line> {
    let n = t.len().min(y.len());
    let stride = (n * n / 2).div_ceil(PAIRS).max(1);
    let pairs = (1..n).flat_map(|gap| (0..n - gap).map(move |i| (i, i + gap)));
    let slopes = pairs
        .step_by(stride)
        .filter(|(i, j)| t[*i] != t[*j])
        .map(|(i, j)| (y[j] - y[i]) / (t[j] - t[i]));
    let mut slope = median(slopes)?;
    let mut intercept = median((0..n).map(|i| y[i] - slope * t[i]))?;
    let residuals = |slope: f64, intercept: f64| -> Vec<f64> {
        (0..n).map(|i| y[i] - intercept - slope * t[i]).collect()
    };
    let mut spread_t = 0.0;
    for _ in 0..12 {
        let left = residuals(slope, intercept);
        let scale = BIWEIGHT * SIGMA_PER_MAD * median(left.iter().map(|r| r.abs()))?;
        if !(scale > 0.0) {
            break;
        }
        let weights = left.iter().map(|r| {
            let u = r / scale;
            if u.abs() < 1.0 {
                (1.0 - u * u).powi(2)
            } else {
                0.0
            }
        });
        let [mut w, mut wt, mut wy, mut wtt, mut wty] = [0.0; 5];
        for (i, weight) in weights.enumerate() {
            w += weight;
            wt += weight * t[i];
            wy += weight * y[i];
            wtt += weight * t[i] * t[i];
            wty += weight * t[i] * y[i];
        }
        let spread = wtt - wt * wt / w;
        if !(spread > 0.0) {
            break;
        }
        spread_t = spread;
        slope = (wty - wt * wy / w) / spread;
        intercept = (wy - slope * wt) / w;
    }
    let left = residuals(slope, intercept);
    let scatter = scatter(&left)?;
    let freedom = n as f64 / (n as f64 - 2.0);
    let slope_error = (n > 2 && spread_t > 0.0)
        .then(|| scatter * (freedom / spread_t / independent_share(&left)).sqrt());
    Some(Line {
        intercept,
        slope,
        slope_error: slope_error.or((n > 2).then_some(0.0)),
        scatter,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Wild values one in six, and yet the line stands.
    #[test]
    fn a_line_among_wild_values() {
        let t: Vec<f64> = (0..60).map(f64::from).collect();
        let y: Vec<f64> = t
            .iter()
            .enumerate()
            .map(|(i, t)| {
                let noise = ((i * 7919 % 101) as f64 / 50.0 - 1.0) * 0.3;
                let wild = if i % 6 == 3 { 300.0 } else { 0.0 };
                5.0 + 0.75 * t + noise + wild
            })
            .collect();
        let line = line(&t, &y).unwrap();
        assert!((line.slope - 0.75).abs() < 0.01, "{line:?}");
        assert!((line.intercept - 5.0).abs() < 0.3, "{line:?}");
        let error = line.slope_error.unwrap();
        assert!(error > 0.0005 && error < 0.01, "{line:?}");
    }

    #[test]
    fn two_points_have_a_slope_and_no_error() {
        let exact = line(&[0.0, 2.0], &[1.0, 5.0]).unwrap();
        assert_eq!((exact.slope, exact.intercept), (2.0, 1.0));
        assert_eq!(exact.slope_error, None);
        assert_eq!(line(&[1.0, 1.0], &[1.0, 5.0]), None);
        assert_eq!(line(&[], &[]), None);
    }

    #[test]
    fn a_heavy_value_moves_the_weighted_median() {
        assert_eq!(weighted_median([(3.0, 1.0), (1.0, 1.0), (2.0, 1.0)]), 2.0);
        assert_eq!(weighted_median([(3.0, 2.5), (1.0, 1.0), (2.0, 1.0)]), 3.0);
        assert_eq!(weighted_median([]), 0.0);
    }

    #[test]
    fn medians_of_odd_even_and_nothing() {
        assert_eq!(median([3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median([4.0, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(median([f64::NAN]), None);
    }
}
