//! Stars, hot pixels and lines told apart by how the filtered plane bends at a maximum.

use super::maxima::Peak;
use crate::detect::refuse::Refusal;
use crate::robust::quantile;

/// How the filtered plane bends at a maximum, per unit of its value.
#[derive(Debug, Clone, Copy)]
pub(super) struct Curvature {
    /// Along the direction in which it falls most steeply, and across it.
    most: f32,
    least: f32,
}

impl Curvature {
    /// From the values left and right, above and below, and at the four corners.
    pub fn new(v: f32, rows: [&[f32]; 3]) -> Curvature {
        let [a, h, b] = rows;
        let (xx, yy) = (2.0 * v - h[0] - h[2], 2.0 * v - a[1] - b[1]);
        let xy = 0.25 * (a[0] + b[2] - a[2] - b[0]);
        let (mean, root) = (0.5 * (xx + yy), (0.25 * (xx - yy).powi(2) + xy * xy).sqrt());
        Curvature {
            most: (mean + root) / v,
            least: (mean - root) / v,
        }
    }

    fn mean(self) -> f32 {
        0.5 * (self.most + self.least)
    }
}

/// How stars and defects bend in the filtered plane.
///
/// A star of variance s^2 seen through a kernel of s^2 becomes a Gaussian of 2 s^2; a single hot
/// value becomes the kernel itself and bends twice as much. A line does not bend along itself.
pub(super) struct Curvatures {
    /// Mean curvature of a star, and of a single value (infinite: not known yet).
    star: f32,
    single: f32,
    /// Least over most curvature of the roundest images of this plane.
    roundness: f32,
}

impl Curvatures {
    /// Of these maxima, with their ratios to the noise, seen through a kernel of `sigma`. A single
    /// value is not a star where `singles_are_none`.
    pub fn of(peaks: &[(f32, Peak)], sigma: f32, singles_are_none: bool) -> Curvatures {
        let curvature = |variance: f32| 2.0 - 2.0 * (-0.5 / variance).exp();
        let (star, single) = (curvature(2.0 * sigma * sigma), curvature(sigma * sigma));
        let clear = |most: f32| -> Vec<f32> {
            let clear = peaks.iter().filter(|(snr, _)| *snr > SNR_FOR_LINES);
            let bends = clear.map(|(_, p)| p.curvature);
            let bends = bends.filter(|c| c.mean() < most);
            bends.map(|c| c.least / c.most.max(1e-6)).collect()
        };
        // Hot pixels are round, and tell nothing of stars that may be drawn out.
        let mut round = clear(star + SHARP * (single - star));
        if round.len() < FEW {
            round = clear(f32::MAX);
        }
        // Lines may outnumber stars ninefold before this follows them; where tracking
        // drifts, all stars are lines, and none is dropped.
        let roundness = quantile(round, (9, 10)).unwrap_or(0.0) as f32;
        Curvatures {
            star,
            single: if singles_are_none {
                single
            } else {
                f32::INFINITY
            },
            roundness,
        }
    }

    /// Refuses a hot pixel or cosmic ray, and a trail, a bad row or column.
    pub fn judge(&self, curvature: Curvature, snr: f32) -> Result<(), Refusal> {
        let limit = self.star + SHARP * (self.single - self.star);
        let sharp = snr > SNR_FOR_SHARPNESS && curvature.mean() > limit;
        // Broad tops (saturated stars) bend little and say nothing: twice as wide as a star they bend
        // 2 / (2^2 + 1) = 0.4 times as much. Along a line nothing bends; a third of a star's roundness
        // is left for noise.
        let line = snr > SNR_FOR_LINES
            && curvature.most > 0.4 * self.star
            && curvature.least < 0.3 * self.roundness * curvature.most;
        Refusal::SharpPeak.when(sharp)?;
        Refusal::Streak.when(line)
    }
}

/// Beyond this part of the way from a star's curvature to that of a single value it is one: there an
/// image is 0.48 times as wide as a star, 1 / (0.48^2 + 1) = 0.81 of a single value's curvature.
const SHARP: f32 = 0.62;
/// Fewer peaks tell nothing.
const FEW: usize = 8;
/// From these ratios to the noise on, the curvatures are known to a fifth of what is decided on.
const SNR_FOR_SHARPNESS: f32 = 9.0;
const SNR_FOR_LINES: f32 = 12.0;
