//! Frames that were never meant to show stars: the shutter was closed, or an even light shone in.

use super::survey::{Object, Survey, survey};
use super::{LEAST_STARS, SURE_SNR, light, shape};
use crate::detect::Detections;
use crate::frame::Frame;

/// What a frame without sky shows instead.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Skyless {
    /// Nothing but the noise of the camera: a dark or bias frame, or the cap was on.
    Closed,
    /// A bright and smooth light, falling off towards the corners at most.
    EvenLight,
}

/// Darker than this share of full scale is what a camera shows by itself. Common practice:
/// pedestals of 100 to 2000 in 65535, and dark current.
const CLOSED_FILL: f64 = 0.15;
/// Scatter of the mesh cells, in standard errors, that noise alone does not exceed.
const CLOSED_SCATTER: f64 = 4.0;
/// An even light leaves no more than this of its level beside a second-order surface: optics
/// darken their corners more steeply than that. Common practice.
const EVEN_SHARE: f64 = 0.02;

/// Judges a frame that did not solve; `None`: there may be sky in it.
pub fn skyless(frame: &Frame, detections: &Detections) -> Option<Skyless> {
    let stars = detections.stars.iter().filter(|s| s.snr >= SURE_SNR);
    if stars.count() >= LEAST_STARS {
        return None;
    }
    of_survey(&survey(frame), detections)
}

fn of_survey(survey: &Survey, detections: &Detections) -> Option<Skyless> {
    let light = light::unevenness(survey)?;
    if survey.full_share >= light::BURNT_SHARE {
        return None;
    }
    if survey.fill < CLOSED_FILL {
        let nothing = light.any < CLOSED_SCATTER && seen(survey) < LEAST_STARS;
        return nothing.then_some(Skyless::Closed);
    }
    // Steep fall-off makes objects of its own, but neither trails nor discs.
    let even = light.rough_share < EVEN_SHARE && shape::common(survey, detections).is_none();
    even.then_some(Skyless::EvenLight)
}

/// Objects with a shape, in the blocks that show most.
fn seen(survey: &Survey) -> usize {
    let count = |objects: &Vec<Object>| objects.iter().filter(|o| !o.is_point()).count();
    survey.objects.iter().map(count).max().unwrap_or(0)
}
