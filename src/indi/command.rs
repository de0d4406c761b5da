//! What a client asks of a device.

use quick_xml::escape::escape;
use std::fmt::Write;

/// One command, ready to be sent.
#[derive(Debug, Clone, PartialEq)]
pub struct Command {
    /// The XML element.
    pub xml: String,
    /// The same for people: `EQUATORIAL_EOD_COORD RA=5.5 DEC=22`.
    pub summary: String,
}

/// Describe yourself: all properties of `device`, or the one of that `name`.
pub(super) fn describe(device: &str, name: Option<&str>) -> String {
    let name = name.map_or(String::new(), |name| format!(" name=\"{}\"", escape(name)));
    format!(
        "<getProperties version=\"1.7\" device=\"{}\"{name}/>\n",
        escape(device)
    )
}

/// Binary objects are wanted beside everything else.
pub(super) fn want_blobs(device: &str) -> String {
    format!(
        "<enableBLOB device=\"{}\">Also</enableBLOB>\n",
        escape(device)
    )
}

/// Asks for new numbers of a property.
pub fn numbers(device: &str, name: &str, values: &[(&str, f64)]) -> Command {
    let texts = values
        .iter()
        .map(|(member, value)| (*member, value.to_string()));
    vector(device, name, "Number", texts)
}

/// Asks for new positions of switches.
pub fn switches(device: &str, name: &str, values: &[(&str, bool)]) -> Command {
    let text = |on| if on { "On" } else { "Off" }.to_owned();
    let texts = values.iter().map(|(member, on)| (*member, text(*on)));
    vector(device, name, "Switch", texts)
}

fn vector<'a>(
    device: &str,
    name: &str,
    kind: &str,
    members: impl Iterator<Item = (&'a str, String)>,
) -> Command {
    let (device, property) = (escape(device), escape(name));
    let mut xml = format!("<new{kind}Vector device=\"{device}\" name=\"{property}\">\n");
    let mut summary = name.to_owned();
    for (member, text) in members {
        let _ = writeln!(
            xml,
            "  <one{kind} name=\"{}\">{}</one{kind}>",
            escape(member),
            escape(&text)
        );
        let _ = write!(summary, " {member}={text}");
    }
    let _ = writeln!(xml, "</new{kind}Vector>");
    Command { xml, summary }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::indi::{Kind, Limits, Message, MessageReader, Value};

    #[test]
    fn commands_are_well_formed() {
        let command = numbers(
            "A & \"B\"",
            "EQUATORIAL_EOD_COORD",
            &[("RA", 5.25), ("DEC", -0.5)],
        );
        assert_eq!(command.summary, "EQUATORIAL_EOD_COORD RA=5.25 DEC=-0.5");
        // The same element as a server would send it.
        let sent = command.xml.replace("newNumberVector", "setNumberVector");
        let mut reader = MessageReader::new(sent.as_bytes(), Limits::default());
        let Ok(Some(Message::Vector(vector))) = reader.next_message() else {
            panic!("{sent}");
        };
        assert_eq!(
            (vector.device.as_str(), vector.kind),
            ("A & \"B\"", Kind::Number)
        );
        assert_eq!(vector.members[1], ("DEC".into(), Value::Number(-0.5)));
        let park = switches("A", "TELESCOPE_ABORT_MOTION", &[("ABORT", true)]);
        assert_eq!(park.summary, "TELESCOPE_ABORT_MOTION ABORT=On");
    }
}
