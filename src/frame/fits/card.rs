//! FITS header cards, read as leniently as telescopes write them.
//!
//! Source: FITS Standard 4.0, section 4 (cards), 4.2.1.2 (CONTINUE); HIERARCH keywords as in
//! the registered convention. On top of that: numbers in quotes, lower-case keywords, decimal
//! commas and `D` exponents. Structure (sizes, offsets) is read with the same parser and checked
//! by the caller.

/// Bytes of one card.
pub(crate) const CARD_BYTES: usize = 80;

/// A keyword's value.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// In quotes (doubled quotes are one here), or anything that is nothing else.
    Text(String),
    /// `T` or `F`.
    Logical(bool),
    /// Digits.
    Integer(i64),
    /// A number with a point or exponent; where it was read, always finite.
    Real(f64),
}

/// One card with a value.
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    /// Upper case; the words of a HIERARCH keyword are joined by single spaces.
    pub keyword: String,
    /// Never an empty text where it was read.
    pub value: Value,
    /// What stands behind the slash.
    pub comment: String,
}

/// The cards of one header that have a value, in their order.
#[derive(Debug, Clone, Default)]
pub(crate) struct Header {
    cards: Vec<Card>,
}

impl Header {
    /// Parses the bytes of a header; stops at END, skips what has no value.
    pub(crate) fn parse(bytes: &[u8]) -> Header {
        let mut cards: Vec<Card> = Vec::new();
        for raw in bytes.chunks(CARD_BYTES) {
            let text = card_text(raw);
            if text.trim_end() == "END" {
                break;
            }
            if let Some(rest) = text.strip_prefix("CONTINUE") {
                continue_text(cards.last_mut(), rest);
            } else if let Some(card) = parse_card(&text) {
                cards.push(card);
            }
        }
        Header { cards }
    }

    /// These cards, and those of `other` where they say something more.
    pub(crate) fn followed_by(mut self, other: Header) -> Header {
        self.cards.extend(other.cards);
        self
    }

    /// All of them.
    pub(crate) fn cards(&self) -> &[Card] {
        &self.cards
    }

    /// The first card with this keyword.
    pub(crate) fn card(&self, keyword: &str) -> Option<&Card> {
        self.cards.iter().find(|c| c.keyword == keyword)
    }

    /// The value of the first card with this keyword.
    pub(crate) fn get(&self, keyword: &str) -> Option<&Value> {
        self.card(keyword).map(|c| &c.value)
    }

    /// A number, in quotes or not.
    pub(crate) fn number(&self, keyword: &str) -> Option<f64> {
        self.get(keyword).and_then(Value::as_f64)
    }

    /// A whole number, in quotes or not, possibly written `2.0`.
    pub(crate) fn integer(&self, keyword: &str) -> Option<i64> {
        match self.get(keyword)? {
            Value::Integer(i) => Some(*i),
            other => {
                let real = other.as_f64()?;
                (real.fract() == 0.0 && real.abs() < 1e15).then_some(real as i64)
            }
        }
    }

    /// A text, trimmed; numbers have none.
    pub(crate) fn text(&self, keyword: &str) -> Option<&str> {
        match self.get(keyword)? {
            Value::Text(text) => Some(text),
            _ => None,
        }
    }

    /// A logical value; absent or anything else is false.
    pub(crate) fn flag(&self, keyword: &str) -> bool {
        matches!(self.get(keyword), Some(Value::Logical(true)))
    }
}

impl From<f64> for Value {
    fn from(value: f64) -> Value {
        Value::Real(value)
    }
}

impl From<i64> for Value {
    fn from(value: i64) -> Value {
        Value::Integer(value)
    }
}

impl From<bool> for Value {
    fn from(value: bool) -> Value {
        Value::Logical(value)
    }
}

impl From<&str> for Value {
    fn from(value: &str) -> Value {
        Value::Text(value.to_owned())
    }
}

impl Value {
    /// The number it is or spells.
    pub(crate) fn as_f64(&self) -> Option<f64> {
        match self {
            Value::Integer(i) => Some(*i as f64),
            Value::Real(r) => Some(*r),
            Value::Text(text) => parse_number(text),
            Value::Logical(_) => None,
        }
    }

    /// As it would be printed.
    pub(crate) fn to_text(&self) -> String {
        match self {
            Value::Text(text) => text.clone(),
            Value::Logical(flag) => if *flag { "T" } else { "F" }.into(),
            Value::Integer(i) => i.to_string(),
            Value::Real(r) => r.to_string(),
        }
    }
}

/// The characters of a card. Beyond ASCII, which the standard allows alone, headers hold UTF-8 or
/// else Latin-1, which byte by byte cannot fail (`\u{b0}` for degrees above all). Some are filled up
/// with zeros or line ends.
fn card_text(raw: &[u8]) -> String {
    let plain = |c: char| if c.is_ascii_control() { ' ' } else { c };
    match std::str::from_utf8(raw) {
        Ok(text) => text.chars().map(plain).collect(),
        Err(_) => raw.iter().map(|&b| plain(char::from(b))).collect(),
    }
}

fn parse_card(text: &str) -> Option<Card> {
    let (keyword, rest) = if let Some(long) = text.strip_prefix("HIERARCH ") {
        let (keyword, rest) = long.split_once('=')?;
        let words: Vec<&str> = keyword.split_whitespace().collect();
        (words.join(" ").to_ascii_uppercase(), rest)
    } else {
        let (keyword, rest) = text.split_once('=')?;
        let keyword = keyword.trim();
        if keyword.is_empty() || keyword.len() > 8 || keyword.contains(' ') {
            return None;
        }
        (keyword.to_ascii_uppercase(), rest)
    };
    if matches!(keyword.as_str(), "COMMENT" | "HISTORY" | "") {
        return None;
    }
    let (value, comment) = parse_value(rest)?;
    Some(Card {
        keyword,
        value,
        comment,
    })
}

/// Value and comment behind the equals sign; `None` where there is no value.
fn parse_value(rest: &str) -> Option<(Value, String)> {
    let rest = rest.trim_start();
    if rest.starts_with('\'') {
        let (text, rest) = quoted(rest);
        let text = text.trim().to_owned();
        let comment = rest
            .split_once('/')
            .map_or("", |(_, c)| c)
            .trim()
            .to_owned();
        return (!text.is_empty()).then_some((Value::Text(text), comment));
    }
    let (token, comment) = split_comment(rest);
    let token = token.trim();
    if token.is_empty() {
        return None;
    }
    let value = match token {
        "T" | "t" => Value::Logical(true),
        "F" | "f" => Value::Logical(false),
        _ => match token.parse::<i64>() {
            Ok(i) => Value::Integer(i),
            Err(_) => match parse_number(token) {
                Some(real) => Value::Real(real),
                None => Value::Text(token.to_owned()),
            },
        },
    };
    Some((value, comment.trim().to_owned()))
}

/// An unquoted date holds slashes of its own: `29/11/51 / date`.
fn split_comment(rest: &str) -> (&str, &str) {
    let first = rest.split_whitespace().next().unwrap_or("");
    let is_date = first.split('/').count() == 3
        && first
            .split('/')
            .all(|p| !p.is_empty() && p.bytes().all(|b| b.is_ascii_digit()));
    if is_date {
        let rest = &rest[first.len()..];
        return (first, rest.split_once('/').map_or("", |(_, c)| c));
    }
    rest.split_once('/').unwrap_or((rest, ""))
}

/// Text between quotes (doubled quotes are one) and what follows. A missing closing quote ends
/// the text with the card.
fn quoted(rest: &str) -> (String, &str) {
    let mut text = String::new();
    let mut chars = rest.char_indices().skip(1).peekable();
    while let Some((at, c)) = chars.next() {
        if c != '\'' {
            text.push(c);
        } else if chars.peek().is_some_and(|&(_, next)| next == '\'') {
            text.push('\'');
            chars.next();
        } else {
            return (text, &rest[at + 1..]);
        }
    }
    (text, "")
}

fn continue_text(last: Option<&mut Card>, rest: &str) {
    let rest = rest.trim_start();
    if !rest.starts_with('\'') {
        return;
    }
    if let Some(Card {
        value: Value::Text(text),
        ..
    }) = last
        && text.ends_with('&')
    {
        text.pop();
        text.push_str(quoted(rest).0.trim_end());
    }
}

/// A finite number; `1,5`, `1.5D3` and `+1.5` included.
pub(crate) fn parse_number(text: &str) -> Option<f64> {
    let text = text.trim();
    if !text
        .bytes()
        .all(|b| b.is_ascii_digit() || b"+-.,eEdD".contains(&b))
    {
        return None;
    }
    let mut text = text.replace(['d', 'D'], "e");
    if !text.contains('.') && text.matches(',').count() == 1 {
        text = text.replace(',', ".");
    }
    text.parse::<f64>().ok().filter(|v| v.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(cards: &[&str]) -> Header {
        let text: String = cards.iter().map(|c| format!("{c:<80}")).collect();
        Header::parse(text.as_bytes())
    }

    #[test]
    fn values_as_telescopes_write_them() {
        let h = header(&[
            "SIMPLE  =                    T / conforms",
            "RA      =  31.312099 / 02:05.25 Right Ascension",
            "DEC     = '+46.769087'         / quoted number",
            "focallen= 250,5                / lower case, comma",
            "EPOCH   =  1.9519110107422D+03 /Epoch of plate",
            "OBJECT  = 'Barnard''s star   ' / name / with slash",
            "DATE-OBS= 29/11/51 / unquoted",
            "HIERARCH  Cam Gain  level = 80 / long",
            "WBRGGB  = '' / empty",
            "XBINNING= 2.0",
            "COMMENT = not a value",
            "BAD     = NaN",
            "END",
            "AFTER   = 1",
        ]);
        assert!(h.flag("SIMPLE"));
        assert_eq!(h.number("RA"), Some(31.312099));
        assert_eq!(
            h.card("RA").map(|c| c.comment.as_str()),
            Some("02:05.25 Right Ascension")
        );
        assert_eq!(h.number("DEC"), Some(46.769087));
        assert_eq!(h.number("FOCALLEN"), Some(250.5));
        assert_eq!(h.number("EPOCH"), Some(1951.9110107422));
        assert_eq!(h.text("OBJECT"), Some("Barnard's star"));
        assert_eq!(h.text("DATE-OBS"), Some("29/11/51"));
        assert_eq!(h.integer("CAM GAIN LEVEL"), Some(80));
        assert_eq!(h.get("WBRGGB"), None);
        assert_eq!(h.integer("XBINNING"), Some(2));
        assert_eq!(h.get("COMMENT"), None);
        assert_eq!(h.number("BAD"), None);
        assert_eq!(h.get("AFTER"), None);
    }

    /// The long-string example of FITS 4.0, section 4.2.1.2.
    #[test]
    fn continued_text() {
        let h = header(&[
            "WEATHER = 'Partly cloudy during the evening f&'",
            "CONTINUE  'ollowed by cloudy skies overnight.&'",
            "CONTINUE  ' Low 21C. Winds NNE at 5 to 10 mph.'",
        ]);
        assert_eq!(
            h.text("WEATHER"),
            Some(
                "Partly cloudy during the evening followed by cloudy skies overnight. \
                 Low 21C. Winds NNE at 5 to 10 mph."
            )
        );
    }
}
