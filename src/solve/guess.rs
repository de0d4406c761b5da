//! A neighbouring frame's solution as the first guess: one quick look around it. Where it
//! misleads, only the time of that look is lost.

use crate::detect::Detections;
use crate::search::{Confirm, Found, Request, Scanner, SearchError, Stage, band_is_wanted};
use crate::sky::Sky;
use crate::sphere::{ARCSEC_PER_RAD, sky_to_vector};
use crate::verify::DetectionField;

/// Where a frame of the same camera and target was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Guess {
    /// ICRS right ascension of its centre, degrees.
    pub ra_deg: f64,
    /// ICRS declination of its centre, degrees.
    pub dec_deg: f64,
    /// Its pixel scale.
    pub scale_arcsec_per_px: f64,
}

/// How far to look, in diagonals of the frame: a mount that drifts or dithers moves by less from
/// one frame to the next, and one that was sent elsewhere by more.
const REACH_DIAGONALS: [f64; 2] = [0.1, 1.0];

impl Guess {
    /// Looks for the stars of `detections` here, with the first stage of a search only, and adds
    /// what comes of it to `found`.
    ///
    /// # Errors
    ///
    /// As [`crate::search::search`].
    pub fn look(
        &self,
        found: &mut Found,
        detections: &Detections,
        sky: &Sky,
        request: &Request,
        confirm: Confirm<'_>,
    ) -> Result<(), SearchError> {
        let field = DetectionField::new(detections);
        let focal_px = ARCSEC_PER_RAD / self.scale_arcsec_per_px;
        let side_px = detections.width.max(detections.height) as f64;
        let diagonal_px = (detections.width as f64).hypot(detections.height as f64);
        let across_deg = |px: f64| 2.0 * (0.5 * px / focal_px).atan().to_degrees();
        let sound = focal_px.is_finite() && focal_px > 0.0;
        if field.len() < 4 || !sound {
            return Ok(());
        }
        let reach_deg = REACH_DIAGONALS.map(|share| share * across_deg(diagonal_px));
        let scale = self.scale_arcsec_per_px;
        let stage = Stage::around_a_guess(reach_deg[1], scale, [side_px, focal_px]);
        let years = sky.years_since(request.epoch_jyear);
        let scanner = Scanner::new(detections, &field, sky, &years, &stage);
        if scanner.has_nothing_to_ask() {
            return Ok(());
        }
        let start = sky_to_vector(self.ra_deg, self.dec_deg);
        let tiles = sky.tiles_outward(start, reach_deg[1], |index, band| {
            band_is_wanted(sky, &stage, index, band)
        });
        let near = tiles.partition_point(|tile| tile.distance_deg <= reach_deg[0]);
        let (near, far) = tiles.split_at(near);
        for (tiles, radius_deg) in [(near, reach_deg[0]), (far, reach_deg[1])] {
            let result = scanner.batch(tiles)?;
            found.report.cells += tiles.len() as u64;
            found.report.radius_deg = found.report.radius_deg.max(radius_deg);
            found.take(result, confirm);
            if found.accepted {
                break;
            }
        }
        Ok(())
    }
}
