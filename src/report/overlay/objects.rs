//! The deep-sky objects over the frame: their outlines and names.

use super::canvas::Canvas;
use super::labels::Room;
use super::project::Projector;
use super::{Scene, marks};
use crate::report::objects::ObjectRecord;
use crate::sphere::{normalised, sky_to_vector, tangent_basis};
use std::f64::consts::TAU;

/// Points of an outline.
const POINTS: u32 = 72;
/// Radius of what is smaller, or of unknown size, in units.
const LEAST_RADIUS: f32 = 13.0;
/// Height of a name, in units.
const TEXT: f32 = 18.0;

/// Draws the objects of the scene's record, the most prominent first: their names get the best
/// places, and one that finds no room goes without.
pub fn draw(canvas: &mut Canvas, scene: &Scene, projector: &Projector, room: &mut Room, unit: f32) {
    let objects = scene.record.objects.iter().flatten();
    for object in objects {
        let pieces = outline(object, projector, unit);
        for piece in &pieces {
            marks::object(canvas, piece, unit);
        }
        let view = projector.view();
        let seen = pieces
            .into_iter()
            .flatten()
            .filter(|place| view.holds(*place));
        let mut seen: Vec<[f32; 2]> = seen.collect();
        if seen.is_empty() {
            // The frame lies within: its name stands at the middle, where the frame shows that.
            let middle = projector.place(sky_to_vector(object.ra_deg, object.dec_deg));
            seen.extend(middle.filter(|place| view.holds(*place)));
        }
        if seen.is_empty() {
            continue;
        }
        let size = TEXT * unit;
        let title = object.title();
        let width = canvas.text_width(&title, size);
        if let Some(at) = room.take(beside(&seen, [width, size], unit), [width, size]) {
            canvas.text(&title, at, size, marks::SAND, true);
        }
    }
}

/// The outline as it is drawn in the legend.
pub fn sample(canvas: &mut Canvas, [x, y]: [f32; 2], unit: f32) {
    marks::object(canvas, &ring([x, y], [13.0 * unit, 8.0 * unit]), 0.6 * unit);
}

/// Angles all around, the first once more at the end.
fn turns() -> impl Iterator<Item = f64> {
    (0..=POINTS).map(|k| TAU * f64::from(k) / f64::from(POINTS))
}

fn ring([x, y]: [f32; 2], [half_width, half_height]: [f32; 2]) -> Vec<[f32; 2]> {
    turns()
        .map(|turn| {
            let (sin, cos) = turn.sin_cos();
            [x + half_width * cos as f32, y + half_height * sin as f32]
        })
        .collect()
}

/// Pieces of its ellipse on the sky as places in the picture, or a small ring; a circle where it is
/// not known which way the object lies. Pieces end where the projection is no longer believed.
fn outline(object: &ObjectRecord, projector: &Projector, unit: f32) -> Vec<Vec<[f32; 2]>> {
    let [east, north, middle] = tangent_basis(object.ra_deg, object.dec_deg);
    let [major, minor] = object.size_arcmin.unwrap_or([0.0; 2]);
    let (axis_deg, minor) = match object.position_angle_deg {
        Some(axis_deg) => (axis_deg, minor),
        None => (0.0, major),
    };
    let (sin, cos) = axis_deg.to_radians().sin_cos();
    let half_rad = [major, minor].map(|arcmin| (arcmin / 120.0).to_radians());
    let places: Vec<Option<[f32; 2]>> = turns()
        .map(|turn| {
            // Along the two axes, then towards north and east, in the gnomonic plane that touches
            // the sky at the object's middle.
            let (along, across) = (half_rad[0] * turn.cos(), half_rad[1] * turn.sin());
            let to_north = (along * cos - across * sin).tan();
            let to_east = (along * sin + across * cos).tan();
            let place: [f64; 3] =
                std::array::from_fn(|i| middle[i] + to_north * north[i] + to_east * east[i]);
            projector.place(normalised(place))
        })
        .collect();
    let least = LEAST_RADIUS * unit;
    let is_near = |place: &Option<[f32; 2]>, [x, y]: [f32; 2]| {
        place.is_some_and(|p| (p[0] - x).hypot(p[1] - y) < least)
    };
    match projector.place(middle) {
        Some(centre) if places.iter().all(|p| is_near(p, centre)) => vec![ring(centre, [least; 2])],
        _ => places
            .split(Option::is_none)
            .map(|piece| piece.iter().copied().flatten().collect())
            .collect(),
    }
}

/// Middles of the places where a label may stand: over and under what is `seen` of the outline,
/// right and left of it, then inside.
fn beside(seen: &[[f32; 2]], [width, height]: [f32; 2], unit: f32) -> Vec<[f32; 2]> {
    let [x0, y0, x1, y1] = seen.iter().fold(
        [f32::MAX, f32::MAX, f32::MIN, f32::MIN],
        |[x0, y0, x1, y1], [x, y]| [x0.min(*x), y0.min(*y), x1.max(*x), y1.max(*y)],
    );
    let (x, y) = ((x0 + x1) / 2.0, (y0 + y1) / 2.0);
    let gap = 6.0 * unit;
    vec![
        [x, y0 - gap - height / 2.0],
        [x, y1 + gap + height / 2.0],
        [x1 + gap + width / 2.0, y],
        [x0 - gap - width / 2.0, y],
        [x, y0 + gap + height],
        [x, y1 - gap - height],
    ]
}
