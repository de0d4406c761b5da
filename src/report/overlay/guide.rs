//! Target and earlier framing over the frame.

use super::canvas::Canvas;
use super::marks;
use super::project::Projector;
use crate::report::Record;
use crate::sphere::sky_to_vector;

/// Draws what the record says of them, where the frame shows it.
pub fn draw(canvas: &mut Canvas, record: &Record, projector: &Projector, unit: f32) {
    if let Some(earlier) = &record.earlier {
        let border = earlier
            .outline_deg
            .iter()
            .chain(earlier.outline_deg.first());
        let places: Vec<Option<[f32; 2]>> = border
            .map(|[ra_deg, dec_deg]| projector.place(sky_to_vector(*ra_deg, *dec_deg)))
            .collect();
        for piece in places.split(Option::is_none) {
            let piece: Vec<[f32; 2]> = piece.iter().copied().flatten().collect();
            marks::earlier(canvas, &piece, unit);
        }
    }
    let target = record.target.as_ref().filter(|target| target.in_frame);
    if let Some(target) = target {
        let at = &target.position.j2000;
        if let Some(place) = projector.place(sky_to_vector(at.ra_deg, at.dec_deg)) {
            marks::target(canvas, place, unit);
        }
    }
}

/// The border as it is drawn in the legend.
pub fn sample_of_earlier(canvas: &mut Canvas, [x, y]: [f32; 2], unit: f32) {
    let line = [[x - 16.0 * unit, y], [x + 16.0 * unit, y]];
    marks::earlier(canvas, &line, 0.5 * unit);
}
