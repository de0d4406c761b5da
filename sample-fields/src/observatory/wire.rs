//! INDI messages as a driver reads and writes them.

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use std::collections::HashMap;
use std::io::BufRead;

/// A message: its tag, what it is about, its members as text.
#[derive(Debug, Default)]
pub(super) struct Incoming {
    pub tag: String,
    pub device: String,
    pub name: String,
    pub members: HashMap<String, String>,
}

impl Incoming {
    pub fn number(&self, member: &str) -> Option<f64> {
        self.members.get(member)?.parse().ok()
    }

    pub fn is_on(&self, member: &str) -> bool {
        self.members.get(member).is_some_and(|text| text == "On")
    }
}

/// Reads messages until the server closes the stream or sends what is no XML.
pub(super) fn read_all(stream: impl BufRead, mut heed: impl FnMut(Incoming)) {
    let mut reader = Reader::from_reader(stream);
    reader.config_mut().allow_dangling_amp = true;
    let (mut buffer, mut depth) = (Vec::new(), 0);
    let (mut message, mut member) = (Incoming::default(), None);
    loop {
        buffer.clear();
        match reader.read_event_into(&mut buffer) {
            Ok(Event::Start(start)) => {
                depth += 1;
                if depth == 1 {
                    message = begun(&start);
                } else {
                    member = attribute(&start, "name").inspect(|name| {
                        message.members.insert(name.clone(), String::new());
                    });
                }
            }
            Ok(Event::Empty(start)) if depth == 0 => heed(begun(&start)),
            Ok(Event::Text(text)) => {
                if let Some(value) = member
                    .as_ref()
                    .and_then(|name| message.members.get_mut(name))
                {
                    value.push_str(String::from_utf8_lossy(&text).trim());
                }
            }
            Ok(Event::End(_)) => {
                depth -= 1;
                member = None;
                if depth == 0 {
                    heed(std::mem::take(&mut message));
                }
            }
            Ok(Event::Eof) | Err(_) => return,
            Ok(_) => {}
        }
    }
}

fn begun(start: &BytesStart<'_>) -> Incoming {
    Incoming {
        tag: String::from_utf8_lossy(start.name().as_ref()).into_owned(),
        device: attribute(start, "device").unwrap_or_default(),
        name: attribute(start, "name").unwrap_or_default(),
        members: HashMap::new(),
    }
}

fn attribute(start: &BytesStart<'_>, name: &str) -> Option<String> {
    let found = start.try_get_attribute(name).ok()??;
    Some(String::from_utf8_lossy(&found.value).into_owned())
}

/// A vector of `kind` (`Number`, `Text`, `Switch`), defined or with new values.
pub(super) fn vector(
    verb: &str,
    kind: &str,
    device: &str,
    name: &str,
    state: &str,
    members: &[(&str, String)],
) -> String {
    let rest = match (verb, kind) {
        ("def", "Switch") => " perm=\"rw\" rule=\"OneOfMany\"",
        ("def", _) => " perm=\"rw\"",
        _ => "",
    };
    let tag = if verb == "def" { "def" } else { "one" };
    let range = match (verb, kind) {
        ("def", "Number") => " format=\"%.9g\" min=\"-1e9\" max=\"1e9\" step=\"0\"",
        _ => "",
    };
    let mut xml = format!(
        "<{verb}{kind}Vector device=\"{device}\" name=\"{name}\" state=\"{state}\"{rest}>\n"
    );
    for (member, value) in members {
        xml += &format!("  <{tag}{kind} name=\"{member}\"{range}>{value}</{tag}{kind}>\n");
    }
    xml + &format!("</{verb}{kind}Vector>\n")
}
