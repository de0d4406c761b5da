//! The charts of a night: what is drawn over what.

use super::Facts;
use super::chart::{Chart, Labels, Mark, Series};
use super::values::{
    ELONGATION, FWHM, SCALE, SKY, STARS, by_temperature, plain, scale_by_temperature,
};
use crate::robust::median;
use crate::track::{Offset, Row};

/// A chart with its heading.
pub struct Figure {
    /// Heading.
    pub title: &'static str,
    /// What to look for, one sentence.
    pub note: String,
    /// The chart.
    pub chart: Chart,
}

/// All charts that the night has data for.
pub fn figures(facts: &Facts<'_>) -> Vec<Figure> {
    [
        on_the_sky(facts),
        relative(facts),
        over_time(facts, Axis::East),
        over_time(facts, Axis::North),
        rotation(facts),
        plain(facts, &FWHM),
        by_temperature(facts),
        plain(facts, &SCALE),
        scale_by_temperature(facts),
        plain(facts, &ELONGATION),
        plain(facts, &SKY),
        plain(facts, &STARS),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// Cameras of the night, in order of their names.
fn cameras<'a>(facts: &Facts<'a>) -> Vec<&'a str> {
    let mut names: Vec<&str> = facts.night.rows.iter().map(|r| r.camera.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    names
}

const MARKS: [Mark; 3] = [Mark::Dot, Mark::Triangle, Mark::Cross];

/// One series per camera. A single one needs no name.
pub fn by_camera(
    facts: &Facts<'_>,
    point: impl Fn(usize, &Row) -> Option<[f64; 2]>,
) -> Vec<Series> {
    let cameras = cameras(facts);
    cameras
        .iter()
        .enumerate()
        .map(|(k, camera)| Series {
            name: if cameras.len() > 1 {
                (*camera).to_owned()
            } else {
                String::new()
            },
            colour: k,
            mark: MARKS[k % MARKS.len()],
            points: facts
                .order
                .iter()
                .filter(|i| facts.night.rows[**i].camera == *camera)
                .filter_map(|i| point(*i, &facts.night.rows[*i]))
                .collect(),
        })
        .filter(|series| !series.points.is_empty())
        .collect()
}

/// One series per run: a run is what a line may join.
fn by_run(facts: &Facts<'_>, point: impl Fn(&Offset, &Row) -> Option<[f64; 2]>) -> Vec<Series> {
    let runs = &facts.track.runs;
    let mut all = Vec::new();
    for (number, run) in runs.iter().enumerate() {
        let points: Vec<[f64; 2]> = run
            .frames
            .iter()
            .filter_map(|i| {
                let offset = facts.track.offsets[*i].as_ref()?;
                point(offset, &facts.night.rows[*i])
            })
            .collect();
        if points.is_empty() {
            continue;
        }
        let name = if runs.len() > 1 {
            format!("Run {}", number + 1)
        } else {
            String::new()
        };
        let series = |mark, name| Series {
            name,
            colour: number,
            mark,
            points: points.clone(),
        };
        // The legend names each run once, by its marks.
        all.push(series(Mark::Line, String::new()));
        all.push(series(MARKS[number % MARKS.len()], name));
    }
    all
}

/// Days since the midnight (UTC) before the first frame.
pub fn time(facts: &Facts<'_>, row: &Row) -> Option<f64> {
    let first = facts.night.rows[*facts.order.first()?].mid_jd_utc?;
    // A Julian date begins at noon.
    row.mid_jd_utc.map(|jd| jd - (first + 0.5).floor() + 0.5)
}

pub fn clock_chart(y: &str, least_y: f64, series: Vec<Series>) -> Option<Chart> {
    (!series.is_empty()).then(|| Chart {
        x: "Time (UTC)".into(),
        y: y.into(),
        right: None,
        x_labels: Labels::Clock,
        aspect: None,
        least_y,
        series,
    })
}

fn on_the_sky(facts: &Facts<'_>) -> Option<Figure> {
    let centres: Vec<[f64; 2]> = facts
        .night
        .rows
        .iter()
        .filter_map(Row::centre_deg)
        .collect();
    let first = centres.first()?[0];
    // RA without its jump at 0 h, and east at the left.
    let near = |ra: f64| first + (ra - first + 180.0).rem_euclid(360.0) - 180.0;
    let dec = median(centres.iter().map(|c| c[1]))?;
    let series = by_camera(facts, |_, row| {
        row.centre_deg().map(|[ra, dec]| [-near(ra), dec])
    });
    Some(Figure {
        title: "Track on the sky",
        note: "Centres of all frames. North is up, east to the left.".into(),
        chart: Chart {
            x: "Right ascension (deg)".into(),
            y: "Declination (deg)".into(),
            right: None,
            x_labels: Labels::Reversed,
            aspect: Some(dec.to_radians().cos().max(0.05)),
            least_y: 0.01,
            series,
        },
    })
}

/// From what the offsets count, as far as it is the same for all runs.
fn reference(facts: &Facts<'_>) -> &'static str {
    let commanded = facts.track.runs.iter().filter(|r| r.from_commanded).count();
    match commanded {
        0 => "the first frame of each run",
        n if n == facts.track.runs.len() => "the commanded position",
        _ => "the commanded position, or the first frame of a run without one",
    }
}

/// Pixels per arcmin, where all runs agree.
fn px_per_arcmin(facts: &Facts<'_>) -> Option<f64> {
    let scales: Vec<f64> = facts
        .night
        .rows
        .iter()
        .filter_map(|r| r.scale_arcsec_per_px)
        .collect();
    let typical = median(scales.iter().copied())?;
    let same = scales.iter().all(|s| (s / typical - 1.0).abs() < 0.02);
    same.then_some(60.0 / typical)
}

fn relative(facts: &Facts<'_>) -> Option<Figure> {
    let series = by_run(facts, |offset, _| {
        Some([-offset.east_arcmin, offset.north_arcmin])
    });
    (!series.is_empty()).then(|| Figure {
        title: "Track relative to the target",
        note: format!(
            "How far the centre lay from {}. North is up, east to the left.",
            reference(facts)
        ),
        chart: Chart {
            x: "East (arcmin)".into(),
            y: "North (arcmin)".into(),
            right: px_per_arcmin(facts).map(|k| ("North (px)".into(), k)),
            x_labels: Labels::Reversed,
            aspect: Some(1.0),
            least_y: 0.05,
            series,
        },
    })
}

#[derive(Clone, Copy)]
enum Axis {
    East,
    North,
}

fn over_time(facts: &Facts<'_>, axis: Axis) -> Option<Figure> {
    let series = by_run(facts, |offset, row| {
        let value = match axis {
            Axis::East => offset.east_arcmin,
            Axis::North => offset.north_arcmin,
        };
        Some([time(facts, row)?, value])
    });
    let (title, y, px) = match axis {
        Axis::East => ("Offset in RA", "East (arcmin)", "East (px)"),
        Axis::North => ("Offset in Dec", "North (arcmin)", "North (px)"),
    };
    let mut chart = clock_chart(y, 0.1, series)?;
    chart.right = px_per_arcmin(facts).map(|k| (px.into(), k));
    Some(Figure {
        title,
        note: format!("From {}; RA times the cosine of Dec.", reference(facts)),
        chart,
    })
}

fn rotation(facts: &Facts<'_>) -> Option<Figure> {
    // From each run's first frame, across the jump at 360.
    let first: Vec<Option<f64>> = facts
        .track
        .runs
        .iter()
        .map(|run| facts.night.rows[*run.frames.first()?].rotation_deg)
        .collect();
    let series = by_run(facts, |offset, row| {
        let turned = row.rotation_deg? - first.get(offset.run).copied().flatten()?;
        Some([
            time(facts, row)?,
            60.0 * ((turned + 180.0).rem_euclid(360.0) - 180.0),
        ])
    });
    Some(Figure {
        title: "Field rotation",
        note: "Since the first frame of each run; positive turns north through east.".into(),
        chart: clock_chart("Turned by (arcmin)", 2.0, series)?,
    })
}
