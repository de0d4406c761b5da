//! What the bright stars of a frame tell, before it is searched: how wide they are, and how fine
//! the background has to be drawn.

use super::Assumed;
use super::filter::{self, Candidate, Terms};
use super::measure::FWHM_PER_SIGMA;
use super::mesh::Mesh;
use super::mosaic;
use super::plane::{Image, Pixel, Plane};
use super::psf::{self, Eye, Psf};
use super::run::LARGE;
use super::stamp::Sky;

/// Background cell, frame pixels; wider stars get wider cells, and so do large frames.
const CELL_PX: f64 = 64.0;
const LARGE_CELL_PX: f64 = 96.0;
const CELL_WIDTHS: f64 = 14.0;
/// The same where the sky is rough: just wide enough to leave a star alone.
const FINE_CELL_PX: f64 = 16.0;
const FINE_CELL_WIDTHS: f64 = 5.0;
/// The same for stars out of focus, which have no wings.
const WIDE_CELL_WIDTHS: f64 = 3.5;
/// Blocks along the side of the smallest cell.
const LEAST_BLOCKS: f64 = 8.0;
/// The sky is rough where it is in more than this share of the cells: crowds of stars and the
/// grain of a photographic plate reach 0.34 on real frames, nebulae begin there. Where it is wrong
/// a second look helps.
const ROUGH_SHARE: f64 = 0.36;

/// What the bright stars tell.
pub(super) struct FirstLook {
    /// The typical star.
    pub psf: Psf,
    /// The frame is a colour mosaic.
    pub mosaic: bool,
    grain: Grain,
    /// Side of a cell of the plain background, widths of a star.
    widths: f64,
    mesh: Option<Mesh>,
}

/// How fine the background of a frame is drawn.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Grain {
    /// For a sky that changes slowly.
    #[default]
    Plain,
    /// For stars on a nebula, whose hills and valleys would pass for wide stars.
    Fine,
}

impl Grain {
    /// The other one.
    pub fn other(self) -> Grain {
        match self {
            Grain::Plain => Grain::Fine,
            Grain::Fine => Grain::Plain,
        }
    }
}

impl FirstLook {
    /// Looks at the frame in coarse blocks, where bright stars stand out whatever their width.
    /// The sky says how fine its background is drawn, unless the caller does.
    pub fn at<P: Pixel>(
        image: &Image<'_, P>,
        coarse: &Plane,
        mosaic: bool,
        saturation: f32,
        picture: bool,
        assumed: Assumed,
    ) -> FirstLook {
        let widths = if assumed.wide {
            WIDE_CELL_WIDTHS
        } else {
            CELL_WIDTHS
        };
        if coarse.width < 8 || coarse.height < 8 {
            return FirstLook {
                psf: Psf {
                    sigma_px: coarse.bin as f64,
                    elongation: 1.0,
                },
                mosaic,
                grain: Grain::Plain,
                widths,
                mesh: None,
            };
        }
        let mesh = mesh_for(image, coarse, Grain::Plain, saturation);
        let grain = assumed.grain.unwrap_or_else(|| {
            let square = (FINE_CELL_PX / coarse.bin as f64).max(LEAST_BLOCKS) as usize;
            let rough = mesh.rough_share(coarse, square, saturation) > ROUGH_SHARE;
            if rough { Grain::Fine } else { Grain::Plain }
        });
        // Widths and the mosaic, by the candidates on that background.
        let through = |mesh: &Mesh, width: fn(&Eye<'_, P>, &[Candidate]) -> Option<Psf>| {
            let terms = Terms {
                saturation,
                psf_known: false,
                single_pixels: false,
                picture,
            };
            let candidates = filter::candidates(&coarse.blocks(), mesh, 1.0, &terms);
            let eye = Eye {
                image,
                sky: Sky::new(mesh, coarse.bin),
                mosaic,
                saturation,
            };
            let psf = width(&eye, &candidates)?;
            Some((
                psf,
                mosaic || mosaic::seen_in_stars(image, &eye.sky, saturation, &candidates),
            ))
        };
        if grain == Grain::Fine {
            let fine = mesh_for(image, coarse, Grain::Fine, saturation);
            // Stars out of focus are no narrow images, and all that is left is what is common.
            let seen = through(&fine, psf::estimate_lone);
            if let Some((psf, mosaic)) = seen.or_else(|| through(&fine, psf::estimate)) {
                return FirstLook {
                    psf,
                    mosaic,
                    grain: Grain::Fine,
                    widths,
                    mesh: Some(fine),
                };
            }
        }
        let (psf, mosaic) = through(&mesh, psf::estimate).unwrap_or((Psf::GUESS, mosaic));
        FirstLook {
            psf,
            mosaic,
            grain: Grain::Plain,
            widths,
            mesh: Some(mesh),
        }
    }

    /// How fine the background is drawn.
    pub fn grain(&self) -> Grain {
        self.grain
    }

    /// The background mesh in coarse blocks that suits the stars.
    pub fn into_mesh<P: Pixel>(
        self,
        image: &Image<'_, P>,
        coarse: &Plane,
        saturation: f32,
    ) -> Mesh {
        let cell = |psf: &Psf| cell_px(image, psf, self.grain, self.widths);
        match self.mesh {
            Some(mesh) if cell(&self.psf) <= cell(&Psf::GUESS) => mesh,
            _ => mesh_of(coarse, cell(&self.psf), floor::<P>(coarse), saturation),
        }
    }
}

/// Side of a background cell, frame pixels; of the plain background at least so many `widths` of a
/// star.
fn cell_px<P>(image: &Image<'_, P>, psf: &Psf, grain: Grain, widths: f64) -> f64 {
    let fwhm = FWHM_PER_SIGMA * psf.sigma_px;
    let least = if image.data.len() > LARGE {
        LARGE_CELL_PX
    } else {
        CELL_PX
    };
    match grain {
        Grain::Plain => least.max(widths * fwhm),
        Grain::Fine => FINE_CELL_PX.max(FINE_CELL_WIDTHS * fwhm).min(least),
    }
}

/// Least noise that makes sense: rounding to whole numbers alone makes one of 1 / sqrt 12 per pixel.
fn floor<P: Pixel>(plane: &Plane) -> f32 {
    if P::STEP > 0.0 {
        0.3 * P::STEP / plane.bin as f32
    } else {
        f32::MIN_POSITIVE.sqrt()
    }
}

/// The background before stars are known.
fn mesh_for<P: Pixel>(image: &Image<'_, P>, plane: &Plane, grain: Grain, saturation: f32) -> Mesh {
    let cell = cell_px(image, &Psf::GUESS, grain, CELL_WIDTHS);
    mesh_of(plane, cell, floor::<P>(plane), saturation)
}

fn mesh_of(plane: &Plane, cell_px: f64, floor: f32, saturation: f32) -> Mesh {
    let cell = (cell_px / plane.bin as f64).round();
    Mesh::measure_slopes(plane, cell.max(LEAST_BLOCKS) as usize, saturation, floor)
}
