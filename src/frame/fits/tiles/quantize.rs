//! Floating-point pixels that were stored as scaled integers, with the dither that hides the
//! steps.
//!
//! Source: FITS 4.0, sections 10.2 and 10.2.1 (quantisation, dithering), appendix I (the random
//! numbers; Park & Miller 1988).

use std::sync::LazyLock;

/// Random numbers in the sequence.
const RANDOMS: usize = 10_000;

/// Stored value of an exact zero under `SUBTRACTIVE_DITHER_2`.
const ZERO_CODE: i32 = -2_147_483_646;

static RANDOM: LazyLock<Vec<f32>> = LazyLock::new(|| {
    let (a, m) = (16_807.0_f64, 2_147_483_647.0_f64);
    let mut seed = 1.0;
    (0..RANDOMS)
        .map(|_| {
            let product: f64 = a * seed;
            seed = product - m * (product / m).floor();
            (seed / m) as f32
        })
        .collect()
});

/// How values were dithered before rounding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Dither {
    /// Not at all.
    None,
    /// A random number was added to each; `keep_zero`: but exact zeros were kept.
    Subtractive { seed: i64, keep_zero: bool },
}

/// Undoes the quantisation of one tile.
#[derive(Debug, Clone, Copy)]
pub(super) struct Quantised {
    /// ZSCALE.
    pub scale: f64,
    /// ZZERO.
    pub zero: f64,
    /// Stored value of undefined pixels.
    pub blank: Option<i64>,
    /// See [`Dither`].
    pub dither: Dither,
}

impl Quantised {
    /// The values of the tile in table row `row` (0-based).
    pub(super) fn restore(&self, stored: &[i32], row: usize) -> Vec<f64> {
        let blank = self.blank.and_then(|b| i32::try_from(b).ok());
        let value = |i: i32, dither: f64| {
            if Some(i) == blank {
                f64::NAN
            } else {
                (f64::from(i) - dither) * self.scale + self.zero
            }
        };
        match self.dither {
            Dither::None => stored.iter().map(|&i| value(i, 0.0)).collect(),
            Dither::Subtractive { seed, keep_zero } => {
                let mut sequence = Sequence::new(row, seed);
                stored
                    .iter()
                    .map(|&i| {
                        let random = sequence.next();
                        if keep_zero && i == ZERO_CODE {
                            0.0
                        } else {
                            value(i, random - 0.5)
                        }
                    })
                    .collect()
            }
        }
    }
}

/// Walks through the random numbers as the standard prescribes: each tile begins elsewhere.
struct Sequence {
    first: usize,
    next: usize,
}

impl Sequence {
    fn new(row: usize, seed: i64) -> Sequence {
        let first = (row as i64)
            .wrapping_add(seed - 1)
            .rem_euclid(RANDOMS as i64) as usize;
        Sequence {
            first,
            next: (RANDOM[first] * 500.0) as usize,
        }
    }

    fn next(&mut self) -> f64 {
        let random = RANDOM[self.next];
        self.next += 1;
        if self.next == RANDOMS {
            self.first = (self.first + 1) % RANDOMS;
            self.next = (RANDOM[self.first] * 500.0) as usize;
        }
        f64::from(random)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FITS 4.0, appendix I: the seed after 10000 steps has to be 1043618065.
    #[test]
    fn random_numbers_end_where_the_standard_says() {
        let last = RANDOM.last().copied().unwrap_or(0.0);
        assert_eq!(last, (1_043_618_065.0 / 2_147_483_647.0) as f32);
    }
}
