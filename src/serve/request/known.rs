//! What a request says beforehand of its frames.

use super::keys::{EquinoxKey, Keys};
use crate::aim::parse_aim;
use crate::answer::{At, Known};
use crate::mount::Equinox;
use std::time::Duration;

/// What holds for this request.
pub(super) fn known_by(keys: &Keys, known: &Known) -> Result<Known, String> {
    let place = |key: &str, text: &Option<String>| -> Result<Option<At>, String> {
        let parsed = text.as_deref().map(parse_aim).transpose();
        let parsed = parsed.map_err(|refusal| format!("{key:?}: {refusal}"))?;
        Ok(parsed.as_ref().map(At::from))
    };
    let positive = |key: &str, value: Option<f64>, most: f64| match value {
        Some(value) if !(value > 0.0 && value <= most) => {
            Err(format!("{key:?} is a number above 0, {most} at most"))
        }
        value => Ok(value),
    };
    let focus = keys.focus_star.as_deref().map(str::parse).transpose();
    let limit_s = positive("time_limit_s", keys.time_limit_s, 1e6)?;
    Ok(Known {
        at: place("at", &keys.at)?.or(known.at.clone()),
        equinox: keys
            .equinox
            .map(|equinox| match equinox {
                EquinoxKey::J2000 => Equinox::J2000,
                EquinoxKey::Date => Equinox::Date,
            })
            .or(known.equinox),
        within_deg: positive("within_deg", keys.within_deg, 180.0)?.or(known.within_deg),
        focal_length_mm: positive("focal_length_mm", keys.focal_length_mm, 1e6)?
            .or(known.focal_length_mm),
        pixel_size_um: positive("pixel_size_um", keys.pixel_size_um, 1e4)?.or(known.pixel_size_um),
        scale_arcsec_per_px: positive("scale_arcsec_per_px", keys.scale_arcsec_per_px, 1e4)?
            .or(known.scale_arcsec_per_px),
        ignore_header: keys.ignore_header.unwrap_or(known.ignore_header),
        time_limit: limit_s.map(Duration::from_secs_f64).or(known.time_limit),
        target: place("target", &keys.target)?.or(known.target.clone()),
        focus: focus
            .map_err(|refusal: String| format!("\"focus_star\": {refusal}"))?
            .or(known.focus),
    })
}
