//! A line as a request, or what is wrong with it.

use crate::aim::parse_aim;
use crate::answer::{At, Known};
use crate::frame::{Site, path_of_text};
use crate::mount::Equinox;
use crate::polar::{Conditions, Pole};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::Deserialize;
use serde_json::Value;
use std::path::PathBuf;
use std::time::Duration;

/// What somebody wants.
#[derive(Debug)]
pub enum Request {
    /// Where does this frame point?
    Solve(Box<Task>),
    /// Call off the request of this id.
    Cancel(Value),
}

/// A frame to be solved, and what is known of it.
#[derive(Debug)]
pub struct Task {
    /// Name of the frame in its answer.
    pub name: String,
    /// Where its bytes are.
    pub from: From,
    /// What the caller says.
    pub known: Known,
}

/// Where the bytes of a frame are, or of several.
#[derive(Debug)]
pub enum From {
    /// In a file.
    File(PathBuf),
    /// Here.
    Bytes(Vec<u8>),
    /// Right behind the line.
    Behind(u64),
    /// In files: frames between which the RA axis turned.
    Turned(Turned),
}

/// Frames that tell the polar axis.
#[derive(Debug)]
pub struct Turned {
    /// Two or more.
    pub frames: Vec<PathBuf>,
    /// One of after the screws were turned.
    pub adjusted: Option<PathBuf>,
    /// Site and air.
    pub conditions: Conditions,
}

/// The keys of a request.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Keys {
    #[allow(
        dead_code,
        reason = "read before the others, and a key that is allowed"
    )]
    id: Option<Value>,
    #[serde(rename = "do", default)]
    action: Action,
    which: Option<Value>,
    file: Option<String>,
    base64: Option<String>,
    bytes: Option<u64>,
    name: Option<String>,
    at: Option<String>,
    equinox: Option<EquinoxKey>,
    within_deg: Option<f64>,
    focal_length_mm: Option<f64>,
    pixel_size_um: Option<f64>,
    scale_arcsec_per_px: Option<f64>,
    ignore_header: Option<bool>,
    time_limit_s: Option<f64>,
    target: Option<String>,
    focus_star: Option<String>,
    files: Option<Vec<String>>,
    adjusted: Option<String>,
    site_deg: Option<[f64; 2]>,
    pressure_hpa: Option<f64>,
    temperature_c: Option<f64>,
    pole: Option<PoleKey>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
enum PoleKey {
    True,
    Refracted,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Action {
    #[default]
    Solve,
    Polar,
    Cancel,
}

#[derive(Debug, Clone, Copy, Deserialize)]
enum EquinoxKey {
    #[serde(rename = "j2000", alias = "J2000")]
    J2000,
    #[serde(rename = "date")]
    Date,
}

/// The parts of a line that matter even if the rest makes no sense: the id to answer under, and how
/// many bytes of a frame follow.
#[derive(Debug, Default)]
pub struct Label {
    /// Null where the line has no id that could be used.
    pub id: Value,
    /// Bytes behind the line.
    pub bytes_behind: u64,
}

/// Reads a line. `known` is what holds where the request says nothing else.
pub fn read(line: &[u8], known: &Known) -> (Label, Result<Request, String>) {
    let value: Value = match serde_json::from_slice(line) {
        Ok(value) => value,
        Err(fault) => {
            let reason = format!("no JSON object on this line: {fault}");
            return (Label::default(), Err(reason));
        }
    };
    let id = value.get("id").filter(|id| id.is_string() || id.is_i64());
    let label = Label {
        id: id.cloned().unwrap_or_default(),
        bytes_behind: value.get("bytes").and_then(Value::as_u64).unwrap_or(0),
    };
    let request = match (value.is_object(), label.id.is_null()) {
        (false, _) => Err("a request is a JSON object".into()),
        (_, true) => Err("a request needs an id: a text or a whole number".into()),
        _ => understood(value, known),
    };
    (label, request)
}

fn understood(value: Value, known: &Known) -> Result<Request, String> {
    let keys: Keys = serde_json::from_value(value).map_err(|fault| fault.to_string())?;
    if keys.action == Action::Cancel {
        let which = keys
            .which
            .ok_or("say which request to call off: \"which\": its id")?;
        return Ok(Request::Cancel(which));
    }
    let known = known_by(&keys, known)?;
    if keys.action == Action::Polar {
        let turned = turned(&keys)?;
        let names: Vec<&str> = keys.files.iter().flatten().map(String::as_str).collect();
        return Ok(Request::Solve(Box::new(Task {
            name: names.join(", "),
            from: From::Turned(turned),
            known,
        })));
    }
    if let Some(key) = keys.of_polar_alone() {
        return Err(format!("{key:?} goes with \"do\": \"polar\""));
    }
    let name = keys.name;
    let (name, from) = match (keys.file, keys.base64, keys.bytes) {
        (Some(file), None, None) => {
            let path = path_of_text(&file).ok_or("\"file\" is no path of this system")?;
            (name.unwrap_or(file), From::File(path))
        }
        (None, Some(text), None) => {
            let bytes = STANDARD.decode(text.as_bytes());
            let bytes = bytes.map_err(|fault| format!("\"base64\": {fault}"))?;
            (name.unwrap_or_else(|| "frame".into()), From::Bytes(bytes))
        }
        (None, None, Some(count)) => (name.unwrap_or_else(|| "frame".into()), From::Behind(count)),
        _ => {
            return Err(
                "name one frame: \"file\": its path, \"base64\": its bytes, or \"bytes\": \
                        how many of them follow the line"
                    .into(),
            );
        }
    };
    Ok(Request::Solve(Box::new(Task { name, from, known })))
}

impl Keys {
    /// A key that only a request for the polar axis has.
    fn of_polar_alone(&self) -> Option<&'static str> {
        let given = [
            ("files", self.files.is_some()),
            ("adjusted", self.adjusted.is_some()),
            ("site_deg", self.site_deg.is_some()),
            ("pressure_hpa", self.pressure_hpa.is_some()),
            ("temperature_c", self.temperature_c.is_some()),
            ("pole", self.pole.is_some()),
        ];
        given.iter().find(|(_, given)| *given).map(|(key, _)| *key)
    }
}

/// The frames of a request for the polar axis, and what is known of the ground.
fn turned(keys: &Keys) -> Result<Turned, String> {
    let path = |file: &String| {
        path_of_text(file).ok_or_else(|| format!("{file:?} is no path of this system"))
    };
    let frames = keys
        .files
        .iter()
        .flatten()
        .map(path)
        .collect::<Result<Vec<_>, _>>()?;
    if frames.is_empty() || keys.file.is_some() || keys.base64.is_some() || keys.bytes.is_some() {
        return Err("name the frames: \"files\": their paths, two or more, and no other".into());
    }
    let within = |key: &str, value: Option<f64>, least: f64, most: f64| match value {
        Some(value) if !(least..=most).contains(&value) => {
            Err(format!("{key:?} is a number from {least} to {most}"))
        }
        value => Ok(value),
    };
    let [latitude, longitude] = keys.site_deg.map_or([None; 2], |site| site.map(Some));
    let latitude = within("site_deg: latitude", latitude, -90.0, 90.0)?;
    let longitude = within("site_deg: longitude", longitude, -360.0, 360.0)?;
    Ok(Turned {
        frames,
        adjusted: keys.adjusted.as_ref().map(path).transpose()?,
        conditions: Conditions {
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
        },
    })
}

/// What holds for this request.
fn known_by(keys: &Keys, known: &Known) -> Result<Known, String> {
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

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(line: &str) -> (Value, String) {
        let (label, request) = read(line.as_bytes(), &Known::default());
        (label.id, request.expect_err(line))
    }

    #[test]
    fn what_makes_no_sense_is_refused_under_its_id() {
        for (line, id, part) in [
            ("", Value::Null, "no JSON"),
            ("{", Value::Null, "no JSON"),
            ("[1]", Value::Null, "is a JSON object"),
            (r#"{"file":"a"}"#, Value::Null, "needs an id"),
            (r#"{"id":[1],"file":"a"}"#, Value::Null, "needs an id"),
            (r#"{"id":1.5,"file":"a"}"#, Value::Null, "needs an id"),
            (r#"{"id":1}"#, 1.into(), "name one frame"),
            (
                r#"{"id":1,"file":"a","bytes":3}"#,
                1.into(),
                "name one frame",
            ),
            (
                r#"{"id":"x","file":"a","tme":3}"#,
                "x".into(),
                "unknown field",
            ),
            (r#"{"id":1,"do":"dance"}"#, 1.into(), "unknown variant"),
            (r#"{"id":1,"do":"cancel"}"#, 1.into(), "which"),
            (
                r#"{"id":1,"file":"a","at":"M 999"}"#,
                1.into(),
                "no deep-sky object",
            ),
            (
                r#"{"id":1,"file":"a","within_deg":-1}"#,
                1.into(),
                "above 0",
            ),
            (
                r#"{"id":1,"file":"a","time_limit_s":1e300}"#,
                1.into(),
                "at most",
            ),
            (
                r#"{"id":1,"file":"a","focus_star":"6..3"}"#,
                1.into(),
                "3..6",
            ),
            (r#"{"id":1,"base64":"!"}"#, 1.into(), "base64"),
            (r#"{"id":1,"do":"polar"}"#, 1.into(), "name the frames"),
            (
                r#"{"id":1,"do":"polar","files":["a"],"file":"b"}"#,
                1.into(),
                "no other",
            ),
            (
                r#"{"id":1,"do":"polar","files":["a"],"site_deg":[91,0]}"#,
                1.into(),
                "latitude",
            ),
            (
                r#"{"id":1,"do":"polar","files":["a"],"pressure_hpa":-1}"#,
                1.into(),
                "0 to 1100",
            ),
            (
                r#"{"id":1,"file":"a","site_deg":[1,2]}"#,
                1.into(),
                "goes with",
            ),
            (r#"{"id":1,"bytes":-1}"#, 1.into(), "invalid value"),
        ] {
            let (found, reason) = refusal(line);
            assert_eq!(found, id, "{line}");
            assert!(reason.contains(part), "{line}: {reason}");
        }
    }

    #[test]
    fn what_is_said_comes_before_what_holds() {
        let known = Known {
            scale_arcsec_per_px: Some(2.0),
            within_deg: Some(5.0),
            ..Known::default()
        };
        let line = r#"{"id":"a","file":"b.fits","at":"M 81","scale_arcsec_per_px":3}"#;
        let (label, request) = read(line.as_bytes(), &known);
        assert_eq!(label.id, "a");
        let Ok(Request::Solve(task)) = request else {
            panic!("{request:?}");
        };
        assert_eq!(task.name, "b.fits");
        assert_eq!(task.known.scale_arcsec_per_px, Some(3.0));
        assert_eq!(task.known.within_deg, Some(5.0));
        assert_eq!(task.known.at.unwrap().name.as_deref(), Some("M 81"));
    }
}
