//! What the bright stars of a frame tell, before it is searched: how wide they are, and how fine
//! the background has to be drawn.

use super::{Psf, width};
use crate::detect::background::{
    Background, CELL_WIDTHS, Mesh, Scene, SkyLevel, WIDE_CELL_WIDTHS, draw,
};
use crate::detect::candidates::{self, Candidate, Search};
use crate::detect::pixels::{Pixel, Plane, View, mosaic};
use crate::detect::reading::Reading;

/// What the bright stars tell.
pub(in crate::detect) struct FirstLook {
    /// The typical star.
    pub psf: Psf,
    /// The frame is a colour mosaic.
    pub mosaic: bool,
    /// How finely the background is drawn.
    pub background: Background,
    /// Side of a cell of the plain background, widths of a star.
    widths: f64,
    mesh: Option<Mesh>,
}

/// How the width of the stars is taken from candidates.
type Width<P> = fn(&Scene<'_, P>, &[Candidate]) -> Option<Psf>;

impl FirstLook {
    /// Looks at the frame in coarse blocks, where bright stars stand out whatever their width.
    /// The sky says how finely its background is drawn, unless the reading does.
    pub fn at<P: Pixel>(view: &View<'_, P>, coarse: &Plane, reading: Reading) -> FirstLook {
        let mut look = FirstLook {
            psf: Psf {
                sigma_px: coarse.bin as f64,
                elongation: 1.0,
            },
            mosaic: view.mosaic,
            background: Background::Plain,
            widths: match reading {
                Reading::OutOfFocus => WIDE_CELL_WIDTHS,
                _ => CELL_WIDTHS,
            },
            mesh: None,
        };
        if coarse.width < 8 || coarse.height < 8 {
            return look;
        }
        let guessed = |background: Background| {
            let cell = background.cell_px(view.image, Psf::GUESS.fwhm_px(), CELL_WIDTHS);
            draw::<P>(coarse, cell, view.saturation)
        };
        let plain = guessed(Background::Plain);
        let suits = || Background::suits(&plain, coarse, view.saturation);
        if reading.background().unwrap_or_else(suits) == Background::Fine {
            let fine = SkyLevel::new(guessed(Background::Fine), coarse.bin);
            // Stars out of focus are no narrow images, and all that is left is what is common.
            let lone = seen_on(&fine, view, coarse, width::estimate_lone);
            if let Some(seen) = lone.or_else(|| seen_on(&fine, view, coarse, width::estimate)) {
                (look.psf, look.mosaic) = seen;
                look.background = Background::Fine;
                look.mesh = Some(fine.into_mesh());
                return look;
            }
        }
        let plain = SkyLevel::new(plain, coarse.bin);
        let seen = seen_on(&plain, view, coarse, width::estimate);
        (look.psf, look.mosaic) = seen.unwrap_or((Psf::GUESS, view.mosaic));
        look.mesh = Some(plain.into_mesh());
        look
    }

    /// The background mesh in coarse blocks that suits the stars.
    pub fn into_mesh<P: Pixel>(self, view: &View<'_, P>, coarse: &Plane) -> Mesh {
        let cell = |psf: &Psf| {
            self.background
                .cell_px(view.image, psf.fwhm_px(), self.widths)
        };
        match self.mesh {
            Some(mesh) if cell(&self.psf) <= cell(&Psf::GUESS) => mesh,
            _ => draw::<P>(coarse, cell(&self.psf), view.saturation),
        }
    }
}

/// The typical star by the candidates on this background, and whether they show a mosaic.
fn seen_on<P: Pixel>(
    sky: &SkyLevel,
    view: &View<'_, P>,
    coarse: &Plane,
    width: Width<P>,
) -> Option<(Psf, bool)> {
    let search = Search {
        mesh: sky.mesh(),
        sigma: 1.0,
        psf_known: false,
    };
    let (candidates, _) = candidates::find(view, &coarse.blocks(), &search);
    let psf = width(&Scene { view, sky }, &candidates)?;
    let mosaic = view.mosaic || mosaic::seen_in_stars(view, sky, &candidates);
    Some((psf, mosaic))
}
