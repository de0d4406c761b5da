//! From solved frames to the error of the axis, or to what speaks against it.

use super::attitude::{Air, Sight};
use super::axis::{AxisFit, Held, fit, sideways};
use crate::fit::covariance::CentreError;
use crate::frame::Site;
use crate::mount::{Moment, misread_site};
use nalgebra::{Matrix2, Vector3};

/// Standard atmosphere at sea level (ISO 2533), and a mild night.
const PRESSURE_HPA: f64 = 1013.25;
const AIR_C: f64 = 10.0;
/// Share of the refraction that is not known, standard deviation: with the pressure of sea level (it
/// falls by a tenth per kilometre of height), and with a stated one, where the next weather station
/// is off by some 5 hPa and 2.5 degrees (both go into refraction as shares of themselves, the
/// temperature counted from absolute zero). It is one share for all frames.
const REFRACTION_GUESSED: f64 = 0.1;
const REFRACTION_STATED: f64 = 0.01;
/// Scales of one camera and optics agree to this. Common practice: focus and temperature.
const SAME_SCALE: f64 = 0.02;
/// Frames nearer in time than this are the same exposure, seconds.
const SAME_TIME_S: f64 = 1.0;
/// A smaller turn is noise, or tracking alone.
const LEAST_TURN_DEG: f64 = 0.5;
/// An axis farther from the pole comes from frames between which more than the axis turned.
const FARTHEST_DEG: f64 = 15.0;
/// An uncertainty that helps nobody.
const VAGUE_ARCMIN: f64 = 120.0;
/// A header that counts from J2000 sees the declination change by up to 9 arcmin (2026) while the
/// axis turns; what exceeds this was a slew.
const HEADER_MOVE_DEG: f64 = 0.25;
/// Standard errors from which on a move counts as seen.
const SEEN: f64 = 3.5;
/// Mounts bend by less, arcmin. Common practice.
const BENDS_ARCMIN: f64 = 1.0;
/// Degrees of freedom of errors that are known.
pub(super) const KNOWN: f64 = 1e7;
const ARCMIN: f64 = 10_800.0 / std::f64::consts::PI;

/// Which pole errors count from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Pole {
    /// The end of the Earth's axis.
    #[default]
    True,
    /// Where the air shows it, up to an arcminute and more higher.
    Refracted,
}

/// What is known of the place.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Conditions {
    /// Where the mount stands.
    pub site: Option<Site>,
    /// Pressure, hPa; 0: no refraction; `None`: that of sea level.
    pub pressure_hpa: Option<f64>,
    /// Temperature of the air, degrees Celsius.
    pub air_c: Option<f64>,
    /// Which pole is meant.
    pub pole: Pole,
}

impl Conditions {
    /// With the site that frames name, where none is known. Without refraction there is one pole.
    pub fn or_at(self, by_header: Option<Site>) -> Conditions {
        let site = self.site.or(by_header);
        let airless = site.is_none() || self.pressure_hpa == Some(0.0);
        Conditions {
            site,
            pole: if airless { Pole::True } else { self.pole },
            ..self
        }
    }

    pub(super) fn air(&self, share: f64) -> Air {
        Air {
            site: self.site,
            pressure_hpa: self.pressure_hpa.unwrap_or(PRESSURE_HPA) * share,
            air_c: self.air_c.unwrap_or(AIR_C),
        }
    }
}

/// Axis minus pole, arcmin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisError {
    /// Positive: too high. `None` without a site.
    pub altitude_arcmin: Option<f64>,
    /// Positive: too far east, along the horizon. `None` without a site.
    pub azimuth_arcmin: Option<f64>,
    /// On the sky.
    pub total_arcmin: f64,
    /// Radius about the axis that holds it in 95 % of cases.
    pub radius95_arcmin: f64,
}

/// The axis, found.
#[derive(Debug, Clone)]
pub struct Finding {
    /// Altitude and azimuth (north through east) of the axis, degrees; `None` without a site.
    pub axis_deg: Option<[f64; 2]>,
    /// Off the pole.
    pub error: AxisError,
    /// The pole is the one above the northern horizon.
    pub north: bool,
    /// Which pole is meant.
    pub pole: Pole,
    /// Largest turn between two frames, degrees.
    pub turned_deg: f64,
    /// Likeliest move in declination, and its standard error, arcmin; `None` for two frames.
    pub moved_arcmin: Option<[f64; 2]>,
    /// Root mean square of what the turn leaves of the centres; `None` for two frames.
    pub residual_arcsec: Option<f64>,
    /// What a person should know.
    pub cautions: Vec<String>,
    pub(super) axis: Vector3<f64>,
    pub(super) covariance: Matrix2<f64>,
}

/// Why no axis is given.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Trouble {
    /// What is wrong and what to do.
    pub reason: String,
    /// Turn between the frames, degrees, where it is known.
    pub turned_deg: Option<f64>,
    /// Move in declination, arcmin, where one is seen.
    pub moved_arcmin: Option<f64>,
}

impl From<String> for Trouble {
    fn from(reason: String) -> Trouble {
        Trouble {
            reason,
            ..Trouble::default()
        }
    }
}

/// Finds the axis about which the camera turned between `sights`.
///
/// # Errors
///
/// The frames do not tell, or contradict each other, the site or the usual.
pub fn find(sights: &[Sight], conditions: &Conditions) -> Result<Finding, Trouble> {
    check(sights, conditions)?;
    let north = conditions.site.map_or_else(
        || sights.iter().map(|s| s.centre_deg()[1]).sum::<f64>() >= 0.0,
        |site| site.latitude_deg >= 0.0,
    );
    let towards = Vector3::z() * if north { 1.0 } else { -1.0 };
    let held = attitudes(sights, &conditions.air(1.0))?;
    let plain = fit(&held, towards, None).ok_or_else(|| Trouble::from(one_pointing(0.0)))?;
    let turned_deg = turned(&plain);
    let trouble = |reason: String, moved_arcmin: Option<f64>| Trouble {
        reason,
        turned_deg: Some(turned_deg),
        moved_arcmin,
    };
    let noise_deg = held
        .iter()
        .map(|h| h.turn_error)
        .fold(0.0, f64::max)
        .to_degrees();
    if turned_deg < LEAST_TURN_DEG.max(5.0 * noise_deg) {
        return Err(trouble(one_pointing(turned_deg), None));
    }
    let moved = likeliest_move(&held, towards);
    contradiction(&plain, &moved, sights)
        .map_or(Ok(()), |(reason, arcmin)| Err(trouble(reason, arcmin)))?;
    let off_deg = plain.axis.angle(&towards).to_degrees();
    if off_deg > FARTHEST_DEG {
        let reason = format!(
            "the axis of the turn lies {off_deg:.0} deg from the celestial pole: declination \
             moved between the frames, or the mount is far from aligned; turn only the RA axis, \
             and set the mount up to within {FARTHEST_DEG:.0} deg first"
        );
        return Err(trouble(reason, None));
    }
    let covariance = covariance(&plain, sights, conditions, towards)?;
    let finding = finding(&plain, covariance, conditions, sights, north)?;
    if finding.error.radius95_arcmin > VAGUE_ARCMIN {
        let reason = format!(
            "the frames were turned by {turned_deg:.1} deg only, and the axis is uncertain by \
             {:.0} arcmin: turn the RA axis by 30 deg or more between frames",
            finding.error.radius95_arcmin
        );
        return Err(trouble(reason, None));
    }
    Ok(Finding {
        moved_arcmin: moved
            .as_ref()
            .and_then(|(f, _)| f.moved)
            .map(|m| m.map(|v| v * ARCMIN)),
        turned_deg,
        ..finding
    })
}

fn one_pointing(turned_deg: f64) -> String {
    format!(
        "the frames show the RA axis turned by {turned_deg:.2} deg only: turn it by 30 deg or \
         more between frames, and leave declination alone"
    )
}

/// What can be wrong before anything is computed.
fn check(sights: &[Sight], conditions: &Conditions) -> Result<(), String> {
    let [first, rest @ ..] = sights else {
        return Err("no frame is solved".into());
    };
    if rest.is_empty() {
        return Err(
            "one frame shows no turn: two are needed, with the RA axis turned by 30 deg or \
                    more between them"
                .into(),
        );
    }
    for (i, sight) in sights.iter().enumerate() {
        let Some(jd) = sight.jd_utc else {
            return Err(format!(
                "{}: no usable time of exposure, without which the sky cannot be brought to the \
                 ground: take frames with DATE-OBS",
                sight.file
            ));
        };
        let scale = sight.scale_deg() / first.scale_deg();
        if sight.size != first.size
            || (scale - 1.0).abs() > SAME_SCALE
            || sight.determinant() * first.determinant() < 0.0
        {
            return Err(format!(
                "{} and {} come from different cameras or optics: take all frames with one",
                first.file, sight.file
            ));
        }
        let same = |other: &&Sight| {
            other
                .jd_utc
                .is_some_and(|o| (o - jd).abs() * 86_400.0 < SAME_TIME_S)
        };
        if let Some(other) = sights[..i].iter().find(same) {
            return Err(format!(
                "{} and {} have the same time: one of the times is wrong, or one exposure is \
                 given twice",
                other.file, sight.file
            ));
        }
        let misread = conditions.site.zip(Moment::from_jd_utc(jd));
        let misread = misread
            .and_then(|(site, moment)| misread_site(&moment, &site, sight.centre_deg()))
            // Twilight is a good time to align a mount.
            .filter(|m| m.sun_deg > 0.0 || m.found_deg < -2.0);
        if let Some(misread) = misread {
            let fits = misread.explained_by.first();
            let fits = fits.map_or(String::new(), |f| format!("; all fits {f}"));
            return Err(format!(
                "{}: time and site cannot both be right: with them {misread}{fits}; give the site \
                 with --site, north and east positive",
                sight.file
            ));
        }
    }
    header_slew(sights)
}

/// Two frames cannot tell a move in declination: the mount's own word has to do.
fn header_slew(sights: &[Sight]) -> Result<(), String> {
    let [a, b] = sights else {
        return Ok(());
    };
    match a.commanded_dec_deg.zip(b.commanded_dec_deg) {
        Some((from, to)) if (to - from).abs() > HEADER_MOVE_DEG => Err(format!(
            "by their headers declination was moved by {:.1} deg between {} and {}: turn only the \
             RA axis",
            (to - from).abs(),
            a.file,
            b.file
        )),
        _ => Ok(()),
    }
}

pub(super) fn attitudes(sights: &[Sight], air: &Air) -> Result<Vec<Held>, Trouble> {
    let held = sights.iter().map(|sight| {
        let attitude = sight.attitude(air);
        let attitude = attitude.ok_or_else(|| format!("{}: its time is not usable", sight.file))?;
        Ok(Held {
            attitude,
            centre_error: sight.centre_error,
            turn_error: sight.turn_error,
        })
    });
    held.collect::<Result<_, String>>().map_err(Trouble::from)
}

fn turned(fit: &AxisFit) -> f64 {
    let ends = fit
        .turns
        .iter()
        .fold([f64::MAX, f64::MIN], |[low, high], t| {
            [low.min(*t), high.max(*t)]
        });
    (ends[1] - ends[0]).to_degrees()
}

/// The fit with a move in declination before that frame where it explains most.
fn likeliest_move(held: &[Held], towards: Vector3<f64>) -> Option<(AxisFit, usize)> {
    if held.len() < 3 {
        return None;
    }
    (1..held.len())
        .filter_map(|from| Some((fit(held, towards, Some(from))?, from)))
        .min_by(|a, b| a.0.chi2.total_cmp(&b.0.chi2))
}

/// What the residuals betray: the sentence, and the move in declination where that is what it was.
fn contradiction(
    plain: &AxisFit,
    moved: &Option<(AxisFit, usize)>,
    sights: &[Sight],
) -> Option<(String, Option<f64>)> {
    let (with, from) = moved.as_ref()?;
    let [size, error] = with.moved?;
    let arcmin = size.abs() * ARCMIN;
    let explained = plain.chi2 - with.chi2;
    let pair = format!("{} and {}", sights[from - 1].file, sights[*from].file);
    let left = |f: &AxisFit| f.chi2 / (f.freedom.max(1) as f64);
    if size.abs() > SEEN * error && explained > SEEN * SEEN && arcmin > BENDS_ARCMIN {
        let or = if left(with) > SEEN * SEEN {
            ", or the tripod was bumped or a clutch slipped: a move in declination does not \
             explain it all"
        } else {
            " (a slew, or a slipped clutch)"
        };
        let reason = format!(
            "declination moved by {arcmin:.1} arcmin between {pair}{or}; take the frames again, \
             turning only the RA axis"
        );
        return Some((reason, Some(arcmin)));
    }
    (left(plain) > SEEN * SEEN && plain.rms * ARCMIN > BENDS_ARCMIN).then(|| {
        let reason = format!(
            "no turn about one axis explains the frames: {:.1} arcmin remain; the tripod was \
             bumped, a clutch slipped, or the camera moved in its holder; take the frames again",
            plain.rms * ARCMIN
        );
        (reason, None)
    })
}

/// Of the axis, along [`sideways`]: of the fit, widened where its residuals exceed the errors, and
/// what is not known of refraction.
fn covariance(
    plain: &AxisFit,
    sights: &[Sight],
    conditions: &Conditions,
    towards: Vector3<f64>,
) -> Result<Matrix2<f64>, Trouble> {
    let left = plain.chi2 / plain.freedom.max(1) as f64;
    // With two degrees of freedom chance alone leaves more than that in 2 cases of 100.
    let widened = if left > 4.0 { left } else { 1.0 };
    let mut covariance = plain.covariance * widened;
    let share = conditions
        .pressure_hpa
        .map_or(REFRACTION_GUESSED, |_| REFRACTION_STATED);
    if conditions.site.is_some() {
        let other = attitudes(sights, &conditions.air(1.0 + share))?;
        if let Some(other) = fit(&other, towards, None) {
            let shift = other.axis - plain.axis;
            let shift = sideways(plain.axis).map(|d| d.dot(&shift));
            for (i, a) in shift.iter().enumerate() {
                for (j, b) in shift.iter().enumerate() {
                    covariance[(i, j)] += a * b;
                }
            }
        }
    }
    Ok(covariance)
}

fn finding(
    plain: &AxisFit,
    covariance: Matrix2<f64>,
    conditions: &Conditions,
    sights: &[Sight],
    north: bool,
) -> Result<Finding, Trouble> {
    let mut cautions = Vec::new();
    if conditions.site.is_none() {
        cautions.push(
            "The site is not known: how far the axis is off is given without refraction, and not \
             which way; give --site."
                .to_owned(),
        );
    } else if conditions.pressure_hpa.is_none() {
        cautions.push(
            "The pressure at the site is not known: that of sea level is used; give --pressure."
                .to_owned(),
        );
    }
    if sights.len() == 2 {
        cautions.push(
            "Two frames cannot betray a move in declination or a bumped tripod: a third one, \
             turned further, checks them."
                .to_owned(),
        );
    }
    let jd = sights.last().and_then(|s| s.jd_utc).unwrap_or_default();
    let pole = pole(conditions, jd, north).ok_or_else(|| "the time is not usable".to_owned())?;
    Ok(Finding {
        axis_deg: conditions
            .site
            .map(|site| altitude_azimuth(plain.axis, &site)),
        error: axis_error(plain.axis, covariance, KNOWN, pole, conditions.site, north),
        north,
        pole: conditions.pole,
        turned_deg: 0.0,
        moved_arcmin: None,
        residual_arcsec: (plain.freedom > 0).then_some(plain.rms * ARCMIN * 60.0),
        cautions,
        axis: plain.axis,
        covariance,
    })
}

/// Direction of the pole that is meant.
pub(super) fn pole(conditions: &Conditions, jd: f64, north: bool) -> Option<Vector3<f64>> {
    let sign = if north { 1.0 } else { -1.0 };
    match (conditions.pole, conditions.site) {
        (Pole::Refracted, Some(_)) => Some(conditions.air(1.0).sky(jd)?.pole(sign)),
        _ => Some(Vector3::z() * sign),
    }
}

/// Degrees; azimuth 0 to 360 from north through east.
pub(super) fn altitude_azimuth(v: Vector3<f64>, site: &Site) -> [f64; 2] {
    let (sin, cos) = site.latitude_deg.to_radians().sin_cos();
    let up = v.x * cos + v.z * sin;
    let north = v.z * cos - v.x * sin;
    [
        up.clamp(-1.0, 1.0).asin().to_degrees(),
        v.y.atan2(north).to_degrees().rem_euclid(360.0),
    ]
}

pub(super) fn axis_error(
    axis: Vector3<f64>,
    covariance: Matrix2<f64>,
    freedom: f64,
    pole: Vector3<f64>,
    site: Option<Site>,
    north: bool,
) -> AxisError {
    let parts = site.map(|site| {
        let [a, p] = [axis, pole].map(|v| altitude_azimuth(v, &site));
        let azimuth = (a[1] - p[1] + 180.0).rem_euclid(360.0) - 180.0;
        [a[0] - p[0], if north { azimuth } else { -azimuth }].map(|deg| deg * 60.0)
    });
    let error = CentreError {
        covariance: [covariance[(0, 0)], covariance[(0, 1)], covariance[(1, 1)]],
        freedom,
    };
    AxisError {
        altitude_arcmin: parts.map(|p| p[0]),
        azimuth_arcmin: parts.map(|p| p[1]),
        total_arcmin: axis.angle(&pole) * ARCMIN,
        radius95_arcmin: error.radius95() * ARCMIN,
    }
}
