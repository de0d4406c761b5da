//! Parquet files with named columns, row group by row group; lists and nested columns are left
//! alone.

use super::columns::{Columns, Layout};
use super::text::TextError;
use super::{Batches, ReadCounts};
use parquet::column::reader::ColumnReader;
use parquet::errors::ParquetError;
use parquet::file::reader::{FileReader, SerializedFileReader};
use std::cell::Cell;
use std::fs::File;
use std::panic::{self, AssertUnwindSafe};
use std::path::Path;
use std::sync::Once;

fn damaged(error: ParquetError) -> TextError {
    TextError::Content(format!("it cannot be read as Parquet: {error}"))
}

thread_local! {
    /// Whether a panic on this thread is expected and told by an error.
    static EXPECTED: Cell<bool> = const { Cell::new(false) };
}

/// Runs `job`; a panic inside becomes an error. The library checks less than it asserts: damaged
/// sizes make it panic.
fn guarded<T>(job: impl FnOnce() -> Result<T, TextError>) -> Result<T, TextError> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let before = panic::take_hook();
        panic::set_hook(Box::new(move |fault| {
            if !EXPECTED.get() {
                before(fault);
            }
        }));
    });
    EXPECTED.set(true);
    let done = panic::catch_unwind(AssertUnwindSafe(job));
    EXPECTED.set(false);
    done.unwrap_or_else(|_| Err(TextError::Content("it is damaged: fetch it again".into())))
}

/// Reads a file; `passed` is told how many of its bytes are done.
pub(super) fn read(
    path: &Path,
    columns: Option<&Columns>,
    epoch_jyear: Option<f64>,
    passed: &mut dyn FnMut(u64),
    batches: &mut Batches<'_>,
) -> Result<ReadCounts, TextError> {
    guarded(|| read_groups(path, columns, epoch_jyear, passed, batches))
}

fn read_groups(
    path: &Path,
    columns: Option<&Columns>,
    epoch_jyear: Option<f64>,
    passed: &mut dyn FnMut(u64),
    batches: &mut Batches<'_>,
) -> Result<ReadCounts, TextError> {
    let reader = SerializedFileReader::new(File::open(path)?).map_err(damaged)?;
    let schema = reader.metadata().file_metadata().schema_descr_ptr();
    let names: Vec<String> = schema
        .columns()
        .iter()
        .map(|column| column.path().string())
        .collect();
    let layout = Layout::new(&names, columns, epoch_jyear).map_err(TextError::Content)?;
    let needed = layout.needed();
    let mut counts = ReadCounts::default();
    for number in 0..reader.num_row_groups() {
        let group = reader.get_row_group(number).map_err(damaged)?;
        let rows = group.metadata().num_rows().max(0) as usize;
        let mut values: Vec<Vec<Option<f64>>> = vec![Vec::new(); names.len()];
        for &place in &needed {
            if schema.column(place).max_rep_level() > 0 {
                let what = format!("column '{}' holds lists", names[place]);
                return Err(TextError::Content(what));
            }
            let column = group.get_column_reader(place).map_err(damaged)?;
            let most = schema.column(place).max_def_level();
            values[place] = column_of(column, rows, most)?;
            if values[place].len() != rows {
                return Err(TextError::Content("a column ends early".into()));
            }
        }
        for row in 0..rows {
            counts.rows += 1;
            let star = layout
                .star(|place| values[place].get(row).copied().flatten())
                .map_err(|what| TextError::Content(format!("row {}: {what}", counts.rows)))?;
            match star {
                Some(star) => {
                    if !batches.push(star) {
                        return Ok(counts);
                    }
                }
                None => counts.unusable += 1,
            }
        }
        passed(group.metadata().compressed_size().max(0) as u64);
    }
    Ok(counts)
}

/// The values of a column of one row group.
fn column_of(reader: ColumnReader, rows: usize, most: i16) -> Result<Vec<Option<f64>>, TextError> {
    macro_rules! typed {
        ($reader:expr, $as_number:expr) => {{
            let mut reader = $reader;
            let (mut levels, mut values) = (Vec::new(), Vec::new());
            reader
                .read_records(rows, (most > 0).then_some(&mut levels), None, &mut values)
                .map_err(damaged)?;
            let mut numbers = values.into_iter().map($as_number);
            if most == 0 {
                numbers.map(Some).collect()
            } else {
                levels
                    .iter()
                    .map(|&level| if level == most { numbers.next() } else { None })
                    .collect()
            }
        }};
    }
    Ok(match reader {
        ColumnReader::DoubleColumnReader(reader) => typed!(reader, |v| v),
        ColumnReader::FloatColumnReader(reader) => typed!(reader, f64::from),
        ColumnReader::Int32ColumnReader(reader) => typed!(reader, f64::from),
        ColumnReader::Int64ColumnReader(reader) => typed!(reader, |v| v as f64),
        _ => {
            return Err(TextError::Content(
                "a column that is needed holds no numbers".into(),
            ));
        }
    })
}
