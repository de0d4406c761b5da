//! A further look at a frame whose stars fit nowhere: without what is strung on lines, on another
//! background, which shows other stars, with single pixels for stars, or without them.

use crate::Deadline;
use crate::detect::{Assumed, Detection, Detections, Grain, detect_by};
use crate::frame::Frame;

/// So many of the first stars make the patterns.
const FIRST: usize = 30;
/// Stars closer than this are the same one, pixels.
const SAME_PX: f64 = 2.0;
/// Where more of the first stars than this are old ones, the search would go the same way again.
const MOST_OLD: f64 = 0.8;

/// Stars wider than this (FWHM) fill several pixels.
const NARROW_PX: f64 = 2.0;
/// Stars wider than this are out of focus.
const WIDE_PX: f64 = 7.0;

/// Sees the stars of a frame in another way than at first; `None` where that shows nothing new, or
/// the deadline passed.
type Look = fn(&Frame, &Detections, Deadline) -> Option<Detections>;

/// How else the stars of a frame may be seen: each is tried in turn.
pub(super) const LOOKS: [Look; 4] = [
    |_, first, _| first.off_lines(),
    other_stars,
    single_pixels,
    wide_ones,
];

/// The stars that the frame shows with its background drawn the other way: for a sky that was
/// taken for a nebula, or a nebula taken for sky. `None` where they are the same.
fn other_stars(frame: &Frame, first: &Detections, deadline: Deadline) -> Option<Detections> {
    let grain = Some(first.grain.other());
    let assumed = Assumed {
        grain,
        ..Assumed::default()
    };
    let other = detect_by(frame, assumed, deadline)?;
    // A fine background without stars falls back on the plain one.
    (other.grain != first.grain && differ(&other, first)).then_some(other)
}

/// Where stars are as narrow as pixels, single bright ones may be stars too: binned frames.
fn single_pixels(frame: &Frame, first: &Detections, deadline: Deadline) -> Option<Detections> {
    if !(first.fwhm_px < NARROW_PX) {
        return None;
    }
    let assumed = Assumed {
        grain: Some(first.grain),
        single_pixels: true,
        ..Assumed::default()
    };
    let other = detect_by(frame, assumed, deadline)?;
    differ(&other, first).then_some(other)
}

/// Where stars are wide, hot pixels and cosmic rays are not stars, whatever light they add to a disc;
/// and a nebula or a cloud is wider still.
fn wide_ones(frame: &Frame, first: &Detections, deadline: Deadline) -> Option<Detections> {
    if !(first.fwhm_px > WIDE_PX) || first.mosaic {
        return None;
    }
    let assumed = Assumed {
        grain: Some(Grain::Plain),
        wide: true,
        ..Assumed::default()
    };
    let other = detect_by(frame, assumed, deadline)?;
    differ(&other, first).then_some(other)
}

/// Whether other stars come first.
fn differ(other: &Detections, first: &Detections) -> bool {
    let stars = &other.stars[..other.stars.len().min(FIRST)];
    let old = stars.iter().filter(|s| is_among(s, &first.stars)).count();
    (old as f64) < MOST_OLD * stars.len() as f64
}

fn is_among(star: &Detection, stars: &[Detection]) -> bool {
    stars
        .iter()
        .take(2 * FIRST)
        .any(|s| (s.x_px - star.x_px).hypot(s.y_px - star.y_px) < SAME_PX)
}
