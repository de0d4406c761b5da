//! From sky directions to places in the picture.

use super::view::View;
use crate::fit::Solution;
use crate::wcs::Wcs;

/// Projects sky directions into the picture, and knows where not to believe the projection.
pub struct Projector<'a> {
    wcs: &'a Wcs,
    /// The same without distortion: a polynomial fitted inside the frame may fold anything far
    /// outside back into it, and the undistorted place tells.
    undistorted: Wcs,
    view: View,
    /// First stored pixel that is believed, FITS convention, and the last.
    believed: [[f64; 2]; 2],
}

impl<'a> Projector<'a> {
    /// For a solution, the frame's size as stored, and its layout.
    pub fn new(solution: &'a Solution, stored: [usize; 2], view: View) -> Projector<'a> {
        /// Share of the frame's size around it where places are still computed.
        const MARGIN: f64 = 0.4;
        let [width, height] = stored.map(|side| side as f64);
        let wcs = &solution.wcs;
        Projector {
            wcs,
            undistorted: Wcs {
                sip: None,
                ..wcs.clone()
            },
            view,
            believed: [
                [-MARGIN * width, -MARGIN * height],
                [(1.0 + MARGIN) * width, (1.0 + MARGIN) * height],
            ],
        }
    }

    /// Place of an ICRS unit vector; `None` far outside the frame and behind the camera.
    pub fn place(&self, direction: [f64; 3]) -> Option<[f32; 2]> {
        let rough = self.undistorted.vector_to_pixel(direction)?;
        let [first, last] = self.believed;
        let believed = (0..2).all(|i| rough[i] >= first[i] && rough[i] <= last[i]);
        let [x, y] = self.wcs.vector_to_pixel(direction).filter(|_| believed)?;
        // FITS counts from 1.
        let place = self.view.place(x - 1.0, y - 1.0);
        place.iter().all(|c| c.is_finite()).then_some(place)
    }

    /// The layout.
    pub fn view(&self) -> &View {
        &self.view
    }

    /// RA and Dec seen by a stored pixel, FITS convention, degrees.
    pub fn sky(&self, x: f64, y: f64) -> [f64; 2] {
        self.wcs.pixel_to_sky(x, y)
    }
}
