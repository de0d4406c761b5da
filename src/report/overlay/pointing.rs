//! The commanded position, and the move of the mount that mends the pointing error.

use super::canvas::Canvas;
use super::project::Projector;
use super::view::View;
use super::{Scene, marks};
use crate::mount::separation_deg;
use crate::report::text::small_angle;
use crate::sphere::{dot, sky_to_vector};

/// Centre, commanded position, and the arrow from one to the other: the move of the mount.
pub fn draw_pointing(canvas: &mut Canvas, scene: &Scene, projector: &Projector, unit: f32) {
    let Some(solution) = &scene.outcome.solution else {
        return;
    };
    let found_deg = [solution.centre_ra_deg, solution.centre_dec_deg];
    let found = sky_to_vector(found_deg[0], found_deg[1]);
    let Some(centre) = projector.place(found) else {
        return;
    };
    if let Some(commanded_deg) = scene.commanded.and_then(|c| c.icrs_deg) {
        let commanded = sky_to_vector(commanded_deg[0], commanded_deg[1]);
        let distance_deg = separation_deg(commanded_deg, found_deg);
        let words = small_angle(distance_deg);
        let size = 20.0 * unit;
        match projector
            .place(commanded)
            .filter(|p| projector.view().holds(*p))
        {
            Some(place) => {
                draw_move_inside(canvas, centre, place, unit);
                let label = format!("commanded, {words} away");
                // On the side away from the centre and the arrow.
                let shift = match place[0] < centre[0] {
                    true => -30.0 * unit - canvas.text_width(&label, size),
                    false => 30.0 * unit,
                };
                let beside = [place[0] + shift, place[1] - size / 2.0];
                label_inside(canvas, projector, &label, beside, size);
            }
            None => {
                let reach_deg = solution.field_deg[0].min(solution.field_deg[1]) * 0.2;
                let towards = step_towards(found, commanded, reach_deg);
                let towards = towards.and_then(|v| projector.place(v));
                if let Some(rim) = towards.and_then(|t| rim(centre, t, projector.view(), unit)) {
                    let start = along(centre, rim, 28.0 * unit);
                    marks::arrow(canvas, start, rim, marks::ORANGE, unit * 1.3, true);
                    let label = format!("commanded: {words} that way");
                    let width = canvas.text_width(&label, size);
                    let beside = along(rim, centre, 60.0 * unit);
                    let beside = [beside[0] - width / 2.0, beside[1] + 12.0 * unit];
                    label_inside(canvas, projector, &label, beside, size);
                }
            }
        }
    }
    marks::centre(canvas, centre, unit);
}

fn draw_move_inside(canvas: &mut Canvas, centre: [f32; 2], place: [f32; 2], unit: f32) {
    let gap = 26.0 * unit;
    if (place[0] - centre[0]).hypot(place[1] - centre[1]) > 2.5 * gap {
        let (start, end) = (along(centre, place, gap), along(place, centre, gap));
        marks::arrow(canvas, start, end, marks::ORANGE, unit, true);
    }
    marks::commanded(canvas, place, unit);
}

/// The point `length` from `from` on the way to `to`.
pub fn along(from: [f32; 2], to: [f32; 2], length: f32) -> [f32; 2] {
    let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
    let share = length / dx.hypot(dy).max(1e-3);
    [from[0] + dx * share, from[1] + dy * share]
}

/// The direction `reach_deg` along the great circle from one direction to another; `None` where
/// the two are opposite or the same, so that every way is as good.
fn step_towards(from: [f64; 3], to: [f64; 3], reach_deg: f64) -> Option<[f64; 3]> {
    let cosine = dot(from, to);
    let across: [f64; 3] = std::array::from_fn(|i| to[i] - cosine * from[i]);
    let length = dot(across, across).sqrt();
    if length < 1e-9 {
        return None;
    }
    let (sin, cos) = reach_deg.to_radians().sin_cos();
    Some(std::array::from_fn(|i| {
        cos * from[i] + sin * across[i] / length
    }))
}

/// Where the ray from the centre through `towards` meets the rim of the frame, a little inside.
fn rim(centre: [f32; 2], towards: [f32; 2], view: &View, unit: f32) -> Option<[f32; 2]> {
    let direction = [towards[0] - centre[0], towards[1] - centre[1]];
    let inset = 8.0 * unit;
    let share = (0..2)
        .filter(|&i| direction[i].abs() > 1e-6)
        .map(|i| {
            let far = view.size()[i] as f32 - inset;
            let border = if direction[i] > 0.0 { far } else { inset };
            (border - centre[i]) / direction[i]
        })
        .min_by(f32::total_cmp)?;
    let place = [
        centre[0] + share * direction[0],
        centre[1] + share * direction[1],
    ];
    (share > 0.0).then_some(place)
}

/// Text moved as far as it takes to lie within the frame.
fn label_inside(canvas: &mut Canvas, projector: &Projector, text: &str, at: [f32; 2], size: f32) {
    let [width, height] = projector.view().size().map(|side| side as f32);
    let room = [
        width - canvas.text_width(text, size) - 8.0,
        height - size - 8.0,
    ];
    let at = [at[0].min(room[0]).max(8.0), at[1].min(room[1]).max(8.0)];
    canvas.text(text, at, size, marks::ORANGE, true);
}
