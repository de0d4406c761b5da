//! The rows of a night as a table: ECSV 1.0, plain CSV under a header of comments that gives every
//! column its type, unit and meaning.
//!
//! Source: Enhanced Character Separated Values, format version 1.0 (Aldcroft 2020, Zenodo,
//! doi:10.5281/zenodo.4792325). Read back with astropy, pandas and DuckDB by
//! `tests/night-table/read_back.py`.

use crate::mount::{Moment, PointingError};
use crate::report::atomic::write_atomically;
use crate::report::rounding::{decimals, turn};
use crate::track::{FrameKind, Row, RowStatus};
use std::fmt::Write as _;
use std::io::{self, Write};
use std::path::Path;

/// One field of a row.
enum Field {
    Text(Option<String>),
    Real(Option<f64>),
    Whole(Option<u32>),
    Truth(Option<bool>),
}

/// Type of a column, as ECSV names it.
#[derive(Clone, Copy)]
enum Kind {
    Text,
    Real,
    Whole,
    Truth,
}

struct Column {
    name: &'static str,
    kind: Kind,
    /// As the VOUnit standard spells it; empty: none.
    unit: &'static str,
    description: &'static str,
    of: fn(&Row) -> Field,
}

macro_rules! columns {
    ($($name:literal $kind:ident $unit:literal $description:literal $of:expr;)*) => {
        &[$(Column {
            name: $name,
            kind: Kind::$kind,
            unit: $unit,
            description: $description,
            of: |row: &Row| { let of: fn(&Row) -> _ = $of; Field::$kind(of(row)) },
        }),*]
    };
}

const COLUMNS: &[Column] = columns! {
    "file" Text "" "Name of the frame relative to the folder" |r| Some(r.file.clone());
    "status" Text "" "solved, unsolved, error or not-a-light" |r| Some(status(r.status).into());
    "kind" Text "" "light, dark, flat or bias" |r| Some(kind(r.kind).into());
    "reason" Text "" "Why there is no position" |r| r.reason.clone();
    "diagnosis" Text "" "Short name of what is wrong" |r| r.diagnosis_code.clone();
    "camera" Text "" "Frames with the same text come from one camera and optics" |r| Some(r.camera.clone());
    "target" Text "" "What was aimed at, by the header" |r| r.target.clone();
    "shows" Text "" "Deep-sky objects in the frame" |r| r.shows.clone();
    "filter" Text "" "Filter, by the header" |r| r.filter.clone();
    "time_utc" Text "" "Mid-exposure, ISO 8601" time_utc;
    "mid_jd_utc" Real "d" "Mid-exposure, Julian date UTC" |r| r.mid_jd_utc.map(|jd| decimals(jd, 7));
    "exposure_s" Real "s" "Exposure" |r| r.exposure_s;
    "ra_deg" Real "deg" "Right ascension of the centre, ICRS" |r| r.ra_deg;
    "dec_deg" Real "deg" "Declination of the centre, ICRS" |r| r.dec_deg;
    "uncertainty_arcsec" Real "arcsec" "Radius that holds the true centre in 95 % of cases" |r| r.uncertainty_arcsec;
    "scale_arcsec_per_px" Real "arcsec / pix" "Pixel scale at the centre" |r| r.scale_arcsec_per_px;
    "rotation_deg" Real "deg" "Position angle of up on the displayed frame, north through east" |r| r.rotation_deg;
    "mirrored" Truth "" "With north up, east would lie to the right" |r| r.mirrored;
    "commanded_ra_deg" Real "deg" "Where the mount was told to point, right ascension, ICRS" |r| r.commanded_ra_deg.map(|ra| turn(ra, 7));
    "commanded_dec_deg" Real "deg" "Where the mount was told to point, declination, ICRS" |r| r.commanded_dec_deg.map(|dec| decimals(dec, 7));
    "error_arcmin" Real "arcmin" "Found centre minus commanded position, angle" |r| error(r, |e| e.separation_deg * 60.0);
    "error_east_arcmin" Real "arcmin" "How far too far east" |r| error(r, |e| e.east_deg() * 60.0);
    "error_north_arcmin" Real "arcmin" "How far too far north" |r| error(r, |e| e.north_deg() * 60.0);
    "stars_detected" Whole "" "Stars found" |r| r.stars_detected;
    "stars_matched" Whole "" "Of these, matched with the catalogue" |r| r.stars_matched;
    "rms_arcsec" Real "arcsec" "Root mean square of the residuals" |r| r.rms_arcsec;
    "log10_chance_of_false_match" Real "" "Probability that the match arose by chance" |r| r.log10_chance;
    "fwhm_px" Real "pix" "Typical full width at half maximum of the stars" |r| r.fwhm_px;
    "hfd_px" Real "pix" "Half-flux diameter" |r| r.hfd_px;
    "elongation" Real "" "Long over short axis of what all stars have in common" |r| r.elongation;
    "elongation_position_angle_deg" Real "deg" "Direction of the long axis, north through east" |r| r.elongation_position_angle_deg;
    "sky_level" Real "" "Median sky level, the frame's own units" |r| r.sky_level;
    "sky_noise" Real "" "Standard deviation of the sky per pixel, the frame's own units" |r| r.sky_noise;
    "limiting_magnitude" Real "mag" "Magnitude of a star with a signal-to-noise ratio of five" |r| r.limiting_magnitude;
    "saturated_share" Real "" "Share of the pixels that are saturated" |r| r.saturated_share;
    "air_c" Real "deg_C" "Temperature of the air" |r| r.air_c;
    "sensor_c" Real "deg_C" "Temperature of the sensor" |r| r.sensor_c;
    "pressure_hpa" Real "hPa" "Pressure of the air at the site" |r| r.pressure_hpa;
    "width_px" Whole "pix" "Pixels along the first axis" |r| r.width_px;
    "height_px" Whole "pix" "Pixels along the second axis" |r| r.height_px;
};

fn status(status: RowStatus) -> &'static str {
    match status {
        RowStatus::Solved => "solved",
        RowStatus::Unsolved => "unsolved",
        RowStatus::Error => "error",
        RowStatus::NotALight => "not-a-light",
    }
}

fn kind(kind: FrameKind) -> &'static str {
    match kind {
        FrameKind::Light => "light",
        FrameKind::Dark => "dark",
        FrameKind::Flat => "flat",
        FrameKind::Bias => "bias",
    }
}

fn time_utc(row: &Row) -> Option<String> {
    Some(Moment::from_jd_utc(row.mid_jd_utc?)?.iso_utc())
}

fn error(row: &Row, part: fn(&PointingError) -> f64) -> Option<f64> {
    row.pointing_error().map(|error| decimals(part(&error), 4))
}

/// Writes `rows` to `path`: the old table or the new one is there at any time, never a piece.
///
/// # Errors
///
/// What creating or writing said.
pub fn write_table(rows: &[Row], path: &Path) -> io::Result<()> {
    write_atomically(path, |file| file.write_all(ecsv(rows).as_bytes()))
}

/// The table as text.
fn ecsv(rows: &[Row]) -> String {
    let mut text = String::from("# %ECSV 1.0\n# ---\n# delimiter: ','\n# datatype:\n");
    for column in COLUMNS {
        let kind = match column.kind {
            Kind::Text => "string",
            Kind::Real => "float64",
            Kind::Whole => "int64",
            Kind::Truth => "bool",
        };
        let unit = match column.unit {
            "" => String::new(),
            unit => format!("unit: {unit}, "),
        };
        // Nothing in a String fails to be written.
        let _ = writeln!(
            text,
            "# - {{name: {}, {unit}datatype: {kind}, description: '{}'}}",
            column.name,
            column.description.replace('\'', "''")
        );
    }
    let _ = writeln!(
        text,
        "# meta: {{made_by: 'nightfix {}'}}",
        env!("CARGO_PKG_VERSION")
    );
    text += &line(COLUMNS.iter().map(|column| column.name.to_owned()));
    for row in rows {
        text += &line(COLUMNS.iter().map(|column| (column.of)(row).to_text()));
    }
    text
}

fn line(fields: impl Iterator<Item = String>) -> String {
    fields.collect::<Vec<_>>().join(",") + "\n"
}

impl Field {
    fn to_text(&self) -> String {
        match self {
            Field::Text(value) => value.as_deref().map_or(String::new(), quoted),
            // Infinite and undefined numbers are no measurements.
            Field::Real(value) => value
                .filter(|v| v.is_finite())
                .map_or(String::new(), |v| v.to_string()),
            Field::Whole(value) => value.map_or(String::new(), |v| v.to_string()),
            Field::Truth(value) => {
                value.map_or(String::new(), |v| if v { "True" } else { "False" }.into())
            }
        }
    }
}

/// A text field: in quotes where it holds a character that means something. A line end, which
/// some readers do not take even in quotes, becomes a blank.
fn quoted(text: &str) -> String {
    let text = text.replace(['\n', '\r'], " ");
    let plain = !text.is_empty() && text.trim() == text && !text.contains([',', '"', '#', '\'']);
    if plain {
        text
    } else {
        format!("\"{}\"", text.replace('"', "\"\""))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_quoted_where_they_must() {
        assert_eq!(quoted("light-001.fits"), "light-001.fits");
        assert_eq!(quoted("a, \"b\"\n#c"), "\"a, \"\"b\"\" #c\"");
        assert_eq!(quoted(""), "\"\"");
        assert_eq!(Field::Real(Some(f64::NAN)).to_text(), "");
        assert_eq!(Field::Truth(Some(true)).to_text(), "True");
    }

    #[test]
    fn every_line_has_every_column() {
        let row = Row {
            file: "a.fits".into(),
            ..Row::default()
        };
        let text = ecsv(&[row]);
        let body: Vec<&str> = text.lines().filter(|l| !l.starts_with('#')).collect();
        let names: Vec<&str> = body[0].split(',').collect();
        assert_eq!(names.len(), COLUMNS.len());
        assert_eq!(body[1].split(',').count(), COLUMNS.len());
        assert_eq!(text.lines().next(), Some("# %ECSV 1.0"));
        let mut unique = names.clone();
        unique.sort_unstable();
        unique.dedup();
        assert_eq!(unique.len(), names.len());
    }
}
