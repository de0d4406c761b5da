//! How a star looks through air, optics and a moving mount: a sum of Gaussians.

use crate::star_field::{Canvas, Star};
use std::f64::consts::{PI, TAU};

/// FWHM of a Gaussian per standard deviation.
const FWHM: f64 = 2.354_820_045;

/// One Gaussian of a star.
#[derive(Debug, Clone, Copy)]
struct Part {
    x: f64,
    y: f64,
    sigma: f64,
    share: f64,
}

/// A star, perhaps another one in each corner.
#[derive(Debug, Clone)]
pub struct Shape {
    parts: Vec<Part>,
    sigma: f64,
    /// Length of the comet's tail in the corners, pixels.
    coma_px: f64,
    /// How much wider stars are on one side of the frame, and on the other less.
    tilt: f64,
    /// Share of light in a halo, and its standard deviation.
    halo: (f64, f64),
}

impl Shape {
    /// A star of that FWHM, pixels, with the faint wings that air gives it.
    pub fn round(fwhm_px: f64) -> Shape {
        let sigma = fwhm_px / FWHM;
        let part = |width: f64, share: f64| Part {
            x: 0.0,
            y: 0.0,
            sigma: width * sigma,
            share,
        };
        Shape {
            parts: vec![part(1.0, 0.85), part(2.0, 0.15)],
            sigma,
            coma_px: 0.0,
            tilt: 0.0,
            halo: (0.0, 0.0),
        }
    }

    /// Every part replaced by several, moved by what `moves` gives, with their share.
    fn spread(&mut self, moves: &[(f64, f64, f64)]) {
        let all: f64 = moves.iter().map(|m| m.2).sum();
        let of = |part: &Part| {
            let part = *part;
            moves.iter().map(move |(dx, dy, share)| Part {
                x: part.x + dx,
                y: part.y + dy,
                share: part.share * share / all,
                ..part
            })
        };
        self.parts = self.parts.iter().flat_map(of).collect();
    }

    /// Drawn out along `turn` (radians) by the mount's drift.
    pub fn drift(&mut self, length_px: f64, turn: f64) {
        let steps = (1.5 * length_px / self.sigma).ceil().clamp(3.0, 40.0);
        let moves: Vec<_> = (0..steps as usize)
            .map(|k| ((k as f64 + 0.5) / steps - 0.5) * length_px)
            .map(|along| (along * turn.cos(), along * turn.sin(), 1.0))
            .collect();
        self.spread(&moves);
    }

    /// Out of focus through a telescope with a secondary mirror: a ring (Vogel 1979: even over it).
    pub fn defocus(&mut self, outer_px: f64, inner_px: f64) {
        self.parts.truncate(1);
        self.parts[0].share = 1.0;
        let area = (outer_px * outer_px - inner_px * inner_px) / (self.sigma * self.sigma);
        let count = (2.0 * area).clamp(12.0, 250.0);
        let moves: Vec<_> = (0..count as usize)
            .map(|k| {
                let share = (k as f64 + 0.5) / count;
                let r2 = inner_px.powi(2) + share * (outer_px.powi(2) - inner_px.powi(2));
                let (dy, dx) = (k as f64 * PI * (3.0 - 5f64.sqrt())).sin_cos();
                (r2.sqrt() * dx, r2.sqrt() * dy, 1.0)
            })
            .collect();
        self.spread(&moves);
    }

    /// The spikes of a focusing mask with three sets of slits: each set throws light to both sides
    /// at right angles to its slits, the set across from the others moved by the error of focus.
    pub fn mask(&mut self, length_px: f64, focus_px: f64, turn: f64) {
        let mut moves = vec![(0.0, 0.0, 8.0)];
        for (k, lean) in [0.0, 0.35, -0.35].into_iter().enumerate() {
            let (dy, dx) = (turn + lean).sin_cos();
            let aside = if k == 0 { focus_px } else { 0.0 };
            for step in -12_i32..=12 {
                let along = f64::from(step) / 12.0 * length_px;
                let share = (-2.0 * along.abs() / length_px).exp();
                moves.push((
                    along * dx - aside * dy,
                    along * dy + aside * dx,
                    0.4 * share,
                ));
            }
        }
        self.spread(&moves);
    }

    /// Tails away from the middle, wider stars on one side.
    pub fn off_axis(&mut self, coma_px: f64, tilt: f64) {
        (self.coma_px, self.tilt) = (coma_px, tilt);
    }

    /// Dew: that share of the light goes into a halo.
    pub fn dew(&mut self, share: f64, sigma_px: f64) {
        self.halo = (share, sigma_px);
    }

    /// A star of this width without anything that spoils it.
    pub fn sharpest(&self) -> Shape {
        Shape::round(self.sigma * FWHM)
    }

    /// As in the corners.
    pub fn widest(&self) -> Shape {
        let mut shape = self.clone();
        for part in &mut shape.parts {
            part.sigma *= 1.0 + self.tilt;
            part.share *= 1.0 - self.halo.0;
        }
        if self.coma_px > 0.0 {
            shape.spread(&tail(self.coma_px, (1.0, 0.0)));
        }
        shape
    }

    /// Pixels across which the matched filter gathers noise: 1 / sqrt(sum of the squared shares)
    /// (King 1983, PASP 95, 163).
    pub fn noise_px(&self) -> f64 {
        let mut squares = 0.0;
        // Two Gaussians overlap as one of the sum of their variances at their distance.
        for a in &self.parts {
            for b in &self.parts {
                let variance = a.sigma * a.sigma + b.sigma * b.sigma + 1.0 / 6.0;
                let d2 = (a.x - b.x).powi(2) + (a.y - b.y).powi(2);
                squares += a.share * b.share * (-0.5 * d2 / variance).exp() / (TAU * variance);
            }
        }
        1.0 / squares.sqrt()
    }

    /// Paints a star.
    pub fn paint(&self, canvas: &mut Canvas, star: Star) {
        let out = (
            2.0 * star.x / canvas.width as f64 - 1.0,
            2.0 * star.y / canvas.height as f64 - 1.0,
        );
        let wider = 1.0 + self.tilt * out.0;
        let tail = if self.coma_px > 0.0 {
            tail(self.coma_px, out)
        } else {
            vec![(0.0, 0.0, 1.0)]
        };
        let all: f64 = tail.iter().map(|t| t.2).sum();
        let (halo, halo_sigma) = self.halo;
        for part in &self.parts {
            for (dx, dy, share) in &tail {
                let flux = star.flux * part.share * share / all * (1.0 - halo);
                let place = Star {
                    x: star.x + wider * part.x + dx,
                    y: star.y + wider * part.y + dy,
                    flux,
                };
                // Beyond this it adds nothing to any pixel.
                if flux > 0.05 {
                    canvas.star(place, wider * part.sigma);
                }
            }
        }
        // A halo of a faint star lies under the noise.
        if halo * star.flux > 0.1 * halo_sigma * halo_sigma {
            let flux = halo * star.flux;
            canvas.star(Star { flux, ..star }, halo_sigma);
        }
    }
}

/// Coma at `out` (the corners at 1, 1): fainter towards its end.
fn tail(length_px: f64, out: (f64, f64)) -> Vec<(f64, f64, f64)> {
    let far = 0.5 * (out.0 * out.0 + out.1 * out.1);
    let length = length_px * far;
    let unit = 1.0 / out.0.hypot(out.1).max(1e-6);
    (0..6)
        .map(|k| f64::from(k) / 5.0)
        .map(|t| {
            let along = t * length;
            (out.0 * unit * along, out.1 * unit * along, 1.0 - 0.8 * t)
        })
        .collect()
}
