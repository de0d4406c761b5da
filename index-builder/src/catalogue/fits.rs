//! FITS binary tables (FITS Standard 4.0, section 7.3): the first one of a file.

use super::binary::Number;
use super::columns::{Columns, Layout};
use super::text::TextError;
use super::{Batches, ReadCounts};
use std::collections::HashMap;
use std::io::{self, BufRead, Read};

const BLOCK: usize = 2880;
/// More header than any table has.
const MOST_BLOCKS: usize = 1000;

/// A header: values by keyword, as written.
type Header = HashMap<String, String>;

/// Reads the next header; `None` at the end of the file.
fn header(file: &mut impl Read) -> Result<Option<Header>, TextError> {
    let mut header = Header::new();
    let mut block = [0; BLOCK];
    for number in 0..MOST_BLOCKS {
        match file.read_exact(&mut block) {
            Err(error) if number == 0 && error.kind() == io::ErrorKind::UnexpectedEof => {
                return Ok(None);
            }
            other => other?,
        }
        for card in block.chunks_exact(80) {
            let text = String::from_utf8_lossy(card);
            let (keyword, rest) = text.split_at_checked(8).unwrap_or((&text, ""));
            if keyword.trim_end() == "END" {
                return Ok(Some(header));
            }
            if let Some(rest) = rest.strip_prefix("= ") {
                let value = match rest.trim_start().strip_prefix('\'') {
                    Some(text) => text.split('\'').next().unwrap_or_default().trim_end(),
                    None => rest.split('/').next().unwrap_or_default().trim(),
                };
                header.insert(keyword.trim_end().to_string(), value.to_string());
            }
        }
    }
    Err(content("its header has no end"))
}

fn content(what: &str) -> TextError {
    TextError::Content(what.into())
}

fn whole(header: &Header, keyword: &str) -> Option<u64> {
    header.get(keyword)?.parse().ok()
}

/// Bytes of the data behind a header, without the filling: section 4.4.1.1, equation 2.
fn data_bytes(header: &Header) -> Option<u64> {
    let axes = whole(header, "NAXIS").filter(|n| *n <= 999)?;
    if axes == 0 {
        return Some(0);
    }
    let bits = header.get("BITPIX")?.parse::<i64>().ok()?.unsigned_abs();
    let sizes: Option<Vec<u64>> = (1..=axes)
        .map(|k| whole(header, &format!("NAXIS{k}")))
        .collect();
    let product = sizes?.into_iter().try_fold(1_u64, u64::checked_mul)?;
    let more = whole(header, "PCOUNT").unwrap_or(0);
    let groups = whole(header, "GCOUNT").unwrap_or(1);
    let elements = product.checked_add(more)?.checked_mul(groups)?;
    elements.checked_mul(bits / 8)
}

/// A column: where in the row, and what; `None`: nothing that could be part of a star.
struct Field {
    place: usize,
    number: Option<Number>,
    null: Option<f64>,
    scale: f64,
    zero: f64,
}

fn fields(header: &Header) -> Option<(Vec<String>, Vec<Field>, usize)> {
    let count = whole(header, "TFIELDS").filter(|n| *n <= 999)?;
    let (mut names, mut fields, mut place) = (Vec::new(), Vec::new(), 0_usize);
    for k in 1..=count {
        let form = header.get(&format!("TFORM{k}"))?.trim();
        let digits = form.len() - form.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        let repeat: usize = if digits == 0 {
            1
        } else {
            form[..digits].parse().ok()?
        };
        let (number, bytes) = match form[digits..].chars().next()? {
            'D' => (Some(Number::Double), 8),
            'E' => (Some(Number::Float), 4),
            'K' => (Some(Number::Long), 8),
            'J' => (Some(Number::Int), 4),
            'I' => (Some(Number::Short), 2),
            'B' => (Some(Number::Byte), 1),
            'L' | 'A' => (None, 1),
            'C' | 'P' => (None, 8),
            'M' | 'Q' => (None, 16),
            'X' => (None, 0),
            _ => return None,
        };
        let of = |keyword: &str| header.get(&format!("{keyword}{k}"))?.parse::<f64>().ok();
        names.push(
            header
                .get(&format!("TTYPE{k}"))
                .cloned()
                .unwrap_or_default(),
        );
        fields.push(Field {
            place,
            number: number.filter(|_| repeat == 1),
            null: of("TNULL"),
            scale: of("TSCAL").unwrap_or(1.0),
            zero: of("TZERO").unwrap_or(0.0),
        });
        let length = if form.contains('X') {
            repeat.div_ceil(8)
        } else {
            repeat.checked_mul(bytes)?
        };
        place = place.checked_add(length)?;
    }
    Some((names, fields, place))
}

/// Reads the first binary table.
pub(super) fn read(
    mut file: impl BufRead,
    columns: Option<&Columns>,
    epoch_jyear: Option<f64>,
    batches: &mut Batches<'_>,
) -> Result<ReadCounts, TextError> {
    let header = loop {
        let header = header(&mut file)?.ok_or_else(|| content("it holds no binary table"))?;
        if header
            .get("XTENSION")
            .is_some_and(|x| x.trim() == "BINTABLE")
        {
            break header;
        }
        let bytes = data_bytes(&header).ok_or_else(|| content("its header makes no sense"))?;
        let filled = bytes.div_ceil(BLOCK as u64).saturating_mul(BLOCK as u64);
        let skipped = io::copy(&mut (&mut file).take(filled), &mut io::sink())?;
        if skipped < bytes {
            return Err(content("it ends early"));
        }
    };
    let wrong = || content("the header of its table makes no sense");
    let (names, fields, row_bytes) = fields(&header).ok_or_else(wrong)?;
    let rows = whole(&header, "NAXIS2").ok_or_else(wrong)?;
    if whole(&header, "NAXIS1") != Some(row_bytes as u64) || row_bytes > 1 << 20 {
        return Err(wrong());
    }
    let layout = Layout::new(&names, columns, epoch_jyear).map_err(TextError::Content)?;
    let mut counts = ReadCounts::default();
    let mut row = vec![0; row_bytes];
    for number in 1..=rows {
        if let Err(error) = file.read_exact(&mut row) {
            return Err(match error.kind() {
                io::ErrorKind::UnexpectedEof => {
                    TextError::Content(format!("it ends at row {number} of {rows}: fetch it again"))
                }
                _ => error.into(),
            });
        }
        counts.rows += 1;
        let get = |place: usize| {
            let field = &fields[place];
            let raw = field.number?.at(&row, field.place)?;
            (Some(raw) != field.null).then_some(field.zero + field.scale * raw)
        };
        let star = layout
            .star(get)
            .map_err(|what| TextError::Content(format!("row {number}: {what}")))?;
        match star {
            Some(star) => {
                if !batches.push(star) {
                    return Ok(counts);
                }
            }
            None => counts.unusable += 1,
        }
    }
    Ok(counts)
}
