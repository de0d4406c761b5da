//! What to render, and the truth about what was rendered.

use crate::Error;
use serde::Serialize;

/// What the pixels show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Content {
    /// The real stars, where they belong.
    Sky,
    /// The brightnesses of the real stars at random places: must never be solved.
    Scrambled,
    /// Clouds and hot pixels, no star: must never be solved.
    Starless,
}

/// Form of a star image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Psf {
    /// Gaussian, integrated over each pixel.
    Gaussian,
    /// Moffat with exponent 3.5: the wings that air and optics give (Moffat 1969, A&A 3, 455).
    Moffat,
}

/// How colour is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Channels {
    /// One value per pixel, no colour.
    Mono,
    /// One value per pixel behind a 2 x 2 mosaic, red, green / green, blue from the first pixel.
    Mosaic,
    /// Red, green, blue for each pixel.
    Rgb,
}

/// A frame to be rendered. Start from [`FieldSpec::new`] and change what matters.
#[derive(Debug, Clone)]
pub struct FieldSpec {
    /// Right ascension of the frame's middle, ICRS degrees.
    pub ra_deg: f64,
    /// Declination of the frame's middle, ICRS degrees.
    pub dec_deg: f64,
    /// True angle between the midpoints of the left and right edges, degrees, 0.05 to 120.
    pub width_deg: f64,
    /// Pixels in a row.
    pub width_px: usize,
    /// Rows.
    pub height_px: usize,
    /// Position angle (north through east) of 'up' on the displayed frame, degrees.
    pub rotation_deg: f64,
    /// With north up, east lies to the right.
    pub mirrored: bool,
    /// The first stored row is displayed on top (pictures), not at the bottom (FITS).
    pub top_down: bool,
    /// Full width of star images at half their height, pixels.
    pub fwhm_px: f64,
    /// Form of star images.
    pub psf: Psf,
    /// Add stars fainter than the catalogue's limit, at random places.
    pub faint_stars: bool,
    /// Standard deviation by which each star's magnitude is changed.
    pub magnitude_scatter: f64,
    /// Shift of a star at half the frame's width, outward, as a share of its distance.
    pub k1: f64,
    /// Magnitude of a star with signal-to-noise 8; none: 12.5, or for wide fields the magnitude
    /// of the 800th brightest star of the frame if that is brighter.
    pub reference_magnitude: Option<f64>,
    /// Sky background, counts.
    pub sky_adu: f64,
    /// Read noise, counts.
    pub read_noise_adu: f64,
    /// Darkening of the corners, as a share of the sky (light fall-off).
    pub vignetting: f64,
    /// Single pixels that glow.
    pub hot_pixels: usize,
    /// Julian year of the exposure: stars stand where their proper motion has brought them.
    pub epoch_year: f64,
    /// How colour is stored.
    pub channels: Channels,
    /// What the pixels show.
    pub content: Content,
    /// Same seed, same frame.
    pub seed: u64,
}

impl FieldSpec {
    /// A clean 1200 x 800 frame, north up, Gaussian stars of 2.6 px, at J2000.
    pub fn new(ra_deg: f64, dec_deg: f64, width_deg: f64) -> Self {
        Self {
            ra_deg,
            dec_deg,
            width_deg,
            width_px: 1200,
            height_px: 800,
            rotation_deg: 0.0,
            mirrored: false,
            top_down: false,
            fwhm_px: 2.6,
            psf: Psf::Gaussian,
            faint_stars: true,
            magnitude_scatter: 0.0,
            k1: 0.0,
            reference_magnitude: None,
            sky_adu: 800.0,
            read_noise_adu: 7.0,
            vignetting: 0.0,
            hot_pixels: 0,
            epoch_year: 2000.0,
            channels: Channels::Mono,
            content: Content::Sky,
            seed: 1,
        }
    }

    /// Degrees per pixel at the middle: the edge midpoints lie tan(width / 2) out on the tangent
    /// plane.
    pub fn scale_deg_per_px(&self) -> f64 {
        let half_rad = self.width_deg.to_radians() / 2.0;
        (2.0 * libm::tan(half_rad) / self.width_px as f64).to_degrees()
    }

    /// The CD matrix: degrees east and north per pixel in x and y, as in FITS.
    pub fn cd_deg(&self) -> [[f64; 2]; 2] {
        let scale = self.scale_deg_per_px();
        let angle = self.rotation_deg.to_radians();
        let (sin, cos) = (libm::sin(angle), libm::cos(angle));
        // 'Up' points to the position angle; 'right' is 90 deg west of it, mirrored 90 deg east.
        let right = if self.mirrored {
            [cos, -sin]
        } else {
            [-cos, sin]
        };
        let rows = if self.top_down { -1.0 } else { 1.0 };
        let upward = [rows * sin, rows * cos];
        [
            [scale * right[0], scale * upward[0]],
            [scale * right[1], scale * upward[1]],
        ]
    }

    /// Refuses what can't be rendered before memory is taken.
    // A quantity per line.
    #[rustfmt::skip]
    pub(crate) fn check(&self) -> Result<(), Error> {
        let [width_px, height_px] = [self.width_px, self.height_px].map(|side| side as f64);
        let magnitude = self.reference_magnitude.unwrap_or_default();
        // Name, value, least and most, and the same in words.
        let quantities = [
            ("the right ascension", self.ra_deg, 0.0, 360.0, "from 0 to 360 degrees"),
            ("the declination", self.dec_deg, -90.0, 90.0, "from -90 to 90 degrees"),
            ("the field width", self.width_deg, 0.05, 120.0, "from 0.05 to 120 degrees"),
            ("the size in pixels", width_px, 8.0, 20_000.0, "from 8 to 20000"),
            ("the size in pixels", height_px, 8.0, 20_000.0, "from 8 to 20000"),
            ("the rotation", self.rotation_deg, -3600.0, 3600.0, "an angle in degrees"),
            ("the star width", self.fwhm_px, 0.5, 30.0, "from 0.5 to 30 pixels"),
            ("the magnitude scatter", self.magnitude_scatter, 0.0, 5.0, "from 0 to 5"),
            ("the distortion k1", self.k1, -0.3, 0.3, "from -0.3 to 0.3"),
            ("the sky background", self.sky_adu, 0.0, 60_000.0, "from 0 to 60000"),
            ("the read noise", self.read_noise_adu, 0.5, 1000.0, "from 0.5 to 1000"),
            ("the vignetting", self.vignetting, 0.0, 1.0, "from 0 to 1"),
            ("the number of hot pixels", self.hot_pixels as f64, 0.0, 1e6, "at most 1000000"),
            ("the epoch", self.epoch_year, 1800.0, 2200.0, "a year from 1800 to 2200"),
            ("the reference magnitude", magnitude, -2.0, 16.0, "from -2 to 16"),
        ];
        for (name, value, least, most, allowed) in quantities {
            if !(least..=most).contains(&value) {
                return Err(Error::Request {
                    name,
                    value,
                    allowed,
                });
            }
        }
        Ok(())
    }
}

/// Where a rendered frame points.
#[derive(Debug, Clone, Serialize)]
pub struct Truth {
    /// Pixels in a row.
    pub width_px: usize,
    /// Rows.
    pub height_px: usize,
    /// ICRS right ascension of FITS pixel ((nx+1)/2, (ny+1)/2), degrees.
    pub ra_deg: f64,
    /// ICRS declination of the same, degrees.
    pub dec_deg: f64,
    /// Degrees east and north per pixel in x and y.
    pub cd_deg: [[f64; 2]; 2],
    /// Scale at the middle.
    pub scale_arcsec_per_px: f64,
    /// Position angle of 'up' on the displayed frame, degrees, 0 to 360.
    pub rotation_deg: f64,
    /// With north up, east lies to the right.
    pub mirrored: bool,
    /// Shift of a star at half the width, outward, as a share of its distance.
    pub k1: f64,
    /// Stars of the catalogue whose centre lies on the frame; 0 where no sky is shown.
    pub catalogue_stars: usize,
    /// What the pixels show.
    pub content: Content,
}
