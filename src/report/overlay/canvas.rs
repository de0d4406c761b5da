//! Drawing: lines with a dark rim, so that they show on bright and dark ground alike; text on a
//! dark plate.

use super::Picture;
use ab_glyph::{Font, FontRef, Glyph, PxScale, ScaleFont, point};
use tiny_skia::{
    Color, FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, PremultipliedColorU8,
    Rect, Stroke, StrokeDash, Transform,
};

/// Printable ASCII and a few signs; licence beside the file.
static FONT: &[u8] = include_bytes!("font/DejaVuSans-subset.ttf");

/// Red, green, blue. All marks are full in red and differ in lightness, shape and line style:
/// under a red lamp or a red screen filter only these count, and the colour-blind need no more.
pub type Colour = [u8; 3];

/// How a line is drawn.
#[derive(Debug, Clone, Copy)]
pub struct Pen {
    /// Colour of the line.
    pub colour: Colour,
    /// 0 (invisible) to 1 (opaque).
    pub opacity: f32,
    /// Width, picture pixels.
    pub width: f32,
    /// Lengths of dash and gap; `None`: solid.
    pub dash: Option<[f32; 2]>,
    /// With a dark rim.
    pub rim: bool,
}

/// The picture under the hand.
pub struct Canvas {
    pixmap: Pixmap,
    font: Option<FontRef<'static>>,
}

impl Canvas {
    /// A black picture; `None` for a size of 0 or one that no memory holds.
    pub fn new(width: u32, height: u32) -> Option<Canvas> {
        let mut pixmap = Pixmap::new(width, height)?;
        pixmap.fill(Color::BLACK);
        Some(Canvas {
            pixmap,
            font: FontRef::try_from_slice(FONT).ok(),
        })
    }

    /// Sets one pixel to a grey value; outside the picture nothing happens.
    pub fn set_grey(&mut self, x: u32, y: u32, grey: u8) {
        let index = y as usize * self.pixmap.width() as usize + x as usize;
        if x < self.pixmap.width()
            && let Some(pixel) = self.pixmap.pixels_mut().get_mut(index)
            && let Some(value) = PremultipliedColorU8::from_rgba(grey, grey, grey, 255)
        {
            *pixel = value;
        }
    }

    /// A line through the points.
    pub fn line(&mut self, points: &[[f32; 2]], pen: Pen) {
        let mut builder = PathBuilder::new();
        for (index, [x, y]) in points.iter().enumerate() {
            if index == 0 {
                builder.move_to(*x, *y);
            } else {
                builder.line_to(*x, *y);
            }
        }
        self.stroke(builder.finish(), pen);
    }

    /// A closed line through the points.
    pub fn outline(&mut self, points: &[[f32; 2]], pen: Pen) {
        let mut closed = points.to_vec();
        closed.extend(points.first());
        self.line(&closed, pen);
    }

    /// A circle.
    pub fn circle(&mut self, [x, y]: [f32; 2], radius: f32, pen: Pen) {
        self.stroke(PathBuilder::from_circle(x, y, radius), pen);
    }

    fn stroke(&mut self, path: Option<Path>, pen: Pen) {
        let Some(path) = path else {
            return;
        };
        let mut stroke = Stroke {
            width: pen.width,
            line_cap: LineCap::Round,
            line_join: LineJoin::Round,
            dash: pen.dash.and_then(|d| StrokeDash::new(d.to_vec(), 0.0)),
            ..Stroke::default()
        };
        if pen.rim {
            stroke.width = pen.width + 2.5;
            let dark = paint([0, 0, 0], 0.6 * pen.opacity);
            self.pixmap
                .stroke_path(&path, &dark, &stroke, Transform::identity(), None);
            stroke.width = pen.width;
        }
        let paint = paint(pen.colour, pen.opacity);
        self.pixmap
            .stroke_path(&path, &paint, &stroke, Transform::identity(), None);
    }

    /// A filled shape.
    pub fn fill(&mut self, points: &[[f32; 2]], colour: Colour) {
        let mut builder = PathBuilder::new();
        for (index, [x, y]) in points.iter().enumerate() {
            if index == 0 {
                builder.move_to(*x, *y);
            } else {
                builder.line_to(*x, *y);
            }
        }
        builder.close();
        if let Some(path) = builder.finish() {
            let paint = paint(colour, 1.0);
            let rule = FillRule::Winding;
            self.pixmap
                .fill_path(&path, &paint, rule, Transform::identity(), None);
        }
    }

    /// Width of `text` in a size (height of a line), picture pixels.
    pub fn text_width(&self, text: &str, size: f32) -> f32 {
        self.layout(text, size, [0.0, 0.0]).1
    }

    /// Text with its line's top left corner at `at`, on a dark plate if wanted.
    pub fn text(&mut self, text: &str, at: [f32; 2], size: f32, colour: Colour, plate: bool) {
        let (glyphs, width) = self.layout(text, size, at);
        if plate
            && let Some(rect) = Rect::from_xywh(at[0] - 3.0, at[1] - 1.0, width + 6.0, size + 2.0)
        {
            let dark = paint([0, 0, 0], 0.62);
            self.pixmap
                .fill_rect(rect, &dark, Transform::identity(), None);
        }
        let Some(font) = self.font.clone() else {
            return;
        };
        let (columns, rows) = (self.pixmap.width() as i32, self.pixmap.height() as i32);
        for outlined in glyphs
            .into_iter()
            .filter_map(|glyph| font.outline_glyph(glyph))
        {
            let corner = outlined.px_bounds().min;
            let pixels = self.pixmap.pixels_mut();
            outlined.draw(|dx, dy, coverage| {
                let (x, y) = (corner.x as i32 + dx as i32, corner.y as i32 + dy as i32);
                if (0..columns).contains(&x)
                    && (0..rows).contains(&y)
                    && let Some(pixel) = pixels.get_mut((y * columns + x) as usize)
                {
                    *pixel = blended(*pixel, colour, coverage.clamp(0.0, 1.0));
                }
            });
        }
    }

    fn layout(&self, text: &str, size: f32, at: [f32; 2]) -> (Vec<Glyph>, f32) {
        let Some(font) = &self.font else {
            return (Vec::new(), 0.0);
        };
        let scale = PxScale::from(size);
        let scaled = font.as_scaled(scale);
        let mut x = at[0];
        let glyphs = text
            .chars()
            .map(|character| {
                let id = font.glyph_id(character);
                let glyph = id.with_scale_and_position(scale, point(x, at[1] + scaled.ascent()));
                x += scaled.h_advance(id);
                glyph
            })
            .collect();
        (glyphs, x - at[0])
    }

    /// Width and height of the picture.
    pub fn size(&self) -> [u32; 2] {
        [self.pixmap.width(), self.pixmap.height()]
    }

    /// The finished picture.
    pub fn into_picture(self) -> Picture {
        let [width, height] = self.size();
        // The ground is opaque and stays so: nothing needs to be un-premultiplied.
        let pixels = self.pixmap.pixels().iter();
        Picture {
            width,
            height,
            rgb: pixels
                .flat_map(|p| [p.red(), p.green(), p.blue()])
                .collect(),
        }
    }
}

fn paint([red, green, blue]: Colour, opacity: f32) -> Paint<'static> {
    let mut paint = Paint::default();
    let alpha = (opacity.clamp(0.0, 1.0) * 255.0) as u8;
    paint.set_color_rgba8(red, green, blue, alpha);
    paint.anti_alias = true;
    paint
}

fn blended(ground: PremultipliedColorU8, ink: Colour, share: f32) -> PremultipliedColorU8 {
    let mix = |below: u8, above: u8| {
        (f32::from(below) * (1.0 - share) + f32::from(above) * share).round() as u8
    };
    let [red, green, blue] = ink;
    PremultipliedColorU8::from_rgba(
        mix(ground.red(), red),
        mix(ground.green(), green),
        mix(ground.blue(), blue),
        255,
    )
    .unwrap_or(ground)
}
