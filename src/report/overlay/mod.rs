//! The overlay picture: the stretched frame with what was found drawn over it.
//!
//! Detections, matched catalogue stars, a labelled grid, the centre, and the commanded position
//! with the move that mends the pointing error, the target and the border of an earlier frame; below the frame a panel with the verdict, a
//! legend, a scale bar and the directions of north and east. An unsolved frame shows its
//! detections: often that tells why.

pub(super) mod canvas;
mod grid;
mod guide;
mod labels;
pub(super) mod marks;
mod objects;
mod panel;
mod pointing;
mod project;
pub mod refusals;
mod stretch;
mod view;

use super::Record;
use super::atomic::write_atomically;
use crate::detect::Detections;
use crate::frame::Frame;
use crate::mount::CommandedPosition;
use crate::solve::Outcome;
use crate::sphere::sky_to_vector;
use canvas::{Canvas, Pen};
use image::{ExtendedColorType, ImageEncoder};
use pointing::draw_pointing;
use project::Projector;
use std::io::{self, BufWriter, Write};
use std::path::Path;
use view::View;

/// Most marks of a kind: more would hide the frame. The brightest are drawn.
const MARKS_AT_MOST: usize = 1_500;

/// Everything the picture shows.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'a> {
    /// The exposure.
    pub frame: &'a Frame,
    /// Its stars and its solution, if there is one.
    pub outcome: &'a Outcome,
    /// Where the mount was told to point.
    pub commanded: Option<&'a CommandedPosition>,
    /// The result as reported: its words go into the panel.
    pub record: &'a Record,
}

/// A finished picture.
#[derive(Debug, Clone)]
pub struct Picture {
    /// Pixels along x and y.
    pub width: u32,
    /// See `width`.
    pub height: u32,
    /// Red, green, blue, row by row from the top.
    pub rgb: Vec<u8>,
}

/// Draws `scene`; `None` where no picture of that shape can be had.
pub fn draw(scene: &Scene) -> Option<Picture> {
    let view = View::new(scene.frame);
    let [width, height] = view.size();
    let unit = unit_of([width, height]);
    let panel = panel::Panel::new([width, height], unit, scene);
    let mut canvas = Canvas::new(panel.width, height.checked_add(panel.height)?)?;
    let detections = &scene.outcome.detections;
    stretch::draw(&mut canvas, scene.frame, detections.mosaic, &view);
    if let Some(solution) = &scene.outcome.solution {
        let stored = [scene.frame.width, scene.frame.height];
        let projector = Projector::new(solution, stored, view);
        let field_deg = solution.field_deg[0].max(solution.field_deg[1]);
        let mut room = labels::Room::new([width, height]);
        if let Some(centre) = projector.place(sky_to_vector(
            solution.centre_ra_deg,
            solution.centre_dec_deg,
        )) {
            room.keep_free(centre, 30.0 * unit);
        }
        draw_grid(&mut canvas, &projector, stored, field_deg, &mut room, unit);
        draw_detections(&mut canvas, detections, &view, unit);
        draw_part(&mut canvas, scene, &view, unit);
        draw_matched(&mut canvas, scene, &projector, unit);
        objects::draw(&mut canvas, scene, &projector, &mut room, unit);
        draw_pointing(&mut canvas, scene, &projector, unit);
        guide::draw(&mut canvas, scene.record, &projector, unit);
        panel.draw(&mut canvas, scene, Some(&projector));
    } else {
        draw_detections(&mut canvas, detections, &view, unit);
        panel.draw(&mut canvas, scene, None);
    }
    Some(canvas.into_picture())
}

/// Length unit of marks and text on a picture of this size: 1 on one of 1000 pixels.
fn unit_of([width, height]: [u32; 2]) -> f32 {
    (width.min(height) as f32 / 1000.0).clamp(0.85, 1.8)
}

/// Writes a picture into the file at `path`: JPEG if its name ends so, else PNG.
///
/// # Errors
///
/// The file cannot be written, or the frame has a shape of which no picture could be made. An old
/// file is untouched then.
pub fn write(path: &Path, picture: Option<Picture>) -> io::Result<()> {
    let picture = picture
        .ok_or_else(|| io::Error::other("no picture can be made of a frame of this shape"))?;
    let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    let jpeg = matches!(extension.as_deref(), Some("jpg" | "jpeg"));
    write_atomically(path, |file| {
        let mut out = BufWriter::new(file);
        let (rgb, width, height) = (&picture.rgb, picture.width, picture.height);
        let written = if jpeg {
            const QUALITY: u8 = 90;
            image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, QUALITY).write_image(
                rgb,
                width,
                height,
                ExtendedColorType::Rgb8,
            )
        } else {
            image::codecs::png::PngEncoder::new(&mut out).write_image(
                rgb,
                width,
                height,
                ExtendedColorType::Rgb8,
            )
        };
        written.map_err(io::Error::other)?;
        out.flush()
    })
}

fn draw_grid(
    canvas: &mut Canvas,
    projector: &Projector,
    stored: [usize; 2],
    field_deg: f64,
    room: &mut labels::Room,
    unit: f32,
) {
    let lines = grid::grid(projector, stored, field_deg);
    // Solid meridians, dashed parallels: told apart without reading a label.
    for line in &lines {
        let pen = Pen {
            colour: marks::GRID,
            opacity: 0.6,
            width: 1.1 * unit,
            dash: (!line.meridian).then_some([9.0 * unit, 5.0 * unit]),
            rim: false,
        };
        for piece in &line.pieces {
            canvas.line(piece, pen);
        }
    }
    let size = 17.0 * unit;
    let placed = labels::place_labels(&lines, room, size, |text| canvas.text_width(text, size));
    for label in placed {
        canvas.text(&label.text, label.at, size, marks::GRID, true);
    }
}

fn draw_detections(canvas: &mut Canvas, detections: &Detections, view: &View, unit: f32) {
    let stars = &detections.stars;
    let shrink = crowding(stars.len());
    for star in stars.iter().take(MARKS_AT_MOST) {
        let place = view.place(star.x_px, star.y_px);
        let image_px = (star.fwhm_px.clamp(0.0, 50.0) * view.scale()) as f32;
        if view.holds(place) {
            marks::detection(
                canvas,
                place,
                (image_px + 4.0 * unit) * shrink,
                unit * shrink,
            );
        }
    }
}

/// The part that the matched stars fill, where it is not the whole frame.
fn draw_part(canvas: &mut Canvas, scene: &Scene, view: &View, unit: f32) {
    let Some([left, right, low, high]) = scene.record.matched_part_px else {
        return;
    };
    let corners = [[left, low], [right, low], [right, high], [left, high]];
    let corners = corners.map(|[x, y]| view.place(x - 1.0, y - 1.0));
    marks::part(canvas, corners, unit);
}

fn draw_matched(canvas: &mut Canvas, scene: &Scene, projector: &Projector, unit: f32) {
    let Some(solution) = &scene.outcome.solution else {
        return;
    };
    let mut stars: Vec<_> = solution.matched.iter().collect();
    stars.sort_by(|a, b| a.mag.total_cmp(&b.mag));
    let shrink = crowding(stars.len());
    for star in stars.into_iter().take(MARKS_AT_MOST) {
        if let Some(place) = projector.place(sky_to_vector(star.ra_deg, star.dec_deg)) {
            // Brighter stars wear a larger mark: 20 at magnitude 4, 12 at 11.
            let size = (24.5 - 1.14 * star.mag.clamp(2.0, 12.0)) as f32;
            marks::matched_star(canvas, place, size * unit * shrink, unit * shrink);
        }
    }
}

/// Marks of a crowd are smaller.
fn crowding(count: usize) -> f32 {
    match count {
        0..=250 => 1.0,
        251..=600 => 0.8,
        _ => 0.6,
    }
}
