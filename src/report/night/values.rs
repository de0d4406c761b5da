//! Charts of one value of the frames, over time and over temperature.

use super::Facts;
use super::chart::{Chart, Labels, Mark, Series};
use super::charts::{Figure, by_camera, clock_chart, time};
use crate::track::{Row, RowStatus};

/// A value of a row over time.
pub struct Plain {
    title: &'static str,
    note: &'static str,
    y: &'static str,
    least_y: f64,
    value: fn(&Row) -> Option<f64>,
}

pub const FWHM: Plain = Plain {
    title: "Star width",
    note: "Full width at half maximum. It grows with bad seeing, lost focus, dew and trailing.",
    y: "FWHM (px)",
    least_y: 0.5,
    value: |row| row.fwhm_px,
};
pub const SCALE: Plain = Plain {
    title: "Pixel scale",
    note: "It follows the focal length, and so focus and temperature.",
    y: "Scale (arcsec per px)",
    least_y: 0.0,
    value: |row| row.scale_arcsec_per_px,
};
pub const ELONGATION: Plain = Plain {
    title: "Elongation",
    note: "Long over short axis of what all stars have in common; 1 is round.",
    y: "Long over short axis",
    least_y: 0.2,
    value: |row| row.elongation,
};
pub const SKY: Plain = Plain {
    title: "Sky level",
    note: "In the frame's own units. Dawn, moonlight and lit cloud raise it.",
    y: "Sky level",
    least_y: 1.0,
    value: |row| row.sky_level,
};
pub const STARS: Plain = Plain {
    title: "Stars found",
    note: "Cloud, dew and lost focus lower it. Frames without a position count as well.",
    y: "Stars",
    least_y: 10.0,
    value: |row| row.stars_detected.map(f64::from),
};

pub fn plain(facts: &Facts<'_>, what: &Plain) -> Option<Figure> {
    let of = |want: fn(RowStatus) -> bool| {
        by_camera(facts, |_, row| {
            Some([
                time(facts, row).filter(|_| want(row.status))?,
                (what.value)(row)?,
            ])
        })
    };
    let mut series = of(|s| s == RowStatus::Solved);
    let lost: Vec<[f64; 2]> = of(|s| s == RowStatus::Unsolved)
        .into_iter()
        .flat_map(|s| s.points)
        .collect();
    if !lost.is_empty() {
        series.push(Series {
            name: "without a position".into(),
            colour: 4,
            mark: Mark::Cross,
            points: lost,
        });
    }
    Some(Figure {
        title: what.title,
        note: what.note.into(),
        chart: clock_chart(what.y, what.least_y, series)?,
    })
}

/// A temperature of a frame, degrees Celsius.
type Celsius = fn(&Row) -> Option<f64>;

/// The air, where the header states it, or else the sensor while nobody cools it; with the name
/// of its axis.
fn temperature(rows: &[Row]) -> Option<(&'static str, Celsius)> {
    let spread = |value: Celsius| {
        let all: Vec<f64> = rows.iter().filter_map(value).collect();
        let low = all.iter().copied().fold(f64::INFINITY, f64::min);
        let high = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        all.len() >= 3 && high - low > 0.5
    };
    if spread(|r| r.air_c) {
        Some(("Air (°C)", |r| r.air_c))
    } else if spread(|r| r.sensor_c) {
        Some(("Sensor (°C)", |r| r.sensor_c))
    } else {
        None
    }
}

fn against_temperature(
    facts: &Facts<'_>,
    what: &Plain,
    title: &'static str,
    note: &str,
) -> Option<Figure> {
    let (x, degrees) = temperature(facts.night.rows)?;
    let series = by_camera(facts, |_, row| {
        let solved = row.status == RowStatus::Solved;
        Some([degrees(row).filter(|_| solved)?, (what.value)(row)?])
    });
    (!series.is_empty()).then(|| Figure {
        title,
        note: note.into(),
        chart: Chart {
            x: x.into(),
            y: what.y.into(),
            right: None,
            x_labels: Labels::Plain,
            aspect: None,
            least_y: what.least_y,
            series,
        },
    })
}

pub fn by_temperature(facts: &Facts<'_>) -> Option<Figure> {
    against_temperature(
        facts,
        &FWHM,
        "Star width and temperature",
        "A slope says that the focus follows the temperature.",
    )
}

pub fn scale_by_temperature(facts: &Facts<'_>) -> Option<Figure> {
    against_temperature(
        facts,
        &SCALE,
        "Pixel scale and temperature",
        "A slope says that the focal length follows the temperature.",
    )
}
