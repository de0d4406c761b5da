//! The night report as the commands write it: when, with which pictures.

use crate::frame::{Frame, path_of_text};
use crate::report::night::{Night, Thumbnail, write};
use crate::track::Row;
use rayon::prelude::*;
use std::collections::HashMap;
use std::io;
use std::path::Path;
use std::time::SystemTime;

/// Julian date of 1970-01-01, 0 h UTC.
const UNIX_EPOCH_JD: f64 = 2_440_587.5;
const SECONDS_PER_DAY: f64 = 86_400.0;

/// A report that may be written again and again: while it is, pictures already made are kept, a few
/// kilobytes each, so that a watched folder is not read anew for every frame that comes.
pub struct NightReport<'a> {
    folder: &'a Path,
    refresh_s: Option<u32>,
    /// It is written more than once.
    again: bool,
    /// By the frame's name and what was measured on it: a frame that changed gets another picture.
    kept: HashMap<(String, [u64; 2]), Option<Thumbnail>>,
}

impl<'a> NightReport<'a> {
    /// For the frames in `folder`; browsers load it again after `refresh_s`, if given.
    pub fn new(folder: &'a Path, refresh_s: Option<u32>) -> NightReport<'a> {
        NightReport {
            folder,
            refresh_s,
            again: refresh_s.is_some(),
            kept: HashMap::new(),
        }
    }

    /// No more frames will come.
    pub fn ends(&mut self) {
        self.refresh_s = None;
    }

    /// Writes the report on `rows` to `path`.
    ///
    /// # Errors
    ///
    /// What writing the file said.
    pub fn write(&mut self, rows: &[Row], path: &Path) -> io::Result<()> {
        let full = std::fs::canonicalize(self.folder);
        let name = full.as_deref().unwrap_or(self.folder).file_name();
        let title = name.map_or_else(|| "Night".into(), |n| n.to_string_lossy().into_owned());
        let now = SystemTime::now()
            .duration_since(SystemTime::UNIX_EPOCH)
            .ok();
        let night = Night {
            title: &title,
            rows,
            written_jd_utc: now.map(|t| UNIX_EPOCH_JD + t.as_secs_f64() / SECONDS_PER_DAY),
            refresh_s: self.refresh_s,
        };
        write(path, &night, &mut |some| self.pictures(rows, some))
    }

    fn pictures(&mut self, rows: &[Row], some: &[usize]) -> Vec<Option<Thumbnail>> {
        let missing: Vec<&Row> = some
            .iter()
            .map(|i| &rows[*i])
            .filter(|row| !self.kept.contains_key(&key(row)))
            .collect();
        let folder = self.folder;
        let made: Vec<_> = missing
            .par_iter()
            .map(|row| (key(row), picture(folder, row)))
            .collect();
        self.kept.extend(made);
        let some = some.iter();
        let pictures = some.map(|i| self.kept.get(&key(&rows[*i])).cloned().flatten());
        let pictures = pictures.collect();
        if !self.again {
            self.kept.clear();
        }
        pictures
    }
}

fn key(row: &Row) -> (String, [u64; 2]) {
    let bits = |value: Option<f64>| value.unwrap_or(f64::NAN).to_bits();
    (
        row.file.clone(),
        [bits(row.sky_level), bits(row.mid_jd_utc)],
    )
}

/// `None` for a frame that is gone by now, or could not be read before.
fn picture(folder: &Path, row: &Row) -> Option<Thumbnail> {
    let (level, noise) = row.sky_level.zip(row.sky_noise)?;
    let frame = Frame::open(&folder.join(path_of_text(&row.file)?)).ok()?;
    Thumbnail::of(&frame, level, noise)
}
