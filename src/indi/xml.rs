//! Messages of a server, out of a stream of bytes.
//!
//! The stream is one XML element after another, without a common root. What cannot be read is
//! refused; what is not known is passed over, as the white paper wants it.

use super::properties::{Blob, State, Value};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use std::io::{self, BufRead, Read};

/// What the members of a vector are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Numbers.
    Number,
    /// Texts.
    Text,
    /// Switches, on or off.
    Switch,
    /// Lights, each a state.
    Light,
    /// Binary objects.
    Blob,
}

/// A vector as it was sent.
#[derive(Debug, Clone, PartialEq)]
pub struct VectorMessage {
    /// True where the property is defined, false where it takes new values.
    pub defines: bool,
    /// What its members are.
    pub kind: Kind,
    /// Name of the device.
    pub device: String,
    /// Name of the property.
    pub name: String,
    /// State, where it is stated.
    pub state: Option<State>,
    /// What the device says about it, for people.
    pub remark: Option<String>,
    /// Values by name; those that make no sense are left out.
    pub members: Vec<(String, Value)>,
}

/// One message of a server.
#[derive(Debug, Clone, PartialEq)]
pub enum Message {
    /// A property and its values.
    Vector(VectorMessage),
    /// A property is gone, or with `name` `None` the whole device.
    Deleted {
        /// Name of the device.
        device: String,
        /// Name of the property.
        name: Option<String>,
    },
    /// A remark for people.
    Remark {
        /// Name of the device, where it comes from one.
        device: Option<String>,
        /// What it says.
        text: String,
    },
}

/// How long a message may be, bytes.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// One with a binary object.
    pub blob: u64,
    /// Any other.
    pub other: u64,
}

impl Default for Limits {
    /// 512 MiB are a 190-megapixel frame of 16 bits in base64, 1 MiB is a thousand times a property.
    fn default() -> Limits {
        Limits {
            blob: 512 << 20,
            other: 1 << 20,
        }
    }
}

/// Why no more messages can be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReadError {
    /// The stream broke off.
    #[error("the connection broke: {0}")]
    Io(#[from] io::Error),
    /// It ends within a message.
    #[error("the connection ended in the middle of a message")]
    Truncated,
    /// It is no XML.
    #[error("what came is no INDI message: {0}")]
    Malformed(String),
    /// Longer than [`Limits`] allow.
    #[error("a message is longer than {0} bytes")]
    TooLong(u64),
}

/// Hands on at most this many bytes until it is refilled.
struct Metered<R> {
    inner: io::BufReader<R>,
    left: u64,
}

impl<R: Read> Read for Metered<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let most = out
            .len()
            .min(usize::try_from(self.left).unwrap_or(usize::MAX));
        let count = self.inner.read(&mut out[..most])?;
        self.left -= count as u64;
        Ok(count)
    }
}

impl<R: Read> BufRead for Metered<R> {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        let most = usize::try_from(self.left).unwrap_or(usize::MAX);
        if most == 0 {
            return Err(io::Error::other("over the limit"));
        }
        let bytes = self.inner.fill_buf()?;
        Ok(&bytes[..bytes.len().min(most)])
    }

    fn consume(&mut self, count: usize) {
        self.inner.consume(count);
        self.left = self.left.saturating_sub(count as u64);
    }
}

/// Reads messages one after another.
///
/// ```
/// use nightfix::indi::{Limits, Message, MessageReader};
/// let sent = b"<message device='Pier' message='Parked.'/>";
/// let mut reader = MessageReader::new(&sent[..], Limits::default());
/// assert!(matches!(reader.next_message()?, Some(Message::Remark { text, .. }) if text == "Parked."));
/// assert!(reader.next_message()?.is_none());
/// # Ok::<(), nightfix::indi::ReadError>(())
/// ```
pub struct MessageReader<R: Read> {
    reader: Reader<Metered<R>>,
    limits: Limits,
    allowed: u64,
    buffer: Vec<u8>,
}

impl<R: Read> MessageReader<R> {
    /// A reader of `stream`. It waits for as long as `stream` does.
    pub fn new(stream: R, limits: Limits) -> MessageReader<R> {
        let metered = Metered {
            inner: io::BufReader::with_capacity(1 << 16, stream),
            left: limits.other,
        };
        let mut reader = Reader::from_reader(metered);
        // Drivers are not careful with what they put into texts.
        reader.config_mut().allow_dangling_amp = true;
        MessageReader {
            reader,
            limits,
            allowed: limits.other,
            buffer: Vec::new(),
        }
    }

    /// The next message; `None` at the end of the stream.
    ///
    /// # Errors
    ///
    /// The stream breaks off, is no XML, or a message is too long. Nothing more can be read then.
    pub fn next_message(&mut self) -> Result<Option<Message>, ReadError> {
        loop {
            self.allow(self.limits.other);
            match self.event()? {
                Event::Start(start) => {
                    let head = Head::of(&start);
                    if let Some(message) = self.rest_of(head)? {
                        return Ok(Some(message));
                    }
                }
                Event::Empty(start) => {
                    if let Some(message) = Head::of(&start).message(Vec::new()) {
                        return Ok(Some(message));
                    }
                }
                Event::Eof => return Ok(None),
                // Between messages there is white space, and in hand-written ones a prolog.
                _ => {}
            }
        }
    }

    fn allow(&mut self, bytes: u64) {
        self.allowed = bytes;
        self.reader.get_mut().left = bytes;
        // A frame's buffer is not kept.
        if self.buffer.capacity() > 1 << 20 {
            self.buffer = Vec::new();
        }
    }

    fn event(&mut self) -> Result<Event<'_>, ReadError> {
        self.buffer.clear();
        let (allowed, is_over) = (self.allowed, |left| left == 0);
        match self.reader.read_event_into(&mut self.buffer) {
            // Borrowed anew: the borrow checker does not see that the error path ends here.
            Ok(event) => Ok(event),
            Err(_) if is_over(self.reader.get_ref().left) => Err(ReadError::TooLong(allowed)),
            Err(quick_xml::Error::Io(broken)) => {
                Err(io::Error::new(broken.kind(), broken.to_string()).into())
            }
            Err(quick_xml::Error::Syntax(_)) => Err(ReadError::Truncated),
            Err(other) => Err(ReadError::Malformed(other.to_string())),
        }
    }

    /// Reads to the end of an element; `None` where it is of no interest.
    fn rest_of(&mut self, head: Head) -> Result<Option<Message>, ReadError> {
        if head.tag == "setBLOBVector" {
            self.allow(self.limits.blob);
        }
        let mut members = Vec::new();
        let mut member: Option<Head> = None;
        let mut text = Vec::new();
        let mut depth = 0_usize;
        loop {
            match self.event()? {
                Event::Start(start) => {
                    depth += 1;
                    if depth == 1 {
                        member = Some(Head::of(&start));
                        text.clear();
                    }
                }
                Event::Empty(start) if depth == 0 => {
                    let empty = Head::of(&start);
                    members.extend(empty.member(head.kind(), &[]));
                }
                Event::End(_) if depth == 0 => return Ok(head.message(members)),
                Event::End(_) => {
                    depth -= 1;
                    if let Some(ended) = member.take_if(|_| depth == 0) {
                        members.extend(ended.member(head.kind(), &text));
                        text = Vec::new();
                    }
                }
                Event::Text(piece) if depth == 1 => text.extend_from_slice(&piece),
                Event::CData(piece) if depth == 1 => text.extend_from_slice(&piece),
                Event::GeneralRef(name) if depth == 1 => {
                    text.extend_from_slice(referred(&name).as_bytes());
                }
                Event::Eof => return Err(ReadError::Truncated),
                _ => {}
            }
        }
    }
}

/// What an entity or character reference stands for; one that is not known, itself.
fn referred(reference: &quick_xml::events::BytesRef<'_>) -> String {
    let name = String::from_utf8_lossy(reference);
    match reference.resolve_char_ref() {
        Ok(Some(character)) => character.to_string(),
        _ => quick_xml::escape::resolve_predefined_entity(&name)
            .map_or_else(|| format!("&{name};"), str::to_owned),
    }
}

/// Tag and attributes.
struct Head {
    tag: String,
    attributes: Vec<(String, String)>,
}

impl Head {
    fn of(start: &BytesStart<'_>) -> Head {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let attributes = start.attributes().flatten().map(|attribute| {
            let raw = text(&attribute.value);
            let value = quick_xml::escape::unescape(&raw).map(|value| value.into_owned());
            (text(attribute.key.as_ref()), value.unwrap_or(raw))
        });
        Head {
            tag: text(start.name().as_ref()),
            attributes: attributes.collect(),
        }
    }

    fn take(&self, name: &str) -> Option<String> {
        let found = self.attributes.iter().find(|(key, _)| key == name);
        found.map(|(_, value)| value.clone())
    }

    /// Whether the vector is defined, and its kind.
    fn vector(&self) -> Option<(bool, Kind)> {
        let body = self.tag.strip_suffix("Vector")?;
        let (defines, body) = match (body.strip_prefix("def"), body.strip_prefix("set")) {
            (Some(body), _) => (true, body),
            (_, Some(body)) => (false, body),
            _ => return None,
        };
        let kind = match body {
            "Number" => Kind::Number,
            "Text" => Kind::Text,
            "Switch" => Kind::Switch,
            "Light" => Kind::Light,
            "BLOB" => Kind::Blob,
            _ => return None,
        };
        Some((defines, kind))
    }

    fn kind(&self) -> Option<Kind> {
        self.vector().map(|(_, kind)| kind)
    }

    /// The value of a member with this text between its tags.
    fn member(&self, kind: Option<Kind>, raw: &[u8]) -> Option<(String, Value)> {
        let name = self.take("name")?;
        let text = String::from_utf8_lossy(if kind == Some(Kind::Blob) { &[] } else { raw });
        let text = text.trim();
        let value = match kind? {
            Kind::Number => Value::Number(parse_number(text)?),
            Kind::Text => Value::Text(text.to_owned()),
            Kind::Switch => Value::Switch(text == "On"),
            Kind::Light => Value::Light(State::of(text)?),
            Kind::Blob => Value::Blob(self.blob(raw)),
        };
        Some((name, value))
    }

    fn blob(&self, raw: &[u8]) -> Blob {
        let packed: Vec<u8> = (raw.iter().copied())
            .filter(|byte| !byte.is_ascii_whitespace())
            .collect();
        Blob {
            format: self.take("format").unwrap_or_default(),
            stated_bytes: self.take("size").and_then(|size| size.trim().parse().ok()),
            bytes: STANDARD.decode(packed).ok(),
        }
    }

    fn message(&self, members: Vec<(String, Value)>) -> Option<Message> {
        if let Some((defines, kind)) = self.vector() {
            return Some(Message::Vector(VectorMessage {
                defines,
                kind,
                device: self.take("device")?,
                name: self.take("name")?,
                state: self.take("state").and_then(|state| State::of(&state)),
                remark: self.take("message").filter(|text| !text.is_empty()),
                members,
            }));
        }
        match self.tag.as_str() {
            "delProperty" => Some(Message::Deleted {
                device: self.take("device")?,
                name: self.take("name").filter(|name| !name.is_empty()),
            }),
            "message" => Some(Message::Remark {
                device: self.take("device"),
                text: self.take("message")?,
            }),
            _ => None,
        }
    }
}

/// A number as INDI writes it: decimal, or sexagesimal with up to three parts between colons,
/// semicolons or spaces. `None` for anything else, and for what is not finite.
pub fn parse_number(text: &str) -> Option<f64> {
    let text = text.trim();
    let parts: Vec<&str> = text
        .split([':', ';', ' '])
        .filter(|p| !p.is_empty())
        .collect();
    if parts.len() > 3 {
        return None;
    }
    let mut value = 0.0;
    for (part, unit) in parts.iter().zip([1.0, 60.0, 3600.0]) {
        let number: f64 = part.parse().ok()?;
        if unit > 1.0 && !(0.0..60.0).contains(&number) {
            return None;
        }
        value += number.abs() / unit;
    }
    let value = if text.starts_with('-') { -value } else { value };
    (!parts.is_empty() && value.is_finite()).then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn all(bytes: &[u8]) -> (Vec<Message>, Option<ReadError>) {
        let limits = Limits {
            blob: 1 << 16,
            other: 1 << 12,
        };
        let mut reader = MessageReader::new(bytes, limits);
        let mut messages = Vec::new();
        loop {
            match reader.next_message() {
                Ok(Some(message)) => messages.push(message),
                Ok(None) => return (messages, None),
                Err(error) => return (messages, Some(error)),
            }
        }
    }

    /// From the white paper: a definition, new values, a binary object, a remark with references.
    const SESSION: &str = r#"
<defNumberVector device="Pier" name="EQUATORIAL_EOD_COORD" state="Idle" perm="rw" timeout="60">
    <defNumber name="RA" format="%10.6m" min="0" max="24" step="0"> 5:34:31.5 </defNumber>
    <defNumber name="DEC" format="%10.6m" min="-90" max="90" step="0">-0.5</defNumber>
</defNumberVector>
<setSwitchVector device="Pier" name="TELESCOPE_PARK" state="Ok" message="a &lt; b">
    <oneSwitch name="PARK">
Off
    </oneSwitch>
    <oneSwitch name="UNPARK">On</oneSwitch>
</setSwitchVector>
<setBLOBVector device="Eye" name="CCD1" state="Ok">
    <oneBLOB name="CCD1" size="5" format=".fits">
aGVs
bG8=
    </oneBLOB>
</setBLOBVector>
<defTextVector device="Pier" name="T"><defText name="A">x &amp; y</defText><defText name="B"/></defTextVector>
<delProperty device="Pier" name="T"/>
<somethingNew><with>parts</with></somethingNew>
<message device="Pier" message="Parked &#176;."/>
"#;

    #[test]
    fn a_session_is_read() {
        let (messages, error) = all(SESSION.as_bytes());
        assert!(error.is_none(), "{error:?}");
        assert_eq!(messages.len(), 6, "{messages:?}");
        let vector = |number: usize| match &messages[number] {
            Message::Vector(vector) => vector.clone(),
            other => panic!("{other:?}"),
        };
        assert!(vector(0).defines && vector(0).kind == Kind::Number);
        let ra = 5.0 + 34.0 / 60.0 + 31.5 / 3600.0;
        assert_eq!(vector(0).members[0], ("RA".into(), Value::Number(ra)));
        assert_eq!(vector(0).members[1].1, Value::Number(-0.5));
        assert_eq!(vector(1).state, Some(State::Ok));
        assert_eq!(vector(1).remark.as_deref(), Some("a < b"));
        assert_eq!(vector(1).members[1].1, Value::Switch(true));
        let Value::Blob(blob) = &vector(2).members[0].1 else {
            panic!("{messages:?}");
        };
        assert_eq!(blob.bytes.as_deref(), Some(&b"hello"[..]));
        assert_eq!(blob.stated_bytes, Some(5));
        assert_eq!(vector(3).members[0].1, Value::Text("x & y".into()));
        assert_eq!(vector(3).members[1].1, Value::Text(String::new()));
        assert!(matches!(&messages[5], Message::Remark { text, .. } if text == "Parked °."));
    }

    #[test]
    fn long_messages_are_refused() {
        let text = "x".repeat(5000);
        let long = format!(
            "<setTextVector device='a' name='b'><oneText name='c'>{text}</oneText></setTextVector>"
        );
        assert!(matches!(
            all(long.as_bytes()).1,
            Some(ReadError::TooLong(4096))
        ));
        let blob = format!(
            "<setBLOBVector device='a' name='b'><oneBLOB name='c'>{text}</oneBLOB></setBLOBVector>"
        );
        assert!(all(blob.as_bytes()).1.is_none());
        // A tag that never ends.
        let tag = format!("<set{text}");
        assert!(matches!(
            all(tag.as_bytes()).1,
            Some(ReadError::TooLong(4096))
        ));
    }

    #[test]
    fn numbers_are_read() {
        for (text, value) in [
            ("-0:30", -0.5),
            ("12 30 36", 12.51),
            ("1e-3", 1e-3),
            ("-5;30", -5.5),
        ] {
            assert!(
                parse_number(text).is_some_and(|v| (v - value).abs() < 1e-12),
                "{text}"
            );
        }
        for text in ["", "x", "1:2:3:4", "1:-2", "1:60", "nan", "inf", "1e999"] {
            assert_eq!(parse_number(text), None, "{text}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]

        /// It comes to an end, whatever the bytes.
        #[test]
        fn random_bytes_do_no_harm(bytes in proptest::collection::vec(any::<u8>(), 0..2000)) {
            let (messages, _) = all(&bytes);
            prop_assert!(messages.len() <= bytes.len());
        }

        /// Pieces of XML in any order.
        #[test]
        fn random_markup_does_no_harm(pieces in proptest::collection::vec(0_usize..14, 0..60)) {
            const PIECES: [&str; 14] = ["<", ">", "/", "setNumberVector", " name='RA'", " device=\"a\"",
                "oneNumber", "</", "/>", "&", ";", "<!--", "<![CDATA[", "]]>"];
            let text: String = pieces.iter().map(|piece| PIECES[*piece]).collect();
            let (messages, _) = all(text.as_bytes());
            prop_assert!(messages.len() <= text.len());
        }

        /// A session that breaks off gives the messages before, and no other.
        #[test]
        fn a_truncated_session_gives_what_was_whole(length in 0..SESSION.len()) {
            let whole = all(SESSION.as_bytes()).0;
            let cut = all(&SESSION.as_bytes()[..length]).0;
            prop_assert!(cut.len() <= whole.len());
            prop_assert_eq!(&cut[..], &whole[..cut.len()]);
        }

        /// One changed byte changes values, or ends the session.
        #[test]
        fn a_changed_byte_does_no_harm(place in 0..SESSION.len(), byte in any::<u8>()) {
            let mut bytes = SESSION.as_bytes().to_vec();
            bytes[place] = byte;
            prop_assert!(all(&bytes).0.len() <= 8);
        }
    }
}
