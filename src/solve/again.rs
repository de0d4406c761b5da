//! A second look at a frame whose stars fit nowhere: without what is strung on lines, or on another
//! background, which shows other stars.

use crate::detect::{Detection, Detections, detect_with};
use crate::frame::Frame;

/// So many of the first stars make the patterns.
const FIRST: usize = 30;
/// Stars closer than this are the same one, pixels.
const SAME_PX: f64 = 2.0;
/// Where more of the first stars than this are old ones, the search would go the same way again.
const MOST_OLD: f64 = 0.8;

/// How else the stars of a frame may be seen: each is tried in turn.
pub(super) const LOOKS: [fn(&Frame, &Detections) -> Option<Detections>; 2] =
    [|_, first| first.off_lines(), other_stars];

/// The stars that the frame shows with its background drawn the other way: for a sky that was
/// taken for a nebula, or a nebula taken for sky. `None` where they are the same.
fn other_stars(frame: &Frame, first: &Detections) -> Option<Detections> {
    let other = detect_with(frame, first.grain.other());
    let stars = &other.stars[..other.stars.len().min(FIRST)];
    let old = stars.iter().filter(|s| is_among(s, &first.stars)).count();
    // A fine background without stars falls back on the plain one.
    (other.grain != first.grain && (old as f64) < MOST_OLD * stars.len() as f64).then_some(other)
}

fn is_among(star: &Detection, stars: &[Detection]) -> bool {
    stars
        .iter()
        .take(2 * FIRST)
        .any(|s| (s.x_px - star.x_px).hypot(s.y_px - star.y_px) < SAME_PX)
}
