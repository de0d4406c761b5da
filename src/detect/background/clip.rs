//! Level and scatter of a sky with stars in it.

/// Values that the first guess of middle and spread is taken from: sorting more costs more than
/// all the rest, and the guess only says what to clip.
const GUESS: usize = 128;

/// Clipped mean and standard deviation of a sample that holds sky and some stars.
///
/// The first guess of the spread is taken from the lower half, which stars leave alone; `floor`
/// is the least that makes sense. `None` with fewer than 8 values.
pub(crate) fn clipped(sample: &[f32], floor: f32) -> Option<(f32, f32)> {
    if sample.len() < 8 {
        return None;
    }
    let mut guess = [0; GUESS];
    let n = sample.len().min(GUESS);
    let guess = &mut guess[..n];
    if n == sample.len() {
        (guess.iter_mut().zip(sample)).for_each(|(key, v)| *key = key_of(*v));
    } else {
        for (k, key) in guess.iter_mut().enumerate() {
            *key = key_of(sample[k * sample.len() / GUESS]);
        }
    }
    let (lower, median, _) = guess.select_nth_unstable(n / 2);
    lower.sort_unstable();
    let median = value_of(*median);
    // One and two sigma below the middle of a normal distribution: 15.87 % and 2.28 %.
    let below = |share: usize| median - value_of(lower[n * share / 10_000]);
    let one = below(1587);
    // The lowest value of all is no two-sigma rank.
    let spread = if n < 44 {
        one
    } else {
        one.max(0.5 * below(228))
    }
    .max(floor);
    let (mean, deviation) = within(sample, median, 3.0 * spread);
    // Where stars crowd, the lower half stays the better witness.
    let sigma = deviation.min(1.5 * spread).max(floor);
    let (mean, deviation) = within(sample, mean, 3.0 * sigma);
    Some((mean, deviation.min(1.5 * spread)))
}

/// A whole number for a value, in the order of [`f32::total_cmp`]: sorted a quarter faster.
fn key_of(value: f32) -> i32 {
    let bits = value.to_bits() as i32;
    bits ^ ((bits >> 31) as u32 >> 1) as i32
}

/// The value of a key.
fn value_of(key: i32) -> f32 {
    f32::from_bits((key ^ ((key >> 31) as u32 >> 1) as i32) as u32)
}

/// Mean and standard deviation of the values within `reach` of `centre`, summed in a fixed
/// order of eight at a time.
fn within(sample: &[f32], centre: f32, reach: f32) -> (f32, f32) {
    const LANES: usize = 8;
    let (mut n, mut sum, mut square) = ([0.0f32; LANES], [0.0f32; LANES], [0.0f32; LANES]);
    let mut add = |k: usize, v: f32| {
        let d = v - centre;
        let near = d.abs() <= reach;
        let (one, d) = if near { (1.0, d) } else { (0.0, 0.0) };
        n[k] += one;
        sum[k] += d;
        square[k] += d * d;
    };
    let (eights, rest) = sample.as_chunks::<LANES>();
    for eight in eights {
        (0..LANES).for_each(|k| add(k, eight[k]));
    }
    rest.iter().enumerate().for_each(|(k, v)| add(k, *v));
    let total = |lanes: [f32; LANES]| lanes.iter().sum::<f32>();
    let (n, sum, square) = (total(n).max(1.0), total(sum), total(square));
    let mean = sum / n;
    // 1.014: a normal distribution cut at 3 sigma is narrower by that much (1 / 0.9866).
    let deviation = (square / n - mean * mean).max(0.0).sqrt() * 1.014;
    (centre + mean, deviation)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_stand_in_the_order_of_the_values() {
        let values = [
            -f32::INFINITY,
            -3e8,
            -1.5,
            -1e-40,
            -0.0,
            0.0,
            1e-40,
            2.5,
            7e9,
        ];
        let keys = values.map(key_of);
        assert!(keys.is_sorted_by(|a, b| a < b), "{keys:?}");
        let back = keys.map(|key| value_of(key).to_bits());
        assert_eq!(back, values.map(f32::to_bits));
    }
}
