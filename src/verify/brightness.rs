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
