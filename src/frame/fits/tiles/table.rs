//! The table that holds the tiles: columns, descriptors, heap.
//!
//! Source: FITS 4.0, section 7.3.

use crate::frame::fault::Fault;
use crate::frame::fits::card::Header;
use crate::frame::fits::hdu::Hdu;
use crate::frame::source::{Source, ended_early};

/// One column.
#[derive(Debug, Clone, Copy)]
struct Column {
    /// Bytes from the beginning of a row.
    offset: usize,
    /// Type letter of TFORM.
    kind: u8,
}

/// The rows of a table, in memory; the heap stays in the file.
pub(super) struct Table {
    rows: Vec<u8>,
    row_bytes: usize,
    columns: Vec<(String, Column)>,
    data_start: u64,
    heap_start: u64,
    data_end: u64,
}

impl Table {
    /// Reads the rows of `hdu`, whose sizes are checked against the file first.
    pub(super) fn read(source: &Source, hdu: &Hdu) -> Result<Table, Fault> {
        let header = &hdu.header;
        let size = |keyword: &str| {
            let value = header.integer(keyword).and_then(|v| u64::try_from(v).ok());
            value.ok_or_else(|| broken(keyword))
        };
        let (row_bytes, rows) = (size("NAXIS1")?, size("NAXIS2")?);
        let bytes = row_bytes.checked_mul(rows).filter(|b| *b <= hdu.data_bytes);
        let bytes = bytes.ok_or_else(|| broken("NAXIS2"))?;
        let data_end = hdu.data_start + hdu.data_bytes;
        if source.available(data_end)? < data_end {
            return Err(ended_early());
        }
        let mut table = Table {
            rows: vec![0; bytes as usize],
            row_bytes: row_bytes as usize,
            columns: columns(header)?,
            data_start: hdu.data_start,
            heap_start: hdu.data_start
                + header
                    .integer("THEAP")
                    .and_then(|v| u64::try_from(v).ok())
                    .unwrap_or(bytes)
                    .min(hdu.data_bytes),
            data_end,
        };
        source.read_exact_at(&mut table.rows, hdu.data_start)?;
        Ok(table)
    }

    /// Number of rows.
    pub(super) fn len(&self) -> usize {
        self.rows.len().checked_div(self.row_bytes).unwrap_or(0)
    }

    /// True where there is such a column.
    pub(super) fn has(&self, name: &str) -> bool {
        self.columns.iter().any(|(n, _)| n == name)
    }

    fn cell(&self, row: usize, name: &str, bytes: usize) -> Option<(&[u8], u8)> {
        let (_, column) = self.columns.iter().find(|(n, _)| n == name)?;
        let start = row.checked_mul(self.row_bytes)?;
        let row = self.rows.get(start..start + self.row_bytes)?;
        let cell = row.get(column.offset..column.offset.checked_add(bytes)?)?;
        Some((cell, column.kind))
    }

    /// A number of a scalar column.
    pub(super) fn number(&self, row: usize, name: &str) -> Option<f64> {
        let kind = self.cell(row, name, 0)?.1;
        let cell = self.cell(row, name, element_bytes(kind)?)?.0;
        Some(match kind {
            b'B' => f64::from(*cell.first()?),
            b'I' => f64::from(i16::from_be_bytes(cell.try_into().ok()?)),
            b'J' => f64::from(i32::from_be_bytes(cell.try_into().ok()?)),
            b'K' => i64::from_be_bytes(cell.try_into().ok()?) as f64,
            b'E' => f64::from(f32::from_be_bytes(cell.try_into().ok()?)),
            b'D' => f64::from_be_bytes(cell.try_into().ok()?),
            _ => return None,
        })
    }

    /// Checks that the first `rows` tiles are not all the same large piece of the heap: each is
    /// read by itself.
    pub(super) fn check_shared(&self, rows: usize, names: &[&str]) -> Result<(), Fault> {
        /// A writer may let tiles that are alike share what they are stored in.
        const MOST_SHARED: u64 = 4;
        let most = MOST_SHARED * (self.data_end - self.data_start);
        let mut total = 0_u64;
        for name in names.iter().filter(|name| self.has(name)) {
            for row in 0..rows {
                total = total.saturating_add(self.place(row, name)?.1);
            }
        }
        if total > most {
            return Err(broken("tiles"));
        }
        Ok(())
    }

    /// The bytes that an array descriptor (P or Q) points at; empty where the column is missing
    /// or the array is.
    pub(super) fn array(&self, source: &Source, row: usize, name: &str) -> Result<Vec<u8>, Fault> {
        let (start, bytes) = self.place(row, name)?;
        let mut array = vec![0; bytes as usize];
        source.read_exact_at(&mut array, start)?;
        Ok(array)
    }

    /// Where an array is in the file, and its bytes; no bytes where the column is missing.
    fn place(&self, row: usize, name: &str) -> Result<(u64, u64), Fault> {
        let Some((_, kind)) = self.cell(row, name, 0) else {
            return Ok((self.data_start, 0));
        };
        let element = self.columns.iter().find(|(n, _)| *n == format!("{name}#"));
        let element = element
            .and_then(|(_, c)| element_bytes(c.kind))
            .unwrap_or(1) as u64;
        let (count, offset) = match kind {
            b'P' => self
                .cell(row, name, 8)
                .map(|(cell, _)| (be(&cell[..4]), be(&cell[4..]))),
            b'Q' => self
                .cell(row, name, 16)
                .map(|(cell, _)| (be(&cell[..8]), be(&cell[8..]))),
            _ => None,
        }
        .ok_or_else(|| broken(name))?;
        let start = self.heap_start.checked_add(offset);
        let bytes = count.checked_mul(element);
        let end = start
            .zip(bytes)
            .and_then(|(start, bytes)| start.checked_add(bytes));
        let (Some(start), Some(bytes), true) =
            (start, bytes, end.is_some_and(|e| e <= self.data_end))
        else {
            return Err(broken(name));
        };
        Ok((start, bytes))
    }
}

fn be(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0, |value, b| value << 8 | u64::from(*b))
}

fn broken(what: &str) -> Fault {
    Fault::damaged(format!(
        "has a table of compressed tiles whose {what} cannot be right: copy it again"
    ))
}

/// Bytes of one element of a column (FITS 4.0, table 18).
fn element_bytes(kind: u8) -> Option<usize> {
    Some(match kind {
        b'L' | b'B' | b'A' => 1,
        b'I' => 2,
        b'J' | b'E' => 4,
        b'K' | b'D' | b'C' | b'P' => 8,
        b'M' | b'Q' => 16,
        _ => return None,
    })
}

/// Columns with their offsets. The element type behind an array column `X` is listed as `X#`.
fn columns(header: &Header) -> Result<Vec<(String, Column)>, Fault> {
    let count = header.integer("TFIELDS").filter(|n| (1..=999).contains(n));
    let count = count.ok_or_else(|| broken("TFIELDS"))?;
    let (mut columns, mut offset) = (Vec::new(), 0_usize);
    for n in 1..=count {
        let keyword = format!("TFORM{n}");
        let form = header.text(&keyword).ok_or_else(|| broken(&keyword))?;
        let digits = form
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(form.len());
        let repeat: usize = match &form[..digits] {
            "" => 1,
            digits => digits.parse().map_err(|_| broken(&keyword))?,
        };
        let letters = &form.as_bytes()[digits..];
        let kind = *letters.first().ok_or_else(|| broken(&keyword))?;
        let name = header
            .text(&format!("TTYPE{n}"))
            .unwrap_or("")
            .to_ascii_uppercase();
        if matches!(kind, b'P' | b'Q')
            && let Some(element) = letters.get(1)
        {
            let element = Column {
                offset,
                kind: *element,
            };
            columns.push((format!("{name}#"), element));
        }
        columns.push((name, Column { offset, kind }));
        let bytes = match kind {
            b'X' => Some(repeat.div_ceil(8)),
            kind => element_bytes(kind).and_then(|b| b.checked_mul(repeat)),
        };
        let next = bytes.and_then(|b| offset.checked_add(b));
        offset = next.ok_or_else(|| broken(&keyword))?;
    }
    Ok(columns)
}
