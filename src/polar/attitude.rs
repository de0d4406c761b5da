//! How the camera was held, from a solved frame.

use super::judge::{Conditions, altitude_azimuth};
use crate::fit::Solution;
use crate::frame::Site;
use crate::track::{Place, Sky};
use crate::wcs::Wcs;
use nalgebra::{Matrix3, Rotation3, Vector3};

/// Points along each side of the grid from which an attitude is taken.
const GRID: usize = 5;

/// Radius of 95 % over the standard error per axis, for a round error.
const RADIUS95: f64 = 2.4477;

/// A solved frame, as far as the axis needs it.
#[derive(Debug, Clone)]
pub struct Sight {
    /// Name of the frame, for messages.
    pub file: String,
    /// Pixel to sky.
    pub wcs: Wcs,
    /// Pixels along x and y.
    pub size: [usize; 2],
    /// Mid-exposure, Julian date UTC.
    pub jd_utc: Option<f64>,
    /// Standard error of the centre per axis, radians.
    pub centre_error: f64,
    /// Standard error of the turn about the line of sight, radians.
    pub turn_error: f64,
    /// Declination of the commanded position by the frame's header, degrees.
    pub commanded_dec_deg: Option<f64>,
}

impl Sight {
    /// From the solution of a frame of `size` pixels. The error of the turn is that of the centre
    /// over the root mean square distance of the matched stars from their middle.
    pub fn new(file: &str, solution: &Solution, size: [usize; 2], jd_utc: Option<f64>) -> Sight {
        let spots: Vec<[f64; 2]> = solution
            .matched
            .iter()
            .filter_map(|star| solution.wcs.sky_to_pixel(star.ra_deg, star.dec_deg))
            .collect();
        let count = spots.len().max(1) as f64;
        let middle = [0, 1].map(|k| spots.iter().map(|s| s[k]).sum::<f64>() / count);
        let square: f64 = spots
            .iter()
            .map(|s| (s[0] - middle[0]).powi(2) + (s[1] - middle[1]).powi(2))
            .sum();
        let lever_px = (square / count).sqrt().max(1.0);
        let scale = (solution.scale_arcsec_per_px / 3600.0).to_radians();
        let centre_error = (solution.uncertainty_arcsec.max(0.01) / RADIUS95 / 3600.0).to_radians();
        Sight {
            file: file.to_owned(),
            wcs: solution.wcs.clone(),
            size,
            jd_utc,
            centre_error,
            turn_error: centre_error / (lever_px * scale),
            commanded_dec_deg: None,
        }
    }

    /// Degrees per pixel.
    pub fn scale_deg(&self) -> f64 {
        self.determinant().abs().sqrt()
    }

    /// Altitude and azimuth (north through east) along the frame's border, degrees, as seen through
    /// the air; `None` where time or site are not known.
    pub fn border_deg(&self, conditions: &Conditions) -> Option<Vec<[f64; 2]>> {
        /// Points along each side.
        const POINTS: u32 = 12;
        let site = conditions.site?;
        let sky = conditions.air(1.0).sky(self.jd_utc?)?;
        let [right, top] = self.size.map(|side| side as f64 + 0.5);
        let corners = [[0.5, 0.5], [right, 0.5], [right, top], [0.5, top]];
        let along = (0..4 * POINTS).map(|i| {
            let (side, part) = (
                (i / POINTS) as usize,
                f64::from(i % POINTS) / f64::from(POINTS),
            );
            let (from, to) = (corners[side], corners[(side + 1) % 4]);
            let [x, y] = [0, 1].map(|k| from[k] + part * (to[k] - from[k]));
            altitude_azimuth(sky.ground(self.wcs.pixel_to_sky(x, y)), &site)
        });
        Some(along.collect())
    }

    /// Of the CD matrix: negative where the frame is not mirrored.
    pub(super) fn determinant(&self) -> f64 {
        let cd = &self.wcs.cd;
        cd[0][0] * cd[1][1] - cd[0][1] * cd[1][0]
    }

    /// RA and Dec of the frame's centre, degrees.
    pub fn centre_deg(&self) -> [f64; 2] {
        let [x, y] = self.size.map(|side| (side as f64 + 1.0) / 2.0);
        self.wcs.pixel_to_sky(x, y)
    }

    /// The attitude: camera axes to ground. `None` where time or solution make no sense.
    pub(super) fn attitude(&self, air: &Air) -> Option<Rotation3<f64>> {
        let sky = air.sky(self.jd_utc?)?;
        let scale = self.scale_deg().to_radians();
        let middle = self.size.map(|side| (side as f64 + 1.0) / 2.0);
        // Of two handednesses the one that a rotation can bring to the sky.
        let hand = self.determinant().signum();
        let mut sum = Matrix3::zeros();
        for i in 0..GRID * GRID {
            let at = |cell: usize, k: usize| {
                1.0 + (self.size[k] as f64 - 1.0) * cell as f64 / (GRID - 1) as f64
            };
            let [x, y] = [at(i % GRID, 0), at(i / GRID, 1)];
            let camera = Vector3::new(hand * (x - middle[0]) * scale, (y - middle[1]) * scale, 1.0);
            sum += sky.ground(self.wcs.pixel_to_sky(x, y)) * camera.normalize().transpose();
        }
        if !sum.iter().all(|value| value.is_finite()) {
            return None;
        }
        let svd = sum.svd(true, true);
        let (u, v_t) = (svd.u?, svd.v_t?);
        let sign = (u * v_t).determinant().signum();
        let rotation = u * Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, sign)) * v_t;
        Some(Rotation3::from_matrix_unchecked(rotation))
    }
}

/// Site and air, for refraction.
#[derive(Debug, Clone, Copy)]
pub(super) struct Air {
    pub site: Option<Site>,
    pub pressure_hpa: f64,
    pub air_c: f64,
}

impl Air {
    pub fn sky(&self, jd_utc: f64) -> Option<Sky> {
        let place = Place {
            site: self.site,
            pressure_hpa: self.pressure_hpa,
            air_c: self.air_c,
            ..Place::default()
        };
        Sky::at(jd_utc, &place, self.pressure_hpa)
    }
}
