//! Small pictures of frames, stretched so that stars and clouds show.

use crate::frame::{Frame, Pixels};
use image::ExtendedColorType;
use image::codecs::jpeg::JpegEncoder;
use serde::{Deserialize, Serialize};

/// A small grey JPEG, the way up that viewers show the frame.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Thumbnail {
    /// Pixels across.
    pub width: u16,
    /// Pixels down.
    pub height: u16,
    /// The file's bytes, [`Thumbnail::MOST_BYTES`] at most.
    pub jpeg: Vec<u8>,
}

/// Longer side, pixels.
const SIDE: usize = 144;
/// Sky noise, in standard deviations of one pixel, from black to the sky and on to middle grey.
const BELOW_SKY: f64 = 3.0;
const SOFTENING: f64 = 6.0;
/// Peak that becomes white, in standard deviations above the sky.
const WHITE: f64 = 150.0;

impl Thumbnail {
    /// No picture takes more.
    pub const MOST_BYTES: usize = 6 * 1024;

    /// The picture of `frame`, whose sky has the level and noise stated; `None` for an empty frame
    /// or one that no encoder takes.
    pub fn of(frame: &Frame, sky_level: f64, sky_noise: f64) -> Option<Thumbnail> {
        let [w, h] = [frame.width, frame.height];
        let step = w.max(h).div_ceil(SIDE).max(1);
        let (across, down) = (w / step, h / step);
        if across == 0 || down == 0 {
            return None;
        }
        let noise = if sky_noise > 0.0 { sky_noise } else { 1.0 };
        let grey: Vec<u8> = (0..down)
            .flat_map(|y| (0..across).map(move |x| (x, y)))
            .map(|(x, y)| stretch((block(frame, x * step, y * step, step) - sky_level) / noise))
            .collect();
        let (across, down, grey) = upright(frame, across, down, grey);
        let (width, height) = (u16::try_from(across).ok()?, u16::try_from(down).ok()?);
        [70, 45, 20].into_iter().find_map(|quality| {
            let mut jpeg = Vec::new();
            JpegEncoder::new_with_quality(&mut jpeg, quality)
                .encode(&grey, width.into(), height.into(), ExtendedColorType::L8)
                .ok()?;
            (jpeg.len() <= Thumbnail::MOST_BYTES).then_some(Thumbnail {
                width,
                height,
                jpeg,
            })
        })
    }
}

/// Value of a block of pixels: between its mean, which shows clouds, and its highest, which shows
/// stars. Large blocks are sampled.
fn block(frame: &Frame, x0: usize, y0: usize, step: usize) -> f64 {
    let stride = step.div_ceil(6);
    let (mut sum, mut count, mut top) = (0.0, 0.0, f64::NEG_INFINITY);
    for y in (y0..y0 + step).step_by(stride) {
        for x in (x0..x0 + step).step_by(stride) {
            let value = value(frame, y * frame.width + x);
            if value.is_finite() {
                sum += value;
                count += 1.0;
                top = top.max(value);
            }
        }
    }
    if count == 0.0 {
        return 0.0;
    }
    let mean = sum / count;
    // The highest of n values of noise lies some two sigma above their mean: not taken for light.
    0.6 * mean + 0.4 * top
}

fn value(frame: &Frame, at: usize) -> f64 {
    match &frame.pixels {
        Pixels::U8(v) => v.get(at).map_or(f64::NAN, |v| f64::from(*v)),
        Pixels::U16(v) => v.get(at).map_or(f64::NAN, |v| f64::from(*v)),
        Pixels::F32(v) => v.get(at).map_or(f64::NAN, |v| f64::from(*v)),
    }
}

/// Inverse hyperbolic sine: linear near the sky, logarithmic for stars (Lupton et al. 2004).
fn stretch(sigmas: f64) -> u8 {
    let bent = |v: f64| (v / SOFTENING).asinh();
    let low = bent(-BELOW_SKY);
    let share = (bent(sigmas) - low) / (bent(WHITE) - low);
    (255.0 * share.clamp(0.0, 1.0)).round() as u8
}

/// Turns stored rows into what a viewer shows: first row on top or at the bottom, then the EXIF
/// orientation (EXIF 2.3, tag 0x0112).
fn upright(frame: &Frame, w: usize, h: usize, grey: Vec<u8>) -> (usize, usize, Vec<u8>) {
    let orientation = if frame.first_row_on_top {
        frame.orientation
    } else {
        4
    };
    let swapped = (5..=8).contains(&orientation);
    let (across, down) = if swapped { (h, w) } else { (w, h) };
    let source = |x: usize, y: usize| match orientation {
        2 => (w - 1 - x, y),
        3 => (w - 1 - x, h - 1 - y),
        4 => (x, h - 1 - y),
        5 => (y, x),
        6 => (y, h - 1 - x),
        7 => (w - 1 - y, h - 1 - x),
        8 => (w - 1 - y, x),
        _ => (x, y),
    };
    let turned = (0..down)
        .flat_map(|y| (0..across).map(move |x| (x, y)))
        .map(|(x, y)| {
            let (sx, sy) = source(x, y);
            grey[sy * w + sx]
        })
        .collect();
    (across, down, turned)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Clues;

    fn frame(width: usize, height: usize, on_top: bool, orientation: u8) -> Frame {
        let mut pixels = vec![1000_u16; width * height];
        // A bright corner at the first stored pixels.
        for y in 0..height / 4 {
            for x in 0..width / 4 {
                pixels[y * width + x] = 60_000;
            }
        }
        Frame {
            path: "a.fits".into(),
            width,
            height,
            pixels: Pixels::U16(pixels),
            mosaic_stated: None,
            first_row_on_top: on_top,
            orientation,
            nonlinear: false,
            clues: Clues::default(),
        }
    }

    fn bright_corner(thumbnail: &Thumbnail) -> [bool; 4] {
        let picture = image::load_from_memory(&thumbnail.jpeg).unwrap().to_luma8();
        let (w, h) = picture.dimensions();
        [(3, 3), (w - 4, 3), (3, h - 4), (w - 4, h - 4)]
            .map(|(x, y)| picture.get_pixel(x, y).0[0] > 200)
    }

    #[test]
    fn small_upright_and_within_its_bytes() {
        let fits = Thumbnail::of(&frame(800, 600, false, 1), 1000.0, 10.0).unwrap();
        assert!(
            fits.width <= 144 && fits.height <= 144 && fits.jpeg.len() <= Thumbnail::MOST_BYTES
        );
        assert_eq!(bright_corner(&fits), [false, false, true, false]);
        let raster = Thumbnail::of(&frame(800, 600, true, 1), 1000.0, 10.0).unwrap();
        assert_eq!(bright_corner(&raster), [true, false, false, false]);
        // Turned by 90 degrees clockwise for display: the first pixel comes to the upper right.
        let turned = Thumbnail::of(&frame(800, 600, true, 6), 1000.0, 10.0).unwrap();
        assert_eq!((turned.width, turned.height), (raster.height, raster.width));
        assert_eq!(bright_corner(&turned), [false, true, false, false]);
    }

    #[test]
    fn noise_and_odd_frames_do_no_harm() {
        let mut noisy = frame(4000, 3000, false, 1);
        if let Pixels::U16(pixels) = &mut noisy.pixels {
            for (i, p) in pixels.iter_mut().enumerate() {
                *p = (i as u32).wrapping_mul(2_654_435_761).rotate_left(9) as u16;
            }
        }
        if let Some(picture) = Thumbnail::of(&noisy, 1000.0, 5.0) {
            assert!(picture.jpeg.len() <= Thumbnail::MOST_BYTES);
        }
        assert!(Thumbnail::of(&frame(3, 2, true, 1), 0.0, 0.0).is_some());
        let mut empty = frame(0, 0, true, 1);
        empty.pixels = Pixels::F32(Vec::new());
        assert_eq!(Thumbnail::of(&empty, 0.0, 1.0), None);
    }
}
