//! A line as a request, or what is wrong with it.

mod keys;
mod known;
mod source;
mod turned;

pub use source::{From, Source};
pub use turned::Turned;

use crate::answer::Known;
use keys::{Action, Keys};
use known::known_by;
use serde_json::Value;
use source::Along;
use turned::turned;

/// What somebody wants.
#[derive(Debug)]
pub enum Request {
    /// Where do these frames point?
    Solve(Box<Task>),
    /// Call off the request of this id.
    Cancel(Value),
}

/// What is to be done, and what is known beforehand.
#[derive(Debug)]
pub struct Task {
    /// About which frames.
    pub work: Work,
    /// What the caller says.
    pub known: Known,
}

/// The frames that are asked about.
#[derive(Debug)]
pub enum Work {
    /// Where does this one point?
    One(Source),
    /// Where do these put the polar axis?
    Axis(Turned),
}

impl Task {
    /// The frames, in the order in which their bytes come.
    pub fn sources(&mut self) -> impl Iterator<Item = &mut Source> {
        let (first, adjusted) = match &mut self.work {
            Work::One(one) => (std::slice::from_mut(one), None),
            Work::Axis(turned) => (&mut turned.frames[..], turned.adjusted.as_mut()),
        };
        first.iter_mut().chain(adjusted)
    }

    /// Bytes of the frames that come along.
    pub fn bytes(&self) -> u64 {
        let (first, adjusted) = match &self.work {
            Work::One(one) => (std::slice::from_ref(one), None),
            Work::Axis(turned) => (&turned.frames[..], turned.adjusted.as_ref()),
        };
        let all = first.iter().chain(adjusted);
        all.map(Source::bytes).fold(0, u64::saturating_add)
    }
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
        bytes_behind: bytes_behind(&value),
    };
    let request = match (value.is_object(), label.id.is_null()) {
        (false, _) => Err("a request is a JSON object".into()),
        (_, true) => Err("a request needs an id: a text or a whole number".into()),
        _ => understood(value, known),
    };
    (label, request)
}

/// Bytes that follow a line, as far as it says so.
fn bytes_behind(line: &Value) -> u64 {
    let of = |frame: &Value| frame.get("bytes").and_then(Value::as_u64).unwrap_or(0);
    let files = line.get("files").and_then(Value::as_array);
    let frames = files.into_iter().flatten().chain(line.get("adjusted"));
    frames.map(of).fold(of(line), u64::saturating_add)
}

fn understood(value: Value, known: &Known) -> Result<Request, String> {
    let mut keys: Keys = serde_json::from_value(value).map_err(|fault| fault.to_string())?;
    if keys.action == Action::Cancel {
        let which = keys
            .which
            .ok_or("say which request to call off: \"which\": its id")?;
        return Ok(Request::Cancel(which));
    }
    let known = known_by(&keys, known)?;
    if keys.action == Action::Polar {
        let work = Work::Axis(turned(&mut keys)?);
        return Ok(Request::Solve(Box::new(Task { work, known })));
    }
    if let Some(key) = keys.of_polar_alone() {
        return Err(format!("{key:?} goes with \"do\": \"polar\""));
    }
    let along = Along {
        file: keys.file,
        base64: keys.base64,
        bytes: keys.bytes,
        name: keys.name,
    };
    let work = Work::One(along.source("frame")?);
    Ok(Request::Solve(Box::new(Task { work, known })))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(line: &str) -> (Value, String) {
        let (label, request) = read(line.as_bytes(), &Known::default());
        (label.id, request.expect_err(line))
    }

    /// What makes no sense, and a part of the reason that is given.
    const SENSELESS: [(&str, &str); 19] = [
        (r#"{"id":1}"#, "name one frame"),
        (r#"{"id":1,"file":"a","bytes":3}"#, "name one frame"),
        (r#"{"id":1,"file":"a","tme":3}"#, "unknown field"),
        (r#"{"id":1,"do":"dance"}"#, "unknown variant"),
        (r#"{"id":1,"do":"cancel"}"#, "which"),
        (r#"{"id":1,"file":"a","at":"M 999"}"#, "no deep-sky object"),
        (r#"{"id":1,"file":"a","within_deg":-1}"#, "above 0"),
        (r#"{"id":1,"file":"a","time_limit_s":1e300}"#, "at most"),
        (r#"{"id":1,"file":"a","focus_star":"6..3"}"#, "3..6"),
        (r#"{"id":1,"base64":"!"}"#, "base64"),
        (r#"{"id":1,"file":"a","site_deg":[1,2]}"#, "goes with"),
        (r#"{"id":1,"bytes":-1}"#, "invalid value"),
        (r#"{"id":1,"do":"polar"}"#, "name the frames"),
        (
            r#"{"id":1,"do":"polar","files":["a"],"file":"b"}"#,
            "no other",
        ),
        (
            r#"{"id":1,"do":"polar","files":["a",{"path":"b"}]}"#,
            "\"files\": unknown field",
        ),
        (
            r#"{"id":1,"do":"polar","files":["a",7]}"#,
            "\"files\": invalid type",
        ),
        (
            r#"{"id":1,"do":"polar","files":["a","b"],"adjusted":{}}"#,
            "\"adjusted\": name one frame",
        ),
        (
            r#"{"id":1,"do":"polar","files":["a"],"site_deg":[91,0]}"#,
            "latitude",
        ),
        (
            r#"{"id":1,"do":"polar","files":["a"],"pressure_hpa":-1}"#,
            "0 to 1100",
        ),
    ];

    #[test]
    fn what_makes_no_sense_is_refused_under_its_id() {
        let nameless = [
            ("", "no JSON"),
            ("{", "no JSON"),
            ("[1]", "is a JSON object"),
            (r#"{"file":"a"}"#, "needs an id"),
            (r#"{"id":[1],"file":"a"}"#, "needs an id"),
            (r#"{"id":1.5,"file":"a"}"#, "needs an id"),
        ];
        let named = SENSELESS.map(|(line, part)| (Value::from(1), line, part));
        let text = (Value::from("x"), r#"{"id":"x","do":"dance"}"#, "unknown");
        let nameless = nameless.map(|(line, part)| (Value::Null, line, part));
        for (id, line, part) in named.into_iter().chain(nameless).chain([text]) {
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
        let Work::One(source) = &task.work else {
            panic!("{task:?}");
        };
        assert_eq!(source.name, "b.fits");
        assert_eq!(task.known.scale_arcsec_per_px, Some(3.0));
        assert_eq!(task.known.within_deg, Some(5.0));
        assert_eq!(task.known.at.unwrap().name.as_deref(), Some("M 81"));
    }
}
