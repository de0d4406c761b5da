//! VOTable (IVOA Recommendation 1.4): the first table, as TABLEDATA, BINARY or BINARY2.

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

/// Reads the first table.
pub(super) fn read(
    text: impl BufRead,
    columns: Option<&Columns>,
    epoch_jyear: Option<f64>,
    batches: &mut Batches<'_>,
) -> Result<ReadCounts, TextError> {
    let mut reader = Reader::from_reader(text);
    let mut buffer = Vec::new();
    let (mut names, mut fields) = (Vec::new(), Vec::new());
    let mut masked = false;
    loop {
        buffer.clear();
        let event = reader.read_event_into(&mut buffer).map_err(of_xml)?;
        let element = match &event {
            Event::Start(element) | Event::Empty(element) => element,
            Event::Eof => return Err(content("it holds no table")),
            _ => continue,
        };
        match local(element).as_str() {
            // TAP 1.1, section 3.3: how a service says that a query failed or was cut.
            "INFO" if attribute(element, "name").as_deref() == Some("QUERY_STATUS") => {
                let status = attribute(element, "value").unwrap_or_default();
                if status != "OK" {
                    return Err(content(format!(
                        "the service answered {status} to the query"
                    )));
                }
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
            }
            "BINARY2" => masked = true,
            "TABLEDATA" => {
                let layout = Layout::new(&names, columns, epoch_jyear).map_err(content)?;
                return table_data(&mut reader, &layout, names.len(), batches);
            }
            "STREAM" => {
                if attribute(element, "href").is_some()
                    || attribute(element, "encoding").as_deref() != Some("base64")
                {
                    return Err(content("its rows are not in the file itself as base64"));
                }
                let layout = Layout::new(&names, columns, epoch_jyear).map_err(content)?;
                let mut rows = Base64::new(reader.get_mut());
                return stream(&mut rows, &layout, &fields, masked, batches);
            }
            "FITS" => return Err(content("its rows are FITS: save the table as FITS")),
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

/// Rows as TR and TD elements.
fn table_data(
    reader: &mut Reader<impl BufRead>,
    layout: &Layout,
    columns: usize,
    batches: &mut Batches<'_>,
) -> Result<ReadCounts, TextError> {
    let mut counts = ReadCounts::default();
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
                    counts.rows += 1;
                    if row.len() != columns {
                        let what = format!("row {} has {} cells", counts.rows, row.len());
                        return Err(content(what));
                    }
                    let star = layout
                        .star(|place| row[place])
                        .map_err(|what| content(format!("row {}: {what}", counts.rows)))?;
                    match star {
                        Some(star) => {
                            if !batches.push(star) {
                                return Ok(counts);
                            }
                        }
                        None => counts.unusable += 1,
                    }
                }
                b"TABLEDATA" => return Ok(counts),
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
    layout: &Layout,
    fields: &[Field],
    masked: bool,
    batches: &mut Batches<'_>,
) -> Result<ReadCounts, TextError> {
    /// No value of a star table is longer.
    const LONGEST: usize = 1 << 24;
    let mut counts = ReadCounts::default();
    let mut mask = vec![0; if masked { fields.len().div_ceil(8) } else { 0 }];
    let mut values: Vec<Option<f64>> = vec![None; fields.len()];
    let mut bytes = Vec::new();
    loop {
        // The end of the data may come between rows only.
        let mut first = [0];
        if rows.read(&mut first)? == 0 {
            return Ok(counts);
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
            let length = elements.saturating_mul(size);
            if length > LONGEST {
                return Err(content("a value is impossibly long"));
            }
            bytes.resize(length, 0);
            row.read_exact(&mut bytes).map_err(cut)?;
            let missing = masked && mask[k / 8] >> (7 - k % 8) & 1 == 1;
            let single = number.filter(|_| elements == 1 && !missing);
            values[k] = single.and_then(|number| number.at(&bytes, 0));
        }
        counts.rows += 1;
        let star = layout
            .star(|place| values[place])
            .map_err(|what| content(format!("row {}: {what}", counts.rows)))?;
        match star {
            Some(star) => {
                if !batches.push(star) {
                    return Ok(counts);
                }
            }
            None => counts.unusable += 1,
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
