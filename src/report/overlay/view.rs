//! From stored pixels to places in the picture: size, 'up', EXIF orientation.

use crate::frame::Frame;

/// Long side of the picture of a large and of a small frame, picture pixels. Large frames are
/// averaged down to what a screen shows; small ones are enlarged, so that marks find room.
const LONG_SIDE_AT_MOST: f64 = 2400.0;
const LONG_SIDE_AT_LEAST: f64 = 1200.0;
const ENLARGE_AT_MOST: f64 = 8.0;

/// How a frame is laid out in the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Size of the frame as stored.
    stored: [f64; 2],
    /// Size of the frame in the picture, before EXIF orientation.
    pub scaled: [u32; 2],
    first_row_on_top: bool,
    orientation: u8,
}

impl View {
    /// The layout for `frame`.
    pub fn new(frame: &Frame) -> View {
        let stored = [frame.width.max(1) as f64, frame.height.max(1) as f64];
        let long_side = stored[0].max(stored[1]);
        let scale = if long_side > LONG_SIDE_AT_MOST {
            LONG_SIDE_AT_MOST / long_side
        } else {
            (LONG_SIDE_AT_LEAST / long_side)
                .ceil()
                .clamp(1.0, ENLARGE_AT_MOST)
        };
        View {
            stored,
            scaled: stored.map(|side| (side * scale).round().max(1.0) as u32),
            first_row_on_top: frame.first_row_on_top,
            orientation: frame.orientation,
        }
    }

    /// Width and height of the frame in the picture.
    pub fn size(&self) -> [u32; 2] {
        let [width, height] = self.scaled;
        if self.orientation >= 5 && self.orientation <= 8 {
            [height, width]
        } else {
            [width, height]
        }
    }

    /// Place in the picture (origin at its top left corner) of a stored pixel (0-based, integer
    /// = pixel centre).
    pub fn place(&self, x_px: f64, y_px: f64) -> [f32; 2] {
        let [width, height] = self.scaled.map(f64::from);
        let x = (x_px + 0.5) * width / self.stored[0];
        let y = (y_px + 0.5) * height / self.stored[1];
        let y = if self.first_row_on_top { y } else { height - y };
        // The eight cases of EXIF 2.3, tag Orientation.
        let [x, y] = match self.orientation {
            2 => [width - x, y],
            3 => [width - x, height - y],
            4 => [x, height - y],
            5 => [y, x],
            6 => [height - y, x],
            7 => [height - y, width - x],
            8 => [y, width - x],
            _ => [x, y],
        };
        [x as f32, y as f32]
    }

    /// The picture pixel that shows pixel `column, row` of the frame resized to `scaled`.
    pub fn place_scaled(&self, column: u32, row: u32) -> [u32; 2] {
        let stored = [
            (f64::from(column) + 0.5) * self.stored[0] / f64::from(self.scaled[0]) - 0.5,
            (f64::from(row) + 0.5) * self.stored[1] / f64::from(self.scaled[1]) - 0.5,
        ];
        // Pixel centres lie at halves: flooring names the pixel.
        self.place(stored[0], stored[1])
            .map(|c| c.floor().max(0.0) as u32)
    }

    /// Picture pixels per stored pixel.
    pub fn scale(&self) -> f64 {
        f64::from(self.scaled[0]) / self.stored[0]
    }

    /// The place lies in the picture.
    pub fn holds(&self, place: [f32; 2]) -> bool {
        let [width, height] = self.size();
        (0.0..=width as f32).contains(&place[0]) && (0.0..=height as f32).contains(&place[1])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Clues, Pixels};

    fn view(first_row_on_top: bool, orientation: u8) -> View {
        View::new(&Frame {
            path: "frame".into(),
            width: 2000,
            height: 1500,
            pixels: Pixels::U8(Vec::new()),
            mosaic_stated: None,
            first_row_on_top,
            orientation,
            nonlinear: false,
            clues: Clues::default(),
        })
    }

    #[test]
    fn fits_shows_its_first_row_at_the_bottom() {
        assert_eq!(view(false, 1).place(0.0, 0.0), [0.5, 1499.5]);
        assert_eq!(view(true, 1).place(0.0, 0.0), [0.5, 0.5]);
    }

    /// Where the first stored pixel is displayed: EXIF 2.3, table of the Orientation tag.
    #[test]
    fn exif_orientations_put_the_first_pixel_in_the_right_corner() {
        let expected = [
            (1, [0.5, 0.5]),
            (2, [1999.5, 0.5]),
            (3, [1999.5, 1499.5]),
            (4, [0.5, 1499.5]),
            (5, [0.5, 0.5]),
            (6, [1499.5, 0.5]),
            (7, [1499.5, 1999.5]),
            (8, [0.5, 1999.5]),
        ];
        for (orientation, corner) in expected {
            assert_eq!(
                view(true, orientation).place(0.0, 0.0),
                corner,
                "{orientation}"
            );
        }
        assert_eq!(view(true, 6).size(), [1500, 2000]);
    }
}
