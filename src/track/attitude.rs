//! Orientation of the camera against the ground: what a mount holds, moment by moment.
//!
//! The frame of reference turns with the Earth. Its third axis is the north celestial pole, its
//! first lies in the equator on the meridian of the site (hour angle 0), its second on the equator
//! in the east (hour angle -6 h), a right-handed set.

use super::place::Place;
use super::row::Row;
use super::runs::up_vector;
use crate::sphere::{sky_to_vector, vector_to_sky};
use nalgebra::{Matrix3, Rotation3, Vector3};

/// Relative humidity and wavelength (micrometres) for refraction: neither matters here.
const HUMIDITY: f64 = 0.5;
const WAVELENGTH_UM: f64 = 0.55;
/// How far above the centre the second point of a frame is taken that gives its orientation after
/// refraction, degrees.
const ABOVE_DEG: f64 = 0.05;

/// One frame as the mount held it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Attitude {
    /// Row number.
    pub row: usize,
    /// Minutes since the first frame of the night that has a time.
    pub minutes: f64,
    /// Right, up and centre of the displayed frame as columns, as refracted by the air (where the
    /// site is known).
    pub seen: Rotation3<f64>,
    /// Unit vectors towards east, north and the centre at the centre as seen.
    pub basis: [Vector3<f64>; 3],
    /// Towards the pole side of the zenith distance: the zenith, where the site is known.
    pub zenith: Option<Vector3<f64>>,
    /// East and north by which refraction moves the centre, radians; 0 without a site.
    pub refraction: [f64; 2],
    /// Hour angle, hours, -12 to 12, where the site is known.
    pub hour_angle_h: Option<f64>,
    /// Altitude as seen, degrees, where the site is known.
    pub altitude_deg: Option<f64>,
    /// Standard error of the centre per axis, radians.
    pub centre_error: f64,
    /// Standard error of the turn about the line of sight, radians.
    pub turn_error: f64,
}

impl Attitude {
    /// Of the row with this number; `None` where it has no position, no time, or a date that the
    /// formulas refuse.
    pub fn of(row: usize, rows: &[Row], place: &Place, start_jd: f64) -> Option<Attitude> {
        let r = &rows[row];
        let centre = r.centre_deg()?;
        let jd = r.mid_jd_utc?;
        let rotation = r.rotation_deg?;
        let (sky, still) = (
            Sky::at(jd, place, place.pressure_hpa)?,
            Sky::at(jd, place, 0.0)?,
        );
        let up = up_vector(centre, rotation);
        let c = sky_to_vector(centre[0], centre[1]);
        let (sin, cos) = ABOVE_DEG.to_radians().sin_cos();
        let above = vector_to_sky(std::array::from_fn(|k| cos * c[k] + sin * up[k]));
        let seen_centre = sky.ground(centre);
        let seen_above = sky.ground(above);
        let up = (seen_above - seen_centre * seen_centre.dot(&seen_above)).normalize();
        let right = up.cross(&seen_centre);
        let seen =
            Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[right, up, seen_centre]));
        let basis = basis(seen_centre);
        let shift = seen_centre - still.ground(centre);
        let zenith = place.site.map(|s| {
            let (sin, cos) = s.latitude_deg.to_radians().sin_cos();
            Vector3::new(cos, 0.0, sin)
        });
        let centre_error = error_rad(r);
        Some(Attitude {
            row,
            minutes: (jd - start_jd) * 1440.0,
            seen,
            basis,
            zenith,
            refraction: [shift.dot(&basis[0]), shift.dot(&basis[1])],
            hour_angle_h: zenith.map(|_| (-seen_centre.y).atan2(seen_centre.x).to_degrees() / 15.0),
            altitude_deg: zenith.map(|z| seen_centre.dot(&z).clamp(-1.0, 1.0).asin().to_degrees()),
            centre_error,
            turn_error: centre_error / lever(r),
        })
    }
}

/// East, north and the direction itself.
fn basis(c: Vector3<f64>) -> [Vector3<f64>; 3] {
    let east = Vector3::new(-c.y, c.x, 0.0);
    let east = east.try_normalize(1e-12).unwrap_or_else(Vector3::y);
    [east, c.cross(&east), c]
}

/// Standard error per axis from the radius of 95 %: 2.45 for a round error. Without a statement a
/// tenth of a pixel: common practice.
fn error_rad(row: &Row) -> f64 {
    let arcsec = row
        .uncertainty_arcsec
        .map(|radius| radius / 2.45)
        .or_else(|| Some(0.1 * row.scale_arcsec_per_px?))
        .unwrap_or(0.5);
    (arcsec.max(0.01) / 3600.0).to_radians()
}

/// Root mean square distance of evenly spread stars from the centre, radians: what turns an error
/// of the centre (per axis) into one of the turn.
fn lever(row: &Row) -> f64 {
    let side = |px: Option<u32>| f64::from(px.unwrap_or(1000));
    let scale = row.scale_arcsec_per_px.unwrap_or(1.0) / 3600.0;
    let (w, h) = (side(row.width_px), side(row.height_px));
    (((w * w + h * h) / 12.0).sqrt() * scale)
        .to_radians()
        .max(1e-6)
}

/// The transformation from ICRS to the ground at one moment: ERFA `apco13`, `atciq`, `atioq`
/// (bias, precession, nutation, aberration, deflection, Earth rotation, refraction).
pub(crate) struct Sky(erfars::Astrom);

impl Sky {
    pub(crate) fn at(jd_utc: f64, place: &Place, pressure_hpa: f64) -> Option<Sky> {
        let (longitude, latitude, pressure) = place.site.map_or((0.0, 0.0, 0.0), |s| {
            (
                s.longitude_deg.to_radians(),
                s.latitude_deg.to_radians(),
                pressure_hpa,
            )
        });
        let jd = jd_utc - place.hours_ahead / 24.0;
        // Refuses what the formulas do not cover.
        crate::mount::Moment::from_jd_utc(jd)?;
        let day = jd.floor();
        let mut astrom = erfars::Astrom::default();
        // UTC stands in for UT1 and the pole for its mean: 0.9 s, 0.5 arcsec at most, and the
        // same for a whole night.
        erfars::astrometry::Apco13(
            day,
            jd - day,
            0.0,
            longitude,
            latitude,
            0.0,
            0.0,
            0.0,
            pressure,
            place.air_c,
            HUMIDITY,
            WAVELENGTH_UM,
            &mut astrom,
        )
        .ok()?;
        Some(Sky(astrom))
    }

    /// Where the celestial pole of this sign is seen through the air.
    pub(crate) fn pole(&self, sign: f64) -> Vector3<f64> {
        let (_, _, hour_angle, dec, _) =
            erfars::astrometry::Atioq(0.0, sign * std::f64::consts::FRAC_PI_2, &self.0);
        let (sin_h, cos_h) = (-hour_angle).sin_cos();
        let (sin_d, cos_d) = dec.sin_cos();
        Vector3::new(cos_d * cos_h, cos_d * sin_h, sin_d)
    }

    /// Observed direction of an ICRS place (RA, Dec in degrees) in the frame of the ground.
    pub(crate) fn ground(&self, [ra, dec]: [f64; 2]) -> Vector3<f64> {
        let (ra, dec) = erfars::astrometry::Atciqz(ra.to_radians(), dec.to_radians(), &self.0);
        let (_, _, hour_angle, dec, _) = erfars::astrometry::Atioq(ra, dec, &self.0);
        let (sin_h, cos_h) = (-hour_angle).sin_cos();
        let (sin_d, cos_d) = dec.sin_cos();
        Vector3::new(cos_d * cos_h, cos_d * sin_h, sin_d)
    }
}
