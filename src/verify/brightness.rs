//! Brightness as evidence: a true match shows bright stars bright and faint ones faint.
//!
//! The first star of a match sets the zero point (catalogue magnitude minus instrumental one),
//! every further one is compared with it. Under chance the detection met is any of those that
//! may be the star at all, so its magnitude has their distribution.

use super::field::{DetectionField, Spot};

/// Scatter of catalogue minus instrumental magnitudes in one frame: colours of stars and filters,
/// variability, blends. Common practice: a few tenths of a magnitude for unfiltered sensors.
const SCATTER_MAG: f64 = 0.4;
/// Share of stars of which the flux says nothing (stretched pictures, clouds, unmarked
/// saturation): they cost at most this factor.
const SAYS_NOTHING: f64 = 0.3;
/// Half width over which the magnitudes of detections are counted.
const WINDOW_MAG: f64 = 0.5;

/// The zero point while a match is being followed.
#[derive(Debug, Clone, Copy, Default)]
pub struct ZeroPoint {
    stars: f64,
    mean: f64,
}

impl ZeroPoint {
    /// How much likelier the magnitude of `spot` is if it is the star of magnitude `mag` than if
    /// it is any of the `eligible` brightest detections.
    pub fn ratio(&self, field: &DetectionField, spot: &Spot, mag: f64, eligible: usize) -> f64 {
        if self.stars == 0.0 || spot.saturated {
            return 1.0;
        }
        let chance = field.share_near(spot.mag, WINDOW_MAG, eligible) / (2.0 * WINDOW_MAG);
        let variance = SCATTER_MAG * SCATTER_MAG * (1.0 + 1.0 / self.stars);
        let off = mag - spot.mag - self.mean;
        let density =
            (-0.5 * off * off / variance).exp() / (2.0 * std::f64::consts::PI * variance).sqrt();
        SAYS_NOTHING + (1.0 - SAYS_NOTHING) * density / chance
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
    /// may be the star, the ratio would be one in the mean, whatever the star's magnitude.
    #[test]
    fn by_chance_the_ratio_is_one_in_the_mean() {
        let field = field();
        let zero = zero_point(&field);
        for eligible in [30, 60] {
            for tenth in 60..120 {
                let mag = f64::from(tenth) / 10.0;
                let sum: f64 = (0..eligible)
                    .map(|rank| zero.ratio(&field, field.by_rank(rank).unwrap(), mag, eligible))
                    .sum();
                let mean = sum / eligible as f64;
                assert!(mean < 1.12, "mag {mag} among {eligible}: {mean}");
            }
        }
    }

    #[test]
    fn the_right_brightness_speaks_for_a_match_and_a_wrong_one_costs_little() {
        let field = field();
        let zero = zero_point(&field);
        let spot = field.by_rank(10).unwrap();
        assert!(zero.ratio(&field, spot, spot.mag + 20.0, 60) > 2.0);
        let wrong = zero.ratio(&field, spot, spot.mag + 25.0, 60);
        assert!((wrong - SAYS_NOTHING).abs() < 0.01);
        assert_eq!(ZeroPoint::default().ratio(&field, spot, 3.0, 60), 1.0);
    }
}
