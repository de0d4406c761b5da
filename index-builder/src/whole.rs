//! Work files that are whole wherever they bear their name: also after a power cut.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

/// Writes a file under the name `unfinished` and renames it to `path` once it is complete and on
/// the disk.
pub(crate) fn write(
    unfinished: &Path,
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> io::Result<()> {
    let mut file = BufWriter::new(File::create(unfinished)?);
    write(&mut file)?;
    let file = file.into_inner().map_err(io::IntoInnerError::into_error)?;
    file.sync_all()?;
    drop(file);
    fs::rename(unfinished, path)
}

/// The same with a text.
pub(crate) fn write_text(unfinished: &Path, path: &Path, text: &str) -> io::Result<()> {
    write(unfinished, path, |file| file.write_all(text.as_bytes()))
}
