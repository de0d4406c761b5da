//! The typical star of a frame: how wide, how long.

mod drifted;
mod first_look;
mod width;

pub(super) use first_look::FirstLook;

/// Standard deviation to full width at half maximum of a Gaussian.
pub(crate) const FWHM_PER_SIGMA: f64 = 2.354_820_045;
/// Narrowest star, standard deviation in pixels, the pixel included: 0.7 pixels wide (FWHM) before the
/// pixels average it, whose own variance is 1/12.
pub(super) const NARROWEST: f64 = 0.42;
/// The typical star image of a frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct Psf {
    /// Geometric mean of the standard deviations along both axes, pixels, the pixel included.
    pub sigma_px: f64,
    /// Long over short axis.
    pub elongation: f64,
}

impl Psf {
    /// A well-sampled star, before anything is known.
    pub const GUESS: Psf = Psf {
        sigma_px: 1.2,
        elongation: 1.0,
    };

    /// A star that is narrower than a pixel.
    pub const SINGLE_PIXEL: Psf = Psf {
        sigma_px: NARROWEST,
        elongation: 1.0,
    };

    /// Full width at half maximum, pixels.
    pub fn fwhm_px(&self) -> f64 {
        FWHM_PER_SIGMA * self.sigma_px
    }

    /// Whether the stars are so much longer than wide that the mount must have drifted.
    pub fn is_drawn_out(&self) -> bool {
        self.elongation > drifted::DRAWN_OUT
    }

    /// Standard deviation along the short axis, pixels.
    pub fn short_axis_px(&self) -> f64 {
        (self.sigma_px / self.elongation.max(1.0).sqrt()).max(NARROWEST)
    }

    /// Standard deviation of a round window or kernel that holds the star, pixels: the star's
    /// own, or nearly its long axis where it is drawn out.
    pub fn window_px(&self) -> f64 {
        self.sigma_px * (self.elongation / 1.3).clamp(1.0, 4.8).sqrt()
    }
}
