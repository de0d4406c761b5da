//! Finds the stars of a frame: background, matched filter, local maxima, centroids.
//! Knows nothing of the sky.

pub(crate) mod background;
mod candidates;
pub(crate) mod measure;
mod picture;
pub(crate) mod pixels;
mod points;
mod reading;
mod refuse;
mod run;
mod spread;
mod switches;
pub(crate) mod typical;

use crate::Deadline;
use crate::frame::{Frame, Pixels};
pub use background::{Background, SkyLevel};
use picture::SkyPart;
use pixels::{Image, Pixel};
pub use reading::{Reading, detect_again};
pub use refuse::{Refusal, Refused};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// One star image.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Detection {
    /// Centre along the fast axis, 0-based full-resolution pixels, integer = pixel centre.
    pub x_px: f64,
    /// Centre along the slow axis.
    pub y_px: f64,
    /// Expected centroid error per axis (1 sigma), pixels: the Cramér-Rao bound or what the
    /// data support.
    pub sigma_px: f64,
    /// Flux above the background, in the frame's own units.
    pub flux: f64,
    /// Flux divided by its noise.
    pub snr: f64,
    /// Full width at half maximum, pixels.
    pub fwhm_px: f64,
    /// Long axis over short axis, 1 for a round image.
    pub elongation: f64,
    /// Some pixel is saturated: the position is good, the flux a lower limit.
    pub saturated: bool,
}

/// What the detector found.
#[derive(Debug, Clone, Default)]
pub struct Detections {
    /// Ordered by brightness, but spread over the frame: the first N are what a search with N
    /// stars should use.
    pub stars: Vec<Detection>,
    /// Maxima that are not stars, and why.
    pub refused: Vec<Refused>,
    /// Pixels along x and y of the frame they were found in.
    pub width: usize,
    /// See `width`.
    pub height: usize,
    /// Typical full width at half maximum, pixels.
    pub fwhm_px: f64,
    /// Median sky level and its noise per pixel, in the frame's own units.
    pub sky_level: f64,
    /// See `sky_level`.
    pub sky_noise: f64,
    /// Sky level all over the frame; `None` where nothing was looked at.
    pub sky: Option<SkyLevel>,
    /// How finely the background was drawn.
    pub background: Background,
    /// The frame is a colour mosaic, by keyword or by its pixels.
    pub mosaic: bool,
    /// From this value on a pixel is saturated, in the frame's own units; `None`: nothing is.
    pub saturation_level: Option<f64>,
    /// Width and height of the part in the middle of the frame that all lie in, pixels; `None`: they
    /// may lie anywhere.
    pub part: Option<[usize; 2]>,
}

impl Detections {
    /// Nothing, in a frame of this size.
    fn none(width: usize, height: usize) -> Detections {
        Detections {
            width,
            height,
            ..Detections::default()
        }
    }

    /// How many places were refused for each reason there was.
    pub fn refusals(&self) -> BTreeMap<Refusal, usize> {
        let mut counts = BTreeMap::new();
        for refused in &self.refused {
            *counts.entry(refused.why).or_default() += 1;
        }
        counts
    }

    /// Those in the middle of the frame, half as wide and half as high.
    fn middle(&self) -> Detections {
        // As even or odd as the frame, so that the two have the same middle.
        let part = [self.width, self.height].map(|side| side / 2 - (side - side / 2) % 2);
        let inside = |v: f64, side: usize, part: usize| {
            (v - (side as f64 - 1.0) / 2.0).abs() < part as f64 / 2.0
        };
        let mut out = self.clone();
        out.stars.retain(|s| {
            inside(s.x_px, self.width, part[0]) && inside(s.y_px, self.height, part[1])
        });
        out.part = Some(part);
        out
    }

    /// As if the part that all lie in were the frame: what a search compares with the sky.
    pub(crate) fn as_a_frame(&self) -> Cow<'_, Detections> {
        let Some([width, height]) = self.part else {
            return Cow::Borrowed(self);
        };
        let offset = [self.width - width, self.height - height].map(|rest| -((rest / 2) as f64));
        let mut out = self.clone().placed(1, offset, [width, height]);
        out.part = None;
        Cow::Owned(out)
    }

    /// What was found in blocks of `block_px` pixels a side, as found in a frame of `size` pixels
    /// in which the first block begins at `offset`.
    fn placed(mut self, block_px: usize, offset: [f64; 2], size: [usize; 2]) -> Detections {
        let scale = block_px as f64;
        let place = |x: &mut f64, y: &mut f64| {
            *x = (*x + 0.5) * scale - 0.5 + offset[0];
            *y = (*y + 0.5) * scale - 0.5 + offset[1];
        };
        for star in &mut self.stars {
            place(&mut star.x_px, &mut star.y_px);
            star.sigma_px *= scale;
            star.fwhm_px *= scale;
            star.flux *= scale * scale;
        }
        for refused in &mut self.refused {
            place(&mut refused.x_px, &mut refused.y_px);
        }
        self.fwhm_px *= scale;
        // White noise: a single pixel has more of it than the mean of a block.
        self.sky_noise *= scale;
        self.sky = self.sky.map(|sky| sky.placed(scale, offset));
        [self.width, self.height] = size;
        self
    }
}

/// Finds the stars of `frame`. A frame without stars, or with pixels that do not fill its
/// width and height, gives an empty list.
pub fn detect(frame: &Frame) -> Detections {
    // Without a deadline nothing is given up.
    detect_as(frame, Reading::AsItLooks, Deadline::NONE).unwrap_or_default()
}

/// The same with the frame read in one of the ways there are. `None` where `deadline` passed before
/// it was done: that is looked at between passes over the frame.
pub fn detect_as(frame: &Frame, reading: Reading, deadline: Deadline) -> Option<Detections> {
    if let Reading::Coarse(block_px) = reading {
        return reading::detect_coarse(frame, block_px, deadline);
    }
    if reading == Reading::WithoutPoints {
        return reading::detect_without_points(frame, deadline);
    }
    match &frame.pixels {
        Pixels::U8(data) => detect_in(frame, data, reading, deadline),
        Pixels::U16(data) => detect_in(frame, data, reading, deadline),
        Pixels::F32(data) => detect_in(frame, data, reading, deadline),
    }
}

fn detect_in<P: Pixel>(
    frame: &Frame,
    data: &[P],
    reading: Reading,
    deadline: Deadline,
) -> Option<Detections> {
    if data.len() != frame.width * frame.height {
        return Some(Detections::none(frame.width, frame.height));
    }
    let image = Image::new(data, frame.width, frame.height);
    if reading == Reading::OutOfFocus {
        let plane = background::narrow::smooth(&image);
        return detect_in_sky(frame, &plane.image(), reading, deadline);
    }
    detect_in_sky(frame, &image, reading, deadline)
}

/// Looks at the sky in a picture of a screen only: nothing of what is around it may tell of it.
fn detect_in_sky<P: Pixel>(
    frame: &Frame,
    image: &Image<'_, P>,
    reading: Reading,
    deadline: Deadline,
) -> Option<Detections> {
    let part = frame.nonlinear.then(|| SkyPart::of(image)).flatten();
    let Some(part) = part else {
        return run::run(frame, image, reading, deadline);
    };
    let (sky, [width, height]) = (part.cut(image), part.size());
    let sky = Image::new(&sky, width, height);
    let found = run::run(frame, &sky, reading, deadline)?;
    Some(found.placed(1, part.offset(), [frame.width, frame.height]))
}
