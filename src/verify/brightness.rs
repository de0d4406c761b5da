//! Brightness as evidence: a true match shows bright stars bright and faint ones faint.
//!
//! The first star of a match sets the zero point (catalogue magnitude minus instrumental one),
//! every further one is compared with it. Under chance the detection met is any of those that
//! were open to be met, each as likely as the next: the ratio is divided by its mean over them, so
//! that its expectation is one.

use super::field::{DetectionField, Spot};
use super::seen::Seen;

/// Scatter of catalogue minus instrumental magnitudes in one frame: colours of stars and filters,
/// variability, blends. Common practice: a few tenths of a magnitude for unfiltered sensors.
const SCATTER_MAG: f64 = 0.4;
/// Share of stars of which the flux says nothing (stretched pictures, clouds, unmarked
/// saturation): they cost at most this factor.
const SAYS_NOTHING: f64 = 0.3;
/// The mean over all detections is not taken for less than the peak times this, the density at 3.5
/// sigma: a star that no detection could be makes none of them likely.
const LEAST_MEAN: f64 = 2e-3;

/// The zero point while a match is being followed.
#[derive(Debug, Clone, Copy, Default)]
pub struct ZeroPoint {
    stars: f64,
    mean: f64,
}

/// What is expected of the brightness of one star.
#[derive(Debug, Clone, Copy)]
pub struct Expected {
    /// Instrumental magnitude.
    mag: f64,
    variance: f64,
    /// Mean of [`Expected::likeness`] over the detections that may be met; 0: the zero point is
    /// unknown.
    mean: f64,
}

impl Expected {
    /// The density at an instrumental magnitude, relative to its peak.
    fn likeness(&self, mag: f64) -> f64 {
        let off = mag - self.mag;
        (-0.5 * off * off / self.variance).exp()
    }

    /// How much likelier the magnitude of `spot` is if it is the star than if it is any of the
    /// detections that may be met.
    pub fn ratio(&self, spot: &Spot) -> f64 {
        if spot.saturated || self.mean == 0.0 {
            return 1.0;
        }
        SAYS_NOTHING + (1.0 - SAYS_NOTHING) * self.likeness(spot.mag) / self.mean
    }
}

impl ZeroPoint {
    /// What to expect of a star of magnitude `mag`, where any of the `eligible` brightest
    /// detections but those `seen` may be met.
    pub fn expected(
        &self,
        field: &DetectionField,
        seen: &Seen,
        mag: f64,
        eligible: usize,
    ) -> Expected {
        let mut expected = Expected {
            mag: mag - self.mean,
            variance: SCATTER_MAG * SCATTER_MAG * (1.0 + 1.0 / self.stars.max(1.0)),
            mean: 0.0,
        };
        if self.stars == 0.0 {
            return expected;
        }
        let mags = field.mags().iter().take(eligible).enumerate();
        let open = mags.filter(|(rank, _)| !seen.contains(*rank));
        let (mut sum, mut count) = (0.0, 0.0);
        for mag in open.filter_map(|(_, mag)| *mag) {
            sum += expected.likeness(mag);
            count += 1.0;
        }
        if count > 0.0 {
            expected.mean = (sum / count).max(LEAST_MEAN);
        }
        expected
    }

    /// Takes a match into the zero point, unless it contradicts it grossly.
    pub fn add(&mut self, spot: &Spot, mag: f64) {
        let value = mag - spot.mag;
        let fits = self.stars == 0.0 || (value - self.mean).abs() < 4.0 * SCATTER_MAG;
        if !spot.saturated && fits && value.is_finite() {
            self.stars += 1.0;
            self.mean += (value - self.mean) / self.stars;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{Detection, Detections};

    fn field() -> DetectionField {
        let star = |rank: usize| Detection {
            x_px: (37 * rank % 400) as f64,
            y_px: (91 * rank % 300) as f64,
            sigma_px: 0.1,
            flux: 1e5 * (-0.07 * rank as f64).exp(),
            snr: 50.0,
            fwhm_px: 3.0,
            elongation: 1.0,
            saturated: false,
        };
        DetectionField::new(&Detections {
            stars: (0..60).map(star).collect(),
            width: 400,
            height: 300,
            fwhm_px: 3.0,
            sky_level: 100.0,
            sky_noise: 5.0,
            mosaic: false,
            ..Detections::default()
        })
    }

    fn zero_point(field: &DetectionField) -> ZeroPoint {
        let mut zero = ZeroPoint::default();
        for (rank, off) in [(1, 0.1), (5, -0.2), (12, 0.3), (20, -0.2)] {
            let spot = field.by_rank(rank).unwrap();
            zero.add(spot, spot.mag + 20.0 + off);
        }
        zero
    }

    /// The bound on the chance of a false match rests on it: were the detection any of those that
    /// may be the star, the ratio would be one at most in the mean, whatever the star's magnitude,
    /// how few there are and which were met before.
    #[test]
    fn by_chance_the_ratio_is_one_in_the_mean() {
        let field = field();
        let zero = zero_point(&field);
        let mut seen = Seen::default();
        for eligible in [60, 30, 12, 6, 5, 3] {
            seen.insert(eligible / 2);
            for tenth in 20..180 {
                let mag = f64::from(tenth) / 10.0;
                let expected = zero.expected(&field, &seen, mag, eligible);
                let ratios: Vec<f64> = (0..eligible)
                    .filter(|&rank| !seen.contains(rank))
                    .map(|rank| expected.ratio(field.by_rank(rank).unwrap()))
                    .collect();
                let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
                assert!(mean < 1.0 + 1e-12, "mag {mag} among {eligible}: {mean}");
                assert!(
                    mean > SAYS_NOTHING - 1e-9,
                    "mag {mag} among {eligible}: {mean}"
                );
            }
        }
    }

    #[test]
    fn the_right_brightness_speaks_for_a_match_and_a_wrong_one_costs_little() {
        let field = field();
        let zero = zero_point(&field);
        let spot = field.by_rank(10).unwrap();
        let ratio = |zero: &ZeroPoint, mag: f64| {
            zero.expected(&field, &Seen::default(), mag, 60).ratio(spot)
        };
        assert!(ratio(&zero, spot.mag + 20.0) > 2.0);
        assert!((ratio(&zero, spot.mag + 25.0) - SAYS_NOTHING).abs() < 0.01);
        assert_eq!(ratio(&ZeroPoint::default(), 3.0), 1.0);
    }
}
