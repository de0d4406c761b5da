//! The picture of a polar alignment: on the left the sky about the pole with the fields of the
//! frames, on the right the axis, the pole and the turns of the screws that bring one to the other.
//!
//! Both as somebody sees them who faces the pole: up is up, and distances from the pole are true.

use super::chart::{Chart, SIDE, TEXT};
use super::{ErrorRecord, PolarRecord};
use crate::mount::pointing_error;
use crate::report::overlay::canvas::{Canvas, Pen};
use crate::report::overlay::{Picture, marks};
use crate::report::text::small_angle;

/// Height of the words below the charts, picture pixels.
const WORDS: f32 = 170.0;
const UNIT: f32 = 0.9;
/// Points of a circle.
const POINTS: u16 = 120;
/// No chart shows more than this about the pole: the rest lies behind the observer.
const WIDEST_DEG: f64 = 125.0;

/// The field of one frame, for the picture.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldBorder {
    /// Altitude and azimuth along its border, degrees.
    pub border_deg: Vec<[f64; 2]>,
}

/// Draws the picture; `None` without an axis, without a site, or where no memory holds it.
pub fn draw(record: &PolarRecord, fields: &[FieldBorder]) -> Option<Picture> {
    let (axis, error) = (record.axis.as_ref()?, record.error.as_ref()?);
    let azimuth_deg = if record.north { 0.0 } else { 180.0 };
    let pole_deg = [
        axis.altitude_deg - error.altitude_arcmin? / 60.0,
        azimuth_deg,
    ];
    let mut canvas = Canvas::new(2 * SIDE as u32, (SIDE + WORDS) as u32)?;
    sky(&mut canvas, record, fields, pole_deg);
    screws(&mut canvas, record, pole_deg)?;
    words(&mut canvas, record);
    Some(canvas.into_picture())
}

/// Altitude and azimuth of an axis off the pole by an error, degrees.
fn axis_of(error: &ErrorRecord, pole_deg: [f64; 2], north: bool) -> Option<[f64; 2]> {
    // The error counts to the east on either hemisphere, azimuth from north through east.
    let east = error.azimuth_arcmin? / 60.0;
    Some([
        pole_deg[0] + error.altitude_arcmin? / 60.0,
        pole_deg[1] + if north { east } else { -east },
    ])
}

/// The fields of the frames about the pole, and the horizon.
fn sky(canvas: &mut Canvas, record: &PolarRecord, fields: &[FieldBorder], pole_deg: [f64; 2]) {
    let far = |[altitude, azimuth]: &[f64; 2]| {
        pointing_error([pole_deg[1], pole_deg[0]], [*azimuth, *altitude]).separation_deg
    };
    let farthest = fields.iter().flat_map(|f| &f.border_deg).map(far);
    let radius_deg = (1.1 * farthest.fold(5.0, f64::max)).min(WIDEST_DEG);
    let chart = Chart::new(0.0, radius_deg, pole_deg);
    chart.rings(canvas);
    let turns = (0..=POINTS).map(|k| 360.0 * f64::from(k) / f64::from(POINTS));
    for piece in chart.pieces(turns.map(|azimuth| [0.0, azimuth])) {
        let dashed = Pen {
            dash: Some([4.0, 6.0]),
            ..marks::pen(marks::SAND, 2.0)
        };
        canvas.line(&piece, dashed);
        if let Some([x, y]) = piece.get(piece.len() / 2) {
            canvas.text("horizon", [x - 30.0, y + 8.0], TEXT, marks::SAND, true);
        }
    }
    for (number, field) in fields.iter().enumerate() {
        let border = field.border_deg.iter().chain(field.border_deg.first());
        let pieces = chart.pieces(border.copied());
        for piece in &pieces {
            canvas.line(piece, marks::pen(marks::AMBER, 2.0));
        }
        let places = pieces.iter().flatten().map(|place| place[1]);
        // The one of after the screws lies over the one before: its number stands below.
        let y = match number < record.frames.len() {
            true => places.fold(f32::INFINITY, f32::min) - 24.0,
            false => places.fold(f32::NEG_INFINITY, f32::max) + 6.0,
        };
        let (sum, count) = pieces
            .iter()
            .flatten()
            .fold((0.0, 0.0), |(sum, count), place| {
                (sum + place[0], count + 1.0)
            });
        if count > 0.0 {
            let number = (number + 1).to_string();
            let at = [sum / count - 5.0, y];
            canvas.text(&number, at, TEXT, marks::AMBER, true);
        }
    }
    marks::centre(canvas, chart.middle, UNIT);
    let axes = [
        record.error.as_ref(),
        record.left.as_ref().map(|l| &l.error),
    ];
    for error in axes.into_iter().flatten() {
        let place = axis_of(error, pole_deg, record.north).and_then(|at| chart.place(at));
        if let Some(place) = place {
            canvas.circle(place, 6.0, marks::pen(marks::ORANGE, 2.0));
        }
    }
    let title = "Fields of the frames about the pole";
    canvas.text(title, [12.0, 8.0], TEXT, marks::WHITE, true);
}

/// The axis, its region, and the ways of the two screws.
fn screws(canvas: &mut Canvas, record: &PolarRecord, pole_deg: [f64; 2]) -> Option<()> {
    let before = record.error.as_ref()?;
    let now = record.left.as_ref().map(|left| &left.error);
    let reach = |e: &ErrorRecord| (e.total_arcmin + e.radius95_arcmin) / 60.0;
    let radius_deg = 1.25 * now.map_or(0.0, reach).max(reach(before));
    let chart = Chart::new(SIDE, radius_deg.max(0.001), pole_deg);
    chart.rings(canvas);
    let error = now.unwrap_or(before);
    let axis = axis_of(error, pole_deg, record.north)?;
    let place = chart.place(axis)?;
    if now.is_some()
        && let Some(old) = axis_of(before, pole_deg, record.north).and_then(|at| chart.place(at))
    {
        canvas.circle(old, 9.0, marks::pen(marks::SAND, 2.0));
        canvas.text(
            "before",
            [old[0] + 14.0, old[1] - 9.0],
            TEXT,
            marks::SAND,
            true,
        );
    }
    let region = Pen {
        dash: Some([3.0, 5.0]),
        ..marks::pen(marks::AMBER, 1.6)
    };
    canvas.circle(place, chart.px(error.radius95_arcmin / 60.0), region);
    marks::centre(canvas, chart.middle, UNIT);
    // First the altitude screw, then the azimuth screws, along the horizon.
    let corner = chart.place([pole_deg[0], axis[1]])?;
    for (from, to) in [(place, corner), (corner, chart.middle)] {
        marks::arrow(canvas, from, to, marks::ORANGE, UNIT, true);
    }
    marks::commanded(canvas, place, 0.6 * UNIT);
    turns(canvas, error, &chart, [place, corner])?;
    let facing = if record.north { "north" } else { "south" };
    let title = format!("Axis and pole, as seen facing {facing}");
    canvas.text(&title, [SIDE + 12.0, 8.0], TEXT, marks::WHITE, true);
    Some(())
}

/// What the two screws have to do, beside their ways: from the axis to the corner and on to the pole.
fn turns(
    canvas: &mut Canvas,
    error: &ErrorRecord,
    chart: &Chart,
    [place, corner]: [[f32; 2]; 2],
) -> Option<()> {
    let (altitude, azimuth) = (error.altitude_arcmin?, error.azimuth_arcmin?);
    let middle = |a: [f32; 2], b: [f32; 2]| [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0];
    let [x, y] = middle(place, corner);
    let raise = format!(
        "{} {}",
        if altitude > 0.0 { "lower" } else { "raise" },
        small_angle(altitude.abs() / 60.0)
    );
    // On the side away from the pole.
    let width = canvas.text_width(&raise, TEXT);
    let beside = if x > chart.middle[0] {
        x + 14.0
    } else {
        x - 14.0 - width
    };
    label(canvas, &raise, [beside, y - TEXT / 2.0]);
    let [x, y] = middle(corner, chart.middle);
    let turn = format!(
        "turn {} {}",
        if azimuth > 0.0 { "west" } else { "east" },
        small_angle(azimuth.abs() / 60.0)
    );
    let under = if place[1] > chart.middle[1] {
        -TEXT - 14.0
    } else {
        14.0
    };
    let width = canvas.text_width(&turn, TEXT);
    label(canvas, &turn, [x - width / 2.0, y + under]);
    Some(())
}

/// Text moved as far as it takes to lie within the right half.
fn label(canvas: &mut Canvas, text: &str, [x, y]: [f32; 2]) {
    let right = 2.0 * SIDE - canvas.text_width(text, TEXT) - 8.0;
    let at = [
        x.clamp(SIDE + 8.0, right.max(SIDE + 8.0)),
        y.clamp(34.0, SIDE - 30.0),
    ];
    canvas.text(text, at, TEXT, marks::ORANGE, true);
}

/// Verdict, names of the frames and what the marks mean.
fn words(canvas: &mut Canvas, record: &PolarRecord) {
    let error = record
        .left
        .as_ref()
        .map(|l| &l.error)
        .or(record.error.as_ref());
    let mut lines = Vec::new();
    if let Some(error) = error {
        lines.push(format!(
            "{}{:.2} arcmin from the {} pole, +-{:.2} (95 %)",
            if record.left.is_some() { "Now " } else { "" },
            error.total_arcmin,
            record.pole,
            error.radius95_arcmin
        ));
    }
    let adjusted = record.left.iter().map(|left| &left.file);
    for (number, file) in record.frames.iter().chain(adjusted).enumerate().take(5) {
        // The end of a long name tells more than its beginning.
        let name: Vec<char> = file.chars().collect();
        let name: String = name[name.len().saturating_sub(60)..].iter().collect();
        lines.push(format!("{}  {name}", number + 1));
    }
    let line = |k: usize| SIDE + 8.0 + 26.0 * k as f32;
    for (k, text) in lines.iter().enumerate() {
        canvas.text(text, [16.0, line(k)], TEXT, marks::WHITE, false);
    }
    let x = SIDE + 30.0;
    let mut legend = vec!["the pole", "the axis", "holds the axis in 95 of 100 cases"];
    legend.push("turns of the screws: altitude, then azimuth");
    for (k, text) in legend.iter().enumerate() {
        let at = [x, line(k) + TEXT / 2.0];
        match k {
            0 => marks::centre(canvas, at, 0.5),
            1 => marks::commanded(canvas, at, 0.4),
            2 => {
                let pen = Pen {
                    dash: Some([3.0, 4.0]),
                    ..marks::pen(marks::AMBER, 1.6)
                };
                canvas.circle(at, 9.0, pen);
            }
            _ => {
                let ends = [[x - 14.0, at[1]], [x + 14.0, at[1]]];
                marks::arrow(canvas, ends[0], ends[1], marks::ORANGE, 0.7, true);
            }
        }
        canvas.text(text, [x + 30.0, line(k)], TEXT, marks::WHITE, false);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An axis that points too far east lies on the right in the north and on the left in the
    /// south; its arrows end at the pole.
    #[test]
    fn the_axis_lies_where_its_error_says() {
        let error = ErrorRecord {
            altitude_arcmin: Some(12.0),
            azimuth_arcmin: Some(30.0),
            total_arcmin: 23.0,
            radius95_arcmin: 0.5,
        };
        for (north, pole, side) in [(true, [50.0, 0.0], 1.0), (false, [50.0, 180.0], -1.0)] {
            let chart = Chart::new(0.0, 1.0, pole);
            let axis = axis_of(&error, pole, north).unwrap();
            let [x, y] = chart.place(axis).unwrap();
            assert!((x - chart.middle[0]) * side > 0.0, "{north}");
            assert!((chart.middle[1] - y - chart.px(0.2)).abs() < 3.0);
            // Along the horizon half a degree is less on the sky.
            let across = f64::from((x - chart.middle[0]).abs() / chart.px(1.0));
            assert!((across - 0.5 * 50.2_f64.to_radians().cos()).abs() < 0.001);
        }
    }
}
