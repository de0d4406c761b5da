//! A request for the polar axis.

use super::keys::{Keys, PoleKey};
use super::source::{Along, Source};
use crate::frame::Site;
use crate::polar::{Conditions, Pole};
use serde_json::Value;

/// Frames that tell the polar axis.
#[derive(Debug)]
pub struct Turned {
    /// Two or more, between which the RA axis turned.
    pub frames: Vec<Source>,
    /// One of after the screws were turned.
    pub adjusted: Option<Source>,
    /// Site and air.
    pub conditions: Conditions,
}

/// The frames of a request for the polar axis, and what is known of the ground.
pub(super) fn turned(keys: &mut Keys) -> Result<Turned, String> {
    let files = keys.files.take().unwrap_or_default();
    if files.is_empty() || keys.file.is_some() || keys.base64.is_some() || keys.bytes.is_some() {
        return Err(
            "name the frames: \"files\": two or more, and no other: each its path, or an object \
             with \"base64\": its bytes, or \"bytes\": how many of them follow the line"
                .into(),
        );
    }
    let frames = files.into_iter().enumerate();
    let frames = frames.map(|(i, value)| one("files", value, &format!("frame {}", i + 1)));
    let adjusted = keys.adjusted.take();
    Ok(Turned {
        frames: frames.collect::<Result<_, _>>()?,
        adjusted: adjusted
            .map(|value| one("adjusted", value, "adjusted frame"))
            .transpose()?,
        conditions: conditions(keys)?,
    })
}

/// A frame by its path, or one that comes along.
fn one(key: &str, value: Value, name: &str) -> Result<Source, String> {
    let along = match value {
        Value::String(file) => Along {
            file: Some(file),
            ..Along::default()
        },
        value => serde_json::from_value(value).map_err(|fault| format!("{key:?}: {fault}"))?,
    };
    along
        .source(name)
        .map_err(|refusal| format!("{key:?}: {refusal}"))
}

fn conditions(keys: &Keys) -> Result<Conditions, String> {
    let within = |key: &str, value: Option<f64>, least: f64, most: f64| match value {
        Some(value) if !(least..=most).contains(&value) => {
            Err(format!("{key:?} is a number from {least} to {most}"))
        }
        value => Ok(value),
    };
    let [latitude, longitude] = keys.site_deg.map_or([None; 2], |site| site.map(Some));
    let latitude = within("site_deg: latitude", latitude, -90.0, 90.0)?;
    let longitude = within("site_deg: longitude", longitude, -360.0, 360.0)?;
    Ok(Conditions {
        site: latitude
            .zip(longitude)
            .map(|(latitude_deg, longitude_deg)| Site {
                longitude_deg,
                latitude_deg,
            }),
        pressure_hpa: within("pressure_hpa", keys.pressure_hpa, 0.0, 1100.0)?,
        air_c: within("temperature_c", keys.temperature_c, -80.0, 60.0)?,
        pole: match keys.pole {
            Some(PoleKey::Refracted) => Pole::Refracted,
            Some(PoleKey::True) | None => Pole::True,
        },
    })
}
