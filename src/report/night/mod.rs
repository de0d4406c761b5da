//! The night report: one HTML file that needs no network, from the rows of a night.
//!
//! Everything is inside the file: style, script, charts (SVG with real text), small pictures. All
//! text that comes from outside is escaped by the template; a content security policy in the file
//! forbids it to load anything.

mod advice;
mod axis;
mod chart;
mod charts;
mod grade;
mod motion;
mod mount;
mod page;
mod steady;
mod strip;
mod table;
mod text;
mod thumbnail;
mod values;

pub use grade::{Grade, grades};
pub use thumbnail::Thumbnail;

use crate::polar::across::{Across, across};
use crate::report::atomic::write_atomically;
use crate::track::{Row, Track, analyse};
use std::io::{self, BufWriter, Write};
use std::path::Path;

/// Pictures beyond this number are left out: with [`Thumbnail::MOST_BYTES`] each it bounds the
/// file, whatever the number of frames.
pub const MOST_PICTURES: usize = 500;

/// Gives the small pictures of rows. See [`write()`].
pub type Pictures<'a> = dyn FnMut(&[usize]) -> Vec<Option<Thumbnail>> + 'a;

/// What the report is about.
#[derive(Debug, Clone, Copy)]
pub struct Night<'a> {
    /// Heading, the folder's name as a rule.
    pub title: &'a str,
    /// One per frame, in any order.
    pub rows: &'a [Row],
    /// When it is written, Julian date UTC; `None`: not said.
    pub written_jd_utc: Option<f64>,
    /// The night goes on: browsers load the page again after this many seconds.
    pub refresh_s: Option<u32>,
}

/// Everything that the parts of the page draw on.
pub(crate) struct Facts<'a> {
    pub night: Night<'a>,
    pub track: Track,
    pub mounts: Vec<Across>,
    pub grades: Vec<Grade>,
    /// Row numbers by time, then by name.
    pub order: Vec<usize>,
    /// Place of each row in `order`, from 1: the number that people see.
    pub number: Vec<usize>,
}

impl<'a> Facts<'a> {
    fn of(night: Night<'a>) -> Facts<'a> {
        let rows = night.rows;
        let mut order: Vec<usize> = (0..rows.len()).collect();
        let jd = |i: usize| rows[i].mid_jd_utc.unwrap_or(f64::INFINITY);
        order.sort_by(|a, b| {
            jd(*a)
                .total_cmp(&jd(*b))
                .then_with(|| rows[*a].file.cmp(&rows[*b].file))
        });
        let mut number = vec![0; rows.len()];
        for (place, row) in order.iter().enumerate() {
            number[*row] = place + 1;
        }
        let track = analyse(rows);
        Facts {
            mounts: across(rows, &track),
            track,
            grades: grades(rows),
            night,
            order,
            number,
        }
    }
}

/// Writes the report to `path`: readers see the old one or the new one, never a part.
///
/// `pictures` is asked for the small pictures of rows, by their numbers in `night.rows`, some at a
/// time and for at most [`MOST_PICTURES`] rows in all; it answers with as many. They are written as
/// they come and not kept.
///
/// # Errors
///
/// What writing the file said.
pub fn write(path: &Path, night: &Night<'_>, pictures: &mut Pictures<'_>) -> io::Result<()> {
    write_atomically(path, |file| {
        let mut out = BufWriter::new(file);
        write_to(&mut out, night, pictures)?;
        out.flush()
    })
}

/// Writes the report's HTML to `out`. See [`write`].
///
/// # Errors
///
/// What `out` said.
pub fn write_to(
    out: &mut dyn Write,
    night: &Night<'_>,
    pictures: &mut Pictures<'_>,
) -> io::Result<()> {
    page::write(out, &Facts::of(*night), pictures)
}
