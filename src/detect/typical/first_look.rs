//! What the bright stars of a frame tell, before it is searched: how wide they are, and how fine
//! the background has to be drawn.

use super::{Psf, width};
use crate::detect::background::{
    Background, CELL_WIDTHS, Mesh, Scene, SkyLevel, WIDE_CELL_WIDTHS, draw,
};
use crate::detect::candidates;
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
    /// That background, drawn for a star of ordinary width.
    sky: SkyLevel,
}

impl FirstLook {
    /// Looks at the frame in coarse blocks, where bright stars stand out whatever their width.
    /// The sky says how finely its background is drawn, unless the reading does.
    pub fn at<P: Pixel>(view: &View<'_, P>, coarse: &Plane, reading: Reading) -> FirstLook {
        let drawn = |background: Background| {
            let cell = background.cell_px(view.image, Psf::GUESS.fwhm_px(), CELL_WIDTHS);
            SkyLevel::new(draw::<P>(coarse, cell, view.saturation), coarse.bin)
        };
        let plain = drawn(Background::Plain);
        let suits = || Background::suits(plain.mesh(), coarse, view.saturation);
        if reading.background().unwrap_or_else(suits) == Background::Fine {
            let fine = drawn(Background::Fine);
            if let Some((psf, mosaic)) = seen_on(&fine, view, coarse, true) {
                return FirstLook {
                    psf,
                    mosaic,
                    background: Background::Fine,
                    sky: fine,
                };
            }
        }
        let seen = seen_on(&plain, view, coarse, false);
        let (psf, mosaic) = seen.unwrap_or((Psf::GUESS, view.mosaic));
        FirstLook {
            psf,
            mosaic,
            background: Background::Plain,
            sky: plain,
        }
    }

    /// The background mesh in coarse blocks that suits the stars.
    pub fn into_mesh<P: Pixel>(self, view: &View<'_, P>, coarse: &Plane, reading: Reading) -> Mesh {
        let widths = match reading {
            Reading::OutOfFocus => WIDE_CELL_WIDTHS,
            _ => CELL_WIDTHS,
        };
        let cell = |psf: Psf| self.background.cell_px(view.image, psf.fwhm_px(), widths);
        if cell(self.psf) > cell(Psf::GUESS) {
            return draw::<P>(coarse, cell(self.psf), view.saturation);
        }
        self.sky.into_mesh()
    }
}

/// The typical star by the candidates on this background, by those that stand `alone` if there are
/// enough of them, and whether they show a mosaic.
fn seen_on<P: Pixel>(
    sky: &SkyLevel,
    view: &View<'_, P>,
    coarse: &Plane,
    alone: bool,
) -> Option<(Psf, bool)> {
    let (candidates, _) = candidates::find(view, &coarse.blocks(), sky.mesh(), None);
    let scene = Scene { view, sky };
    let lone = alone.then(|| width::estimate_lone(&scene, &candidates));
    // Stars out of focus are no narrow images, and all that is left is what is common.
    let common = || width::estimate(&scene, &candidates);
    let psf = lone.flatten().or_else(common)?;
    let mosaic = view.mosaic || mosaic::seen_in_stars(view, sky, &candidates);
    Some((psf, mosaic))
}
