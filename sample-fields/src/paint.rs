//! Lays star images onto a plane of pixels.

use crate::Psf;

/// A Moffat profile's exponent.
const MOFFAT_BETA: f64 = 3.5;
/// Star images end where they fall below this share of the noise.
const VISIBLE_SHARE_OF_NOISE: f64 = 0.05;
/// No star image reaches further than this.
const LARGEST_RADIUS_PX: f64 = 120.0;

/// One plane of light, row by row.
pub(crate) struct Plane {
    pub width: usize,
    pub height: usize,
    pub light: Vec<f32>,
}

impl Plane {
    pub fn dark(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            light: vec![0.0; width * height],
        }
    }

    /// Adds a star image of `flux` counts in total, centred on 0-based (`x`, `y`).
    pub fn add_star(&mut self, stamp: &mut Stamp, x: f64, y: f64, flux: f64) {
        let radius = stamp.radius_px(flux);
        let range = |centre: f64, size: usize| {
            let low = (centre - radius).ceil().max(0.0);
            let high = (centre + radius).floor().min(size as f64 - 1.0);
            (low <= high).then_some((low as usize, high as usize))
        };
        let (Some((x0, x1)), Some((y0, y1))) = (range(x, self.width), range(y, self.height)) else {
            return;
        };
        stamp.prepare(x, x0, x1);
        for row in y0..=y1 {
            let start = row * self.width;
            let Some(pixels) = self.light.get_mut(start + x0..=start + x1) else {
                return;
            };
            stamp.add_row(row as f64 - y, flux, pixels);
        }
    }
}

/// The form of star images on one frame.
pub(crate) struct Stamp {
    psf: Psf,
    sigma_px: f64,
    /// Moffat's alpha, squared.
    alpha2_px2: f64,
    noise_adu: f64,
    /// For the row of pixels in hand: share of light per column (Gaussian), or squared distance
    /// of three points within each column (Moffat).
    columns: Vec<f64>,
}

impl Stamp {
    pub fn new(psf: Psf, fwhm_px: f64, noise_adu: f64) -> Self {
        let half = fwhm_px / 2.0;
        Self {
            psf,
            sigma_px: half / libm::sqrt(2.0 * std::f64::consts::LN_2),
            alpha2_px2: half * half / (libm::pow(2.0, 1.0 / MOFFAT_BETA) - 1.0),
            noise_adu,
            columns: Vec::new(),
        }
    }

    /// Pixels that the matched filter for this star image sums over: the inverse of the sum of
    /// the squared profile, 4 pi sigma^2 for a Gaussian (King 1983, PASP 95, 163).
    pub fn noise_area_px(&self) -> f64 {
        4.0 * std::f64::consts::PI * self.sigma_px * self.sigma_px
    }

    fn peak_share(&self) -> f64 {
        match self.psf {
            Psf::Gaussian => 1.0 / (std::f64::consts::TAU * self.sigma_px * self.sigma_px),
            Psf::Moffat => (MOFFAT_BETA - 1.0) / (std::f64::consts::PI * self.alpha2_px2),
        }
    }

    fn radius_px(&self, flux: f64) -> f64 {
        let drop = (flux * self.peak_share() / (VISIBLE_SHARE_OF_NOISE * self.noise_adu)).max(1.01);
        let radius = match self.psf {
            Psf::Gaussian => self.sigma_px * libm::sqrt(2.0 * libm::log(drop)),
            Psf::Moffat => libm::sqrt(self.alpha2_px2 * (libm::pow(drop, 1.0 / MOFFAT_BETA) - 1.0)),
        };
        (radius + 1.0).min(LARGEST_RADIUS_PX)
    }

    /// Works out what only depends on the column.
    fn prepare(&mut self, x: f64, first: usize, last: usize) {
        self.columns.clear();
        for column in first..=last {
            let dx = column as f64 - x;
            match self.psf {
                Psf::Gaussian => self.columns.push(self.gaussian_share(dx)),
                Psf::Moffat => self.columns.extend(THIRDS.map(|t| (dx + t) * (dx + t))),
            }
        }
    }

    /// Light of a Gaussian that falls into one pixel `offset` away from its centre, in one
    /// dimension.
    fn gaussian_share(&self, offset: f64) -> f64 {
        let unit = self.sigma_px * std::f64::consts::SQRT_2;
        0.5 * (libm::erf((offset + 0.5) / unit) - libm::erf((offset - 0.5) / unit))
    }

    fn add_row(&self, dy: f64, flux: f64, pixels: &mut [f32]) {
        match self.psf {
            Psf::Gaussian => {
                let row = flux * self.gaussian_share(dy);
                for (pixel, share) in pixels.iter_mut().zip(&self.columns) {
                    *pixel += (row * share) as f32;
                }
            }
            Psf::Moffat => {
                let peak = flux * self.peak_share() / 9.0;
                for (pixel, squares) in pixels.iter_mut().zip(self.columns.chunks_exact(3)) {
                    let mut sum = 0.0;
                    for t in THIRDS {
                        for square in squares {
                            let u = 1.0 + (square + (dy + t) * (dy + t)) / self.alpha2_px2;
                            // u^-3.5, beta being fixed: much faster than pow.
                            sum += 1.0 / (u * u * u * libm::sqrt(u));
                        }
                    }
                    *pixel += (peak * sum) as f32;
                }
            }
        }
    }
}

/// Centres of the thirds of a pixel.
const THIRDS: [f64; 3] = [-1.0 / 3.0, 0.0, 1.0 / 3.0];

#[cfg(test)]
mod tests {
    use super::*;

    fn moments(psf: Psf) -> (f64, f64, f64) {
        let mut plane = Plane::dark(161, 161);
        plane.add_star(&mut Stamp::new(psf, 3.0, 1e-4), 80.3, 79.8, 1000.0);
        let (mut sum, mut x, mut y) = (0.0, 0.0, 0.0);
        for (i, light) in plane.light.iter().enumerate() {
            sum += f64::from(*light);
            x += f64::from(*light) * (i % 161) as f64;
            y += f64::from(*light) * (i / 161) as f64;
        }
        (sum, x / sum, y / sum)
    }

    #[test]
    fn a_star_keeps_its_light_and_its_place() {
        for psf in [Psf::Gaussian, Psf::Moffat] {
            let (sum, x, y) = moments(psf);
            assert!((sum - 1000.0).abs() < 2.0, "{psf:?}: {sum}");
            assert!(
                (x - 80.3).abs() < 0.01 && (y - 79.8).abs() < 0.01,
                "{psf:?}: {x}, {y}"
            );
        }
    }

    #[test]
    fn a_star_outside_or_at_the_edge_does_no_harm() {
        let mut plane = Plane::dark(10, 10);
        let mut stamp = Stamp::new(Psf::Gaussian, 3.0, 1.0);
        for (x, y) in [(-500.0, 5.0), (5.0, 1e9), (-1.0, -1.0), (9.4, 9.4)] {
            plane.add_star(&mut stamp, x, y, 1e4);
        }
        assert!(plane.light.iter().all(|l| l.is_finite()));
    }
}
