//! The sky between the stars: its level and its noise, drawn on a mesh.

mod clip;
mod mesh;
pub(crate) mod narrow;
mod rough;
mod sample;
mod smooth;

use super::pixels::{Image, LARGE, Pixel, Plane, View};
use crate::robust::median;
pub(crate) use clip::clipped;
pub(crate) use mesh::Mesh;
pub(super) use sample::sample_cell;
pub(super) use smooth::median3;
pub(crate) use smooth::neighbours;

/// How finely the background of a frame is drawn.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Background {
    /// For a sky that changes slowly.
    #[default]
    Plain,
    /// For stars on a nebula, whose hills and valleys would pass for wide stars.
    Fine,
}

/// Cell of the plain background, frame pixels; large frames get larger ones, and so do wide stars.
const CELL_PX: f64 = 64.0;
const LARGE_CELL_PX: f64 = 96.0;
/// Widths of a star (FWHM) in a cell of the plain background: one that shows three widths
/// across takes 4 % of it.
pub(super) const CELL_WIDTHS: f64 = 14.0;
/// The same for stars out of focus, which have no wings: a disc takes 6 % of it.
pub(super) const WIDE_CELL_WIDTHS: f64 = 3.5;
/// Cell of the fine background: just wide enough to leave a star alone, which three widths
/// across takes 28 % of it, and clipping goes by the lower half.
const FINE_CELL_PX: f64 = 16.0;
const FINE_CELL_WIDTHS: f64 = 5.0;
/// Blocks along the side of the smallest cell: 64 blocks know the level to an eighth of their noise.
const LEAST_BLOCKS: f64 = 8.0;
/// The sky is rough where it is in more than this share of the cells: crowds of stars and the
/// grain of a photographic plate reach 0.34 on real frames, nebulae begin there. Where it is wrong
/// a further reading helps.
const ROUGH_SHARE: f64 = 0.36;

impl Background {
    /// The other one.
    pub fn other(self) -> Background {
        match self {
            Background::Plain => Background::Fine,
            Background::Fine => Background::Plain,
        }
    }

    /// The one that suits the sky of `plane`, whose plain background is `mesh`.
    pub(super) fn suits(mesh: &Mesh, plane: &Plane, saturation: f32) -> Background {
        let square = (FINE_CELL_PX / plane.bin as f64).max(LEAST_BLOCKS) as usize;
        match rough::is_rough(mesh, plane, square, saturation, ROUGH_SHARE) {
            true => Background::Fine,
            false => Background::Plain,
        }
    }

    /// Side of a cell, frame pixels, for stars of `fwhm_px`; of the plain background at least that
    /// many `widths` of them.
    pub(super) fn cell_px<P>(self, image: &Image<'_, P>, fwhm_px: f64, widths: f64) -> f64 {
        let least = if image.data.len() > LARGE {
            LARGE_CELL_PX
        } else {
            CELL_PX
        };
        match self {
            Background::Plain => least.max(widths * fwhm_px),
            Background::Fine => FINE_CELL_PX.max(FINE_CELL_WIDTHS * fwhm_px).min(least),
        }
    }
}

/// The background of `plane`, made of pixels of type `P`, in cells of `cell_px` frame pixels.
pub(super) fn draw<P: Pixel>(plane: &Plane, cell_px: f64, saturation: f32) -> Mesh {
    let cell = (cell_px / plane.bin as f64).round();
    let cell = cell.max(LEAST_BLOCKS) as usize;
    Mesh::measure_slopes(plane, cell, saturation, least_noise::<P>(plane.bin))
}

/// Least noise that makes sense in blocks of `bin` pixels: rounding to whole numbers alone makes
/// one of 1 / sqrt 12 per pixel.
pub(crate) fn least_noise<P: Pixel>(bin: usize) -> f32 {
    (0.3 * P::STEP / bin as f32).max(f32::MIN_POSITIVE.sqrt())
}

/// Sky level at frame positions.
#[derive(Debug, Clone)]
pub struct SkyLevel {
    mesh: Mesh,
    bin: f64,
    /// Where the mesh begins, frame pixels.
    offset: [f64; 2],
}

impl SkyLevel {
    /// From a mesh in blocks of `bin` x `bin` frame pixels.
    pub(super) fn new(mesh: Mesh, bin: usize) -> SkyLevel {
        SkyLevel {
            mesh,
            bin: bin as f64,
            offset: [0.0; 2],
        }
    }

    /// The same for a frame whose part from `offset` on is `scale` times as wide and high as what it
    /// was measured on.
    pub(super) fn placed(mut self, scale: f64, offset: [f64; 2]) -> SkyLevel {
        self.bin *= scale;
        self.offset = [0, 1].map(|axis| self.offset[axis] * scale + offset[axis]);
        self
    }

    /// What it is drawn on.
    pub(super) fn mesh(&self) -> &Mesh {
        &self.mesh
    }

    /// Median level, and noise of a pixel, the frame's own units.
    pub(super) fn typical(&self) -> (f64, f64) {
        let middle = |cells: &[f32]| median(cells.iter().copied()).unwrap_or(0.0);
        (
            middle(&self.mesh.level),
            middle(&self.mesh.noise) * self.bin,
        )
    }

    /// The mesh, taken out.
    pub(super) fn into_mesh(self) -> Mesh {
        self.mesh
    }

    /// Level at a frame position, the frame's own units.
    pub(crate) fn level(&self, x: f64, y: f64) -> f32 {
        let to_plane = |v: f64, offset: f64| (v - offset + 0.5) / self.bin - 0.5;
        let [dx, dy] = self.offset;
        self.mesh.level_at(to_plane(x, dx), to_plane(y, dy))
    }

    /// Change of the level per pixel along x and y, over `reach` pixels to either side.
    pub(super) fn slope(&self, x: f64, y: f64, reach: f64) -> [f32; 2] {
        let per_px = 1.0 / (2.0 * reach as f32);
        [
            (self.level(x + reach, y) - self.level(x - reach, y)) * per_px,
            (self.level(x, y + reach) - self.level(x, y - reach)) * per_px,
        ]
    }
}

/// A frame and the sky between its stars.
pub(crate) struct Scene<'a, P> {
    /// The frame.
    pub view: &'a View<'a, P>,
    /// Its background.
    pub sky: &'a SkyLevel,
}
