//! Periodic error: does the residual in right ascension swing with a period?
//!
//! A least-squares periodogram with floating offset and slow trend (Lomb 1976; Scargle 1982;
//! Zechmeister & Kürster 2009), and the false-alarm probability of its highest peak.

use crate::robust::median;
use nalgebra::{SMatrix, SVector};

/// Worms of common mounts turn once in 3 to 15 minutes. Common practice.
const LONGEST_WORM_MIN: f64 = 15.0;
/// Probability that noise alone makes such a peak, below which it is believed.
const FALSE_ALARM: f64 = 1e-4;
/// Fewer frames leave nothing to test.
const LEAST_FRAMES: usize = 16;
/// Steps per independent frequency.
const OVERSAMPLING: f64 = 6.0;
/// Most frequencies that are tried: the time for it stays below that of the other fits.
const MOST_FREQUENCIES: usize = 4000;

/// What the residuals in right ascension say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Periodic {
    /// A swing was found.
    Found {
        /// Minutes.
        period_min: f64,
        /// Half the full swing, arcsec on the sky.
        amplitude_arcsec: f64,
        /// Probability that noise alone does this.
        false_alarm: f64,
        /// With frames at even intervals the same values come of this period, minutes.
        alias_min: Option<f64>,
    },
    /// None between these periods with more than this amplitude.
    NotSeen {
        /// Minutes.
        between_min: [f64; 2],
        /// Amplitude that would have been found, arcsec.
        limit_arcsec: f64,
    },
    /// The frames come too rarely to see the periods that worms have.
    TooRare {
        /// Time from frame to frame, minutes.
        every_min: f64,
    },
    /// Too few frames.
    TooFew,
}

/// Judges a series of residuals; `minutes` in order, `exposure_min` is the typical exposure.
pub fn periodic(minutes: &[f64], residual_arcsec: &[f64], exposure_min: f64) -> Periodic {
    let n = minutes.len().min(residual_arcsec.len());
    let steps: Vec<f64> = minutes.windows(2).map(|w| w[1] - w[0]).collect();
    let (Some(step), true) = (median(steps.iter().copied()), n >= 2) else {
        return Periodic::TooFew;
    };
    let span = minutes[n - 1] - minutes[0];
    // Two frames per period at least (Nyquist), and an exposure that does not smear it.
    let shortest = (2.0 * step).max(1.5 * exposure_min);
    if shortest > LONGEST_WORM_MIN {
        return Periodic::TooRare { every_min: step };
    }
    let longest = span / 2.5;
    if n < LEAST_FRAMES || longest < 1.5 * shortest {
        return Periodic::TooFew;
    }
    let (low, high) = (1.0 / longest, 1.0 / shortest);
    let count = (((high - low) * span * OVERSAMPLING).ceil() as usize).clamp(8, MOST_FREQUENCIES);
    let base = Series::new(&minutes[..n], &residual_arcsec[..n]);
    let Some(plain) = base.misfit(None) else {
        return Periodic::TooFew;
    };
    let tried = (0..=count).map(|k| low + (high - low) * k as f64 / count as f64);
    let Some((frequency, swing)) = tried
        .filter_map(|frequency| Some((frequency, base.misfit(Some(frequency))?)))
        .min_by(|a, b| a.1.square.total_cmp(&b.1.square))
    else {
        return Periodic::TooFew;
    };
    let power = (1.0 - swing.square / plain.square).clamp(0.0, 1.0);
    // Zechmeister & Kürster (2009), eq. 24, with three numbers for the trend; independent
    // frequencies as many as the span resolves.
    let independent = ((high - low) * span).max(1.0);
    let single = (1.0 - power).powf((n as f64 - 5.0) / 2.0);
    let false_alarm = match 1.0 - (1.0 - single.min(1.0)).powf(independent) {
        // Too small for the difference.
        0.0 => single * independent,
        chance => chance,
    };
    let noise = (plain.square / n as f64).sqrt();
    // Worm gears swing by arcseconds; what exceeds the noise by less is chance.
    if false_alarm < FALSE_ALARM && swing.amplitude > 0.3 * noise {
        let is_even = |s: &&f64| (*s / step - 1.0).abs() < 0.05;
        let even = steps.iter().filter(is_even).count();
        let alias = 1.0 / (1.0 / step - frequency);
        return Periodic::Found {
            period_min: 1.0 / frequency,
            amplitude_arcsec: swing.amplitude,
            false_alarm,
            alias_min: (even * 10 >= steps.len() * 9 && alias > exposure_min).then_some(alias),
        };
    }
    // The power at which the alarm would have been given.
    let needed = 1.0 - (FALSE_ALARM / independent).powf(2.0 / (n as f64 - 5.0));
    Periodic::NotSeen {
        between_min: [shortest, longest],
        limit_arcsec: noise * (2.0 * needed).sqrt(),
    }
}

struct Series<'a> {
    minutes: &'a [f64],
    values: &'a [f64],
    middle: f64,
    half: f64,
}

struct Misfit {
    square: f64,
    amplitude: f64,
}

impl<'a> Series<'a> {
    fn new(minutes: &'a [f64], values: &'a [f64]) -> Series<'a> {
        let (first, last) = (minutes[0], minutes[minutes.len() - 1]);
        Series {
            minutes,
            values,
            middle: 0.5 * (first + last),
            half: (0.5 * (last - first)).max(1e-9),
        }
    }

    /// Sum of squares left by offset, slope and bend, and by a swing of `frequency` besides.
    fn misfit(&self, frequency: Option<f64>) -> Option<Misfit> {
        let mut a = SMatrix::<f64, 5, 5>::zeros();
        let mut b = SVector::<f64, 5>::zeros();
        let base = |t: f64| {
            let x = (t - self.middle) / self.half;
            let (sin, cos) = frequency.map_or((0.0, 0.0), |f| {
                (std::f64::consts::TAU * f * (t - self.middle)).sin_cos()
            });
            SVector::<f64, 5>::new(1.0, x, x * x, cos, sin)
        };
        for (t, v) in self.minutes.iter().zip(self.values) {
            let row = base(*t);
            a += row * row.transpose();
            b += *v * row;
        }
        if frequency.is_none() {
            a[(3, 3)] = 1.0;
            a[(4, 4)] = 1.0;
        }
        let solution = a.cholesky()?.solve(&b);
        let left = |(t, v): (&f64, &f64)| (v - base(*t).dot(&solution)).powi(2);
        Some(Misfit {
            square: self.minutes.iter().zip(self.values).map(left).sum(),
            amplitude: solution[3].hypot(solution[4]),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values between -1.2 and 1.2 without a pattern (Steele et al. 2014, splitmix64), the same
    /// on every run.
    fn noise(i: usize) -> f64 {
        let mut x = (i as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((x ^ (x >> 31)) >> 11) as f64 / (1_u64 << 53) as f64 * 2.4 - 1.2
    }

    #[test]
    fn a_worm_of_eight_minutes_is_found() {
        let minutes: Vec<f64> = (0..120)
            .map(|i| 1.03 * i as f64 + 0.1 * noise(i + 5))
            .collect();
        let values: Vec<f64> = minutes
            .iter()
            .enumerate()
            .map(|(i, t)| 4.0 * (std::f64::consts::TAU * t / 7.98).sin() + noise(i) + 0.02 * t)
            .collect();
        let Periodic::Found {
            period_min,
            amplitude_arcsec,
            ..
        } = periodic(&minutes, &values, 0.5)
        else {
            panic!("{:?}", periodic(&minutes, &values, 0.5));
        };
        assert!((period_min - 7.98).abs() < 0.05, "{period_min}");
        assert!((amplitude_arcsec - 4.0).abs() < 0.4, "{amplitude_arcsec}");
    }

    #[test]
    fn noise_has_no_period() {
        let minutes: Vec<f64> = (0..200).map(f64::from).collect();
        let values: Vec<f64> = (0..200).map(noise).collect();
        let Periodic::NotSeen { limit_arcsec, .. } = periodic(&minutes, &values, 0.5) else {
            panic!("{:?}", periodic(&minutes, &values, 0.5));
        };
        assert!(limit_arcsec > 0.2 && limit_arcsec < 1.2, "{limit_arcsec}");
    }

    #[test]
    fn rare_or_few_frames_say_nothing() {
        let rare: Vec<f64> = (0..30).map(|i| 18.0 * f64::from(i)).collect();
        let values: Vec<f64> = (0..30).map(noise).collect();
        assert!(matches!(
            periodic(&rare, &values, 1.0),
            Periodic::TooRare { .. }
        ));
        assert_eq!(periodic(&rare[..1], &values[..1], 1.0), Periodic::TooFew);
        let few: Vec<f64> = (0..6).map(f64::from).collect();
        assert_eq!(periodic(&few, &values[..6], 1.0), Periodic::TooFew);
    }
}
