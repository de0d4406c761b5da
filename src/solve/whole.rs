//! From a pose that the stars in a part of a frame proved to a solution of the whole frame.
//!
//! A lens that bends strongly is searched in its middle, where it does not. The map of the middle leads
//! outwards: stars beside it tell how the lens goes on, and these where the next ones are.

use super::{Job, barrier, display_of, ms_since};
use crate::detect::Detections;
use crate::fit::{self, Epoch, Solution};
use crate::frame::Frame;
use crate::search::{Best, Found, Request};
use crate::sky::{Sky, SkyError, SkyRegion};
use std::time::Instant;

impl Job<'_> {
    /// Goes on from the solution of a part of the frame to `all` of its stars, if that holds more.
    pub(super) fn goes_beyond_part(
        &mut self,
        found: &Found,
        all: &Detections,
    ) -> Result<bool, SkyError> {
        let (Some(best), Some(part)) = (&found.best, &self.solved) else {
            return Ok(false);
        };
        let begin = Instant::now();
        let whole = solution(self.frame, all, (self.sky, self.request), (best, part))?;
        self.elapsed.fit_ms += ms_since(begin);
        let goes_beyond = whole.is_some();
        self.solved = whole.or(self.solved.take());
        Ok(goes_beyond)
    }
}

/// Fits `all` stars of the frame, from the solution of a part of it; `None` where that rests on no more
/// stars, or says something else.
fn solution(
    frame: &Frame,
    all: &Detections,
    (sky, request): (&Sky, &Request),
    (best, part): (&Best, &Solution),
) -> Result<Option<Solution>, SkyError> {
    let catalogue_jyear = sky.epoch_jyear(best.index);
    // What became of a date is decided.
    let (epoch, years) = match request.epoch_jyear {
        None => (Epoch::Unknown { catalogue_jyear }, 0.0),
        Some(_) => {
            let jyear = part.epoch_jyear;
            (Epoch::Known { jyear }, jyear - catalogue_jyear)
        }
    };
    let mut camera = best.evidence.camera;
    let grown = 0.5 * (all.width as f64).hypot(all.height as f64) / camera.reference_px;
    camera.reference_px *= grown;
    camera.radial *= grown * grown;
    let mut region = SkyRegion::default();
    let (middle, reach_rad) = (camera.axes[2], fit::reach_rad(&camera));
    let stars = region
        .cone(sky, best.index, middle, reach_rad, fit::FIT_STARS, years)
        .map_err(|e| sky.error(best.index, &e))?;
    let whole = fit::fit_beyond(part, &camera, all, stars, display_of(frame), epoch);
    let whole = whole.filter(|whole| barrier::says_more(whole, part));
    Ok(whole.map(|whole| Solution {
        date: part.date,
        ..whole
    }))
}
