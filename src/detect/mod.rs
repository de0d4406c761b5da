//! Finds the stars of a frame: background, matched filter, local maxima, centroids.
//! Knows nothing of the sky.

mod banding;
mod convolve;
mod drifted;
mod faults;
mod filter;
mod first_look;
mod lines;
mod measure;
mod merge;
mod mesh;
mod moments;
mod mosaic;
mod objects;
mod order;
mod panels;
mod plane;
mod points;
mod psf;
mod refine;
mod run;
mod saturated;
mod shapes;
mod spikes;
mod stamp;
mod survey;
mod window;

use crate::Deadline;
use crate::frame::{Frame, Pixels};
pub use first_look::Grain;
pub use objects::Object;
use plane::{Image, Pixel};
pub use shapes::StarShape;
pub use survey::{LightMap, Look, Survey, survey};
use window::Window;

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
    /// How fine the background was drawn.
    pub grain: Grain,
    /// The frame is a colour mosaic, by keyword or by its pixels.
    pub mosaic: bool,
    /// From this value on a pixel is saturated, in the frame's own units; `None`: nothing is.
    pub saturation_level: Option<f64>,
    /// Shapes of well-exposed single stars from all over the frame.
    pub shapes: Vec<StarShape>,
}

impl Detections {
    /// The same without what lies on straight lines, where more does than chance explains: lights
    /// of aircraft and pieces of trails. `None` where there is no such line.
    pub fn off_lines(&self) -> Option<Detections> {
        let stars = lines::off_lines(&self.stars, [self.width, self.height])?;
        Some(Detections {
            stars,
            ..self.clone()
        })
    }

    /// What was found in a part of a frame of `size` pixels that begins `offset` pixels from its
    /// first one, as found in the frame.
    fn moved(mut self, offset: (usize, usize), size: (usize, usize)) -> Detections {
        let (dx, dy) = (offset.0 as f64, offset.1 as f64);
        for star in &mut self.stars {
            star.x_px += dx;
            star.y_px += dy;
        }
        for shape in &mut self.shapes {
            shape.x_px += dx;
            shape.y_px += dy;
        }
        (self.width, self.height) = size;
        self
    }
}

/// Finds the stars of `frame`. A frame without stars, or with pixels that do not fill its
/// width and height, gives an empty list.
pub fn detect(frame: &Frame) -> Detections {
    // Without a deadline nothing is given up.
    detect_by(frame, Assumed::default(), Deadline::NONE).unwrap_or_default()
}

/// The same with what the caller assumes, whatever the frame looks like. `None` where `deadline`
/// passed before it was done: that is looked at between passes over the frame.
pub fn detect_by(frame: &Frame, assumed: Assumed, deadline: Deadline) -> Option<Detections> {
    match &frame.pixels {
        Pixels::U8(data) => run_over(frame, data, assumed, deadline),
        Pixels::U16(data) => run_over(frame, data, assumed, deadline),
        Pixels::F32(data) => run_over(frame, data, assumed, deadline),
    }
}

/// What is assumed of a frame instead of being read off it.
#[derive(Debug, Clone, Copy, Default)]
pub struct Assumed {
    /// How fine the background is to be drawn.
    pub grain: Option<Grain>,
    /// Stars are narrower than a pixel, as in frames binned far: single bright pixels are stars
    /// and not hot.
    pub single_pixels: bool,
    /// Stars are wide, out of focus: what is narrow is none, and the background is drawn as fine as
    /// their width allows.
    pub wide: bool,
}

fn run_over<P: Pixel>(
    frame: &Frame,
    data: &[P],
    assumed: Assumed,
    deadline: Deadline,
) -> Option<Detections> {
    let image = Image {
        data,
        width: frame.width,
        height: frame.height,
    };
    if assumed.wide && data.len() == frame.width * frame.height {
        let plane = points::smooth(&image);
        let smooth = Image {
            data: &plane.data[..],
            width: image.width,
            height: image.height,
        };
        return run_in_window(frame, &smooth, assumed, deadline);
    }
    run_in_window(frame, &image, assumed, deadline)
}

/// Looks at the sky in a picture of a screen only.
fn run_in_window<P: Pixel>(
    frame: &Frame,
    image: &Image<'_, P>,
    assumed: Assumed,
    deadline: Deadline,
) -> Option<Detections> {
    let window = frame.nonlinear.then(|| Window::of(image));
    let Some(window) = window.filter(|window| *window != Window::whole(image)) else {
        return run::run(frame, image, assumed, deadline);
    };
    // Nothing of what is around the sky may tell of it.
    let sky = window.cut(image);
    let (width, height) = window.size();
    let sky = Image {
        data: &sky,
        width,
        height,
    };
    let found = run::run(frame, &sky, assumed, deadline)?;
    Some(found.moved(window.offset(), (frame.width, frame.height)))
}
