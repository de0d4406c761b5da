//! VOTable (IVOA Recommendation 1.4): the first table, as TABLEDATA, BINARY or BINARY2, and what a
//! service says about it.

use super::binary::Number;
use super::columns::{Columns, Layout};
use super::text::{TextError, value};
use super::{Batches, ReadCounts};
use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use std::io::{self, BufRead, Read};

/// A column as its FIELD element describes it.
struct Field {
    datatype: String,
    /// Number of elements; `None`: varying, told before each value.
    elements: Option<usize>,
}

fn content(what: impl Into<String>) -> TextError {
    TextError::Content(what.into())
}

fn attribute(element: &BytesStart<'_>, name: &str) -> Option<String> {
    let found = element.try_get_attribute(name).ok()??;
    Some(String::from_utf8_lossy(&found.value).into_owned())
}

/// The name of an element without its prefix.
fn local(element: &BytesStart<'_>) -> String {
    String::from_utf8_lossy(element.local_name().as_ref()).to_ascii_uppercase()
}

/// How a table ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum End {
    /// All rows are there, as far as the document says.
    Complete,
    /// The service cut the result: DALI 1.1, section 4.4.1.
    Overflow,
}

/// Takes the rows of a table.
pub(crate) trait Rows {
    /// Names of the columns, before the first row.
    fn begin(&mut self, names: &[String]) -> Result<(), String>;
    /// Numbers of a row, `None` where a value is missing or none; false: no more are wanted.
    fn row(&mut self, values: &[Option<f64>]) -> Result<bool, String>;
}

/// The stars of a table.
struct Stars<'a, 'b> {
    columns: Option<&'a Columns>,
    epoch_jyear: Option<f64>,
    layout: Option<Layout>,
    counts: ReadCounts,
    batches: &'a mut Batches<'b>,
}

impl Rows for Stars<'_, '_> {
    fn begin(&mut self, names: &[String]) -> Result<(), String> {
        self.layout = Some(Layout::new(names, self.columns, self.epoch_jyear)?);
        Ok(())
    }

    fn row(&mut self, values: &[Option<f64>]) -> Result<bool, String> {
        self.counts.rows += 1;
        let Some(layout) = &self.layout else {
            return Ok(false);
        };
        let star = layout
            .star(|place| values[place])
            .map_err(|what| format!("row {}: {what}", self.counts.rows))?;
        match star {
            Some(star) => Ok(self.batches.push(star)),
            None => {
                self.counts.unusable += 1;
                Ok(true)
            }
        }
    }
}

/// Reads the stars of the first table.
pub(super) fn read(
    text: impl BufRead,
    columns: Option<&Columns>,
    epoch_jyear: Option<f64>,
    batches: &mut Batches<'_>,
) -> Result<ReadCounts, TextError> {
    let mut stars = Stars {
        columns,
        epoch_jyear,
        layout: None,
        counts: ReadCounts::default(),
        batches,
    };
    match rows(text, &mut stars)? {
        End::Complete => Ok(stars.counts),
        End::Overflow => Err(content(
            "the service cut its answer short (OVERFLOW): ask for fewer rows at once, or raise \
             its limit (MAXREC)",
        )),
    }
}

/// Reads the rows of the first table, and what the document says about them.
pub(crate) fn rows(text: impl BufRead, taker: &mut dyn Rows) -> Result<End, TextError> {
    let mut reader = Reader::from_reader(text);
    let mut buffer = Vec::new();
    let (mut names, mut fields) = (Vec::new(), Vec::new());
    let mut masked = false;
    loop {
        buffer.clear();
        let event = reader.read_event_into(&mut buffer).map_err(of_xml)?;
        let (element, is_empty) = match &event {
            Event::Start(element) => (element, false),
            Event::Empty(element) => (element, true),
            Event::Eof => return Err(content("it holds no table")),
            _ => continue,
        };
        let wanted = match local(element).as_str() {
            "INFO" if is_query_status(element) => {
                let status = attribute(element, "value").unwrap_or_default();
                if status == "OVERFLOW" {
                    return Ok(End::Overflow);
                } else if status != "OK" {
                    let why = if is_empty {
                        String::new()
                    } else {
                        inner_text(&mut reader)?
                    };
                    return Err(TextError::Refused(refusal(&status, &why)));
                }
                continue;
            }
            "FIELD" => {
                names.push(attribute(element, "name").unwrap_or_default());
                fields.push(Field {
                    datatype: attribute(element, "datatype").unwrap_or_default(),
                    elements: match attribute(element, "arraysize") {
                        None => Some(1),
                        Some(size) if size.contains('*') => None,
                        Some(size) => Some(
                            size.split('x')
                                .try_fold(1_usize, |n, s| n.checked_mul(s.parse().ok()?))
                                .ok_or_else(|| content("an arraysize makes no sense"))?,
                        ),
                    },
                });
                continue;
            }
            "BINARY2" => {
                masked = true;
                continue;
            }
            "TABLEDATA" => {
                taker.begin(&names).map_err(content)?;
                is_empty || table_data(&mut reader, names.len(), taker)?
            }
            "STREAM" => {
                if attribute(element, "href").is_some()
                    || attribute(element, "encoding").as_deref() != Some("base64")
                {
                    return Err(content("its rows are not in the file itself as base64"));
                }
                taker.begin(&names).map_err(content)?;
                let mut packed = Base64::new(reader.get_mut());
                is_empty || stream(&mut packed, &fields, masked, taker)?
            }
            "FITS" => return Err(content("its rows are FITS: save the table as FITS")),
            _ => continue,
        };
        return if wanted {
            after_the_table(&mut reader)
        } else {
            Ok(End::Complete)
        };
    }
}

/// How a service says that a query failed or was cut (TAP 1.1, section 3.3; DALI 1.1, 4.4).
fn is_query_status(element: &BytesStart<'_>) -> bool {
    attribute(element, "name").as_deref() == Some("QUERY_STATUS")
}

fn refusal(status: &str, why: &str) -> String {
    let why = why.split_whitespace().collect::<Vec<_>>().join(" ");
    let gap = if why.is_empty() { "" } else { ": " };
    format!("the service answered {status} to the query{gap}{why}")
}

/// Text up to the end of the element that was just begun.
fn inner_text(reader: &mut Reader<impl BufRead>) -> Result<String, TextError> {
    let mut buffer = Vec::new();
    let mut text = String::new();
    loop {
        buffer.clear();
        match reader.read_event_into(&mut buffer).map_err(of_xml)? {
            Event::Text(part) => text += &String::from_utf8_lossy(&part),
            Event::CData(part) => text += &String::from_utf8_lossy(&part),
            Event::GeneralRef(name) => text += entity(&name),
            Event::End(_) | Event::Eof => return Ok(text),
            _ => {}
        }
    }
}

/// The character of one of the five entities of XML; a space for any other.
fn entity(name: &[u8]) -> &'static str {
    match name {
        b"lt" => "<",
        b"gt" => ">",
        b"amp" => "&",
        b"quot" => "\"",
        b"apos" => "'",
        _ => " ",
    }
}

/// A cut result, or a failure on the way, is told after the rows.
fn after_the_table(reader: &mut Reader<impl BufRead>) -> Result<End, TextError> {
    let mut buffer = Vec::new();
    let mut end = End::Complete;
    loop {
        buffer.clear();
        match reader.read_event_into(&mut buffer).map_err(of_xml)? {
            Event::Start(element) | Event::Empty(element) if is_query_status(&element) => {
                match attribute(&element, "value").unwrap_or_default().as_str() {
                    "OK" => {}
                    "OVERFLOW" => end = End::Overflow,
                    status => {
                        let status = status.to_owned();
                        let why = inner_text(reader)?;
                        return Err(content(refusal(&status, &why)));
                    }
                }
            }
            Event::End(element) if element.local_name().as_ref() == b"VOTABLE" => return Ok(end),
            Event::Eof => return Err(content("it ends before its end: fetch it again")),
            _ => {}
        }
    }
}

fn of_xml(error: quick_xml::Error) -> TextError {
    match error {
        quick_xml::Error::Io(error) => {
            TextError::Io(io::Error::new(error.kind(), error.to_string()))
        }
        other => content(format!("it is no sound XML ({other})")),
    }
}

/// Rows as TR and TD elements; false where no more are wanted.
fn table_data(
    reader: &mut Reader<impl BufRead>,
    columns: usize,
    taker: &mut dyn Rows,
) -> Result<bool, TextError> {
    let mut rows = 0_u64;
    let mut buffer = Vec::new();
    let mut row: Vec<Option<f64>> = Vec::new();
    let mut cell: Vec<u8> = Vec::new();
    loop {
        buffer.clear();
        match reader.read_event_into(&mut buffer).map_err(of_xml)? {
            Event::Start(element) => match element.local_name().as_ref() {
                b"TR" => row.clear(),
                b"TD" => cell.clear(),
                _ => {}
            },
            Event::Empty(element) if element.local_name().as_ref() == b"TD" => row.push(None),
            Event::Text(text) => cell.extend_from_slice(&text),
            Event::End(element) => match element.local_name().as_ref() {
                b"TD" => row.push(value(&cell)),
                b"TR" => {
                    rows += 1;
                    if row.len() != columns {
                        let what = format!("row {rows} has {} cells", row.len());
                        return Err(content(what));
                    }
                    if !taker.row(&row).map_err(content)? {
                        return Ok(false);
                    }
                }
                b"TABLEDATA" => return Ok(true),
                _ => {}
            },
            Event::Eof => return Err(content("it ends within its rows: fetch it again")),
            _ => {}
        }
    }
}

/// Binary rows: section 6 (BINARY and BINARY2).
fn stream(
    rows: &mut impl Read,
    fields: &[Field],
    masked: bool,
    taker: &mut dyn Rows,
) -> Result<bool, TextError> {
    /// No value of a star table is longer.
    const LONGEST: usize = 1 << 24;
    let mut mask = vec![0; if masked { fields.len().div_ceil(8) } else { 0 }];
    let mut values: Vec<Option<f64>> = vec![None; fields.len()];
    let mut bytes = Vec::new();
    loop {
        // The end of the data may come between rows only.
        let mut first = [0];
        if rows.read(&mut first)? == 0 {
            return Ok(true);
        }
        let mut row = (&first[..]).chain(&mut *rows);
        let cut = |_| content("it ends within its rows: fetch it again");
        row.read_exact(&mut mask).map_err(cut)?;
        for (k, field) in fields.iter().enumerate() {
            let (number, size) = match field.datatype.as_str() {
                "double" => (Some(Number::Double), 8),
                "float" => (Some(Number::Float), 4),
                "long" => (Some(Number::Long), 8),
                "int" => (Some(Number::Int), 4),
                "short" | "unicodeChar" => (Some(Number::Short), 2),
                "unsignedByte" => (Some(Number::Byte), 1),
                "boolean" | "char" => (None, 1),
                // Eight to a byte, the last one filled up.
                "bit" => (None, 0),
                "floatComplex" => (None, 8),
                "doubleComplex" => (None, 16),
                other => return Err(content(format!("values of type '{other}' are not read"))),
            };
            let elements = match field.elements {
                Some(elements) => elements,
                None => {
                    let mut length = [0; 4];
                    row.read_exact(&mut length).map_err(cut)?;
                    u32::from_be_bytes(length) as usize
                }
            };
            let length = match size {
                0 => elements.div_ceil(8),
                size => elements.saturating_mul(size),
            };
            if length > LONGEST {
                return Err(content("a value is impossibly long"));
            }
            bytes.resize(length, 0);
            row.read_exact(&mut bytes).map_err(cut)?;
            let missing = masked && mask[k / 8] >> (7 - k % 8) & 1 == 1;
            let single = number.filter(|_| elements == 1 && !missing);
            values[k] = single.and_then(|number| number.at(&bytes, 0));
        }
        if !taker.row(&values).map_err(content)? {
            return Ok(false);
        }
    }
}

/// Base64 (RFC 4648) up to the next `<`, without taking it all into memory.
struct Base64<'a, R> {
    text: &'a mut R,
    bits: u32,
    held: u32,
}

impl<'a, R: BufRead> Base64<'a, R> {
    fn new(text: &'a mut R) -> Base64<'a, R> {
        Base64 {
            text,
            bits: 0,
            held: 0,
        }
    }
}

impl<R: BufRead> Read for Base64<'_, R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let mut written = 0;
        while written < out.len() {
            let available = self.text.fill_buf()?;
            if available.is_empty() {
                return Err(io::Error::other("it ends within its rows: fetch it again"));
            }
            let mut used = 0;
            let mut ended = false;
            for &byte in available {
                if written == out.len() {
                    break;
                }
                if byte == b'<' {
                    ended = true;
                    break;
                }
                used += 1;
                let six = match byte {
                    b'A'..=b'Z' => byte - b'A',
                    b'a'..=b'z' => byte - b'a' + 26,
                    b'0'..=b'9' => byte - b'0' + 52,
                    b'+' => 62,
                    b'/' => 63,
                    b'=' | b' ' | b'\n' | b'\r' | b'\t' => continue,
                    _ => return Err(io::Error::other("its base64 is damaged")),
                };
                self.bits = self.bits << 6 | u32::from(six);
                self.held += 6;
                if self.held >= 8 {
                    self.held -= 8;
                    out[written] = (self.bits >> self.held) as u8;
                    written += 1;
                }
            }
            self.text.consume(used);
            if ended {
                break;
            }
        }
        Ok(written)
    }
}
