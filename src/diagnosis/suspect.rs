//! What may be wrong with a frame of many stars that fit nowhere: they are crowded, its field is too
//! narrow, it is no single exposure, or the stars are short trails. Guessed from how large stars are in
//! it.

use super::FrameFacts;
use crate::detect::Refusal;
use crate::sphere::ARCSEC_PER_RAD;

/// Longer side in focal lengths of the widest fisheye that a search tries: see `search::plan`.
const WIDEST: f64 = 4.9;
/// Stars that stand closer than this, in squares of their width (FWHM) for each, are seldom seen
/// alone, where there are this many.
const CROWDED: f64 = 60.0;
const LEAST_CROWD: usize = 500;
/// A star's width (FWHM) in the longer side of a field of one degree, where air, optics and the tone
/// curve of a picture spread stars over 10 arcsec; fewer widths make a narrower field.
const WIDTHS_PER_DEG: f64 = 360.0;
/// Where this many stars are seen in a field that is neither too wide nor too narrow, some of them are
/// in the star-index in the program; nearly all such frames solve.
const MANY: usize = 100;
/// Longer images than this (long over short axis) are trails.
const TRAIL: f64 = 3.0;
/// Longer than this they may mislead the detector.
const SHORT_TRAIL: f64 = 1.8;

/// How the stars of a frame are drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drawn {
    /// Full width at half maximum, the geometric mean of both axes, pixels.
    pub fwhm_px: f64,
    /// Long over short axis of what all stars have in common.
    pub elongation: f64,
    /// Direction of the long axis, from the first pixel axis towards the second, degrees, 0 to 180.
    pub angle_deg: f64,
    /// Stars that this was taken from.
    pub stars: usize,
}

impl Drawn {
    /// Whether enough stars agree in a long shape.
    pub(super) fn is_trail(&self) -> bool {
        const LEAST_STARS: usize = 8;
        self.elongation >= TRAIL && self.stars >= LEAST_STARS
    }

    /// Extent along the long axis, pixels.
    pub(super) fn length_px(&self) -> f64 {
        self.fwhm_px * self.elongation.sqrt()
    }
}

/// A possible reason why many stars match nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Suspect {
    /// No single exposure, or a lens that bends in a way that a search does not know.
    Bent,
    /// Stars stand so close that few are seen alone.
    Crowded,
    /// Stars so large in the frame that its field is small.
    Narrow {
        /// Full width at half maximum, pixels.
        fwhm_px: f64,
    },
    /// The stars are drawn out.
    ShortTrails {
        /// Long over short axis.
        elongation: f64,
    },
}

/// Angle along the longer side by the likeliest claimed scale, where that is too wide for any lens that
/// is tried, degrees; that of an equidistant lens.
pub(super) fn too_wide(facts: &FrameFacts<'_>) -> Option<f64> {
    let scale = *facts.request.scales_arcsec_per_px.first()?;
    let side_px = facts.detections.width.max(facts.detections.height) as f64;
    let field = side_px * scale / ARCSEC_PER_RAD;
    (field > WIDEST).then_some(field.to_degrees())
}

/// What is likeliest, of a frame with `found` stars. A claimed scale says how wide the field is.
pub(super) fn suspects(
    facts: &FrameFacts<'_>,
    found: usize,
    scale_claimed: bool,
) -> [Option<Suspect>; 2] {
    let side_px = facts.detections.width.max(facts.detections.height) as f64;
    let fwhm_px = facts.drawn.map_or(facts.detections.fwhm_px, |d| d.fwhm_px);
    let narrow = side_px < WIDTHS_PER_DEG * fwhm_px;
    let size = match narrow {
        _ if scale_claimed => None,
        true => Some(Suspect::Narrow { fwhm_px }),
        false => (found >= MANY).then_some(Suspect::Bent),
    };
    let trails = facts.drawn.filter(|d| d.elongation >= SHORT_TRAIL);
    let trails = trails.map(|d| Suspect::ShortTrails {
        elongation: d.elongation,
    });
    let crowded = is_crowded(facts).then_some(Suspect::Crowded);
    // Trails look large in the frame whatever its field.
    let clear = narrow && facts.drawn.is_some_and(|d| d.is_trail());
    let (first, second) = if clear {
        (trails, size)
    } else {
        (size, trails)
    };
    let mut likeliest = [crowded, first, second].into_iter().flatten();
    [likeliest.next(), likeliest.next()]
}

/// Whether the stars found, and those that there was no time for, leave each other little room.
fn is_crowded(facts: &FrameFacts<'_>) -> bool {
    let detections = facts.detections;
    let left = detections.refusals().get(&Refusal::Unmeasured).copied();
    let count = detections.stars.len() + left.unwrap_or(0);
    let frame_px2 = (detections.width * detections.height) as f64;
    let width_px2 = detections.fwhm_px.powi(2).max(1.0);
    count >= LEAST_CROWD && frame_px2 < CROWDED * width_px2 * count as f64
}
