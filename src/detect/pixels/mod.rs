//! The pixels of a frame: as stored, in blocks, and what they are.

mod image;
pub(super) mod mosaic;
mod plane;

pub(crate) use image::{Image, Pixel};
pub(crate) use plane::{Blocks, Plane};

/// Frames with more pixels than this are searched in 2 x 2 blocks.
pub(super) const LARGE: usize = 4_200_000;

/// A frame as detection sees it.
pub(crate) struct View<'a, P> {
    /// Its pixels.
    pub image: &'a Image<'a, P>,
    /// Behind the pixels lies a colour mosaic.
    pub mosaic: bool,
    /// From this value on a pixel is saturated; infinite where none is.
    pub saturation: f32,
    /// A picture: its tones follow a curve, and something may be drawn over it.
    pub picture: bool,
    /// Stars are narrower than a pixel: single bright ones are stars, and nothing is too sharp.
    pub single_pixels: bool,
}

impl<P> View<'_, P> {
    /// Pixels along x and y.
    pub fn size_px(&self) -> (usize, usize) {
        (self.image.width, self.image.height)
    }
}
