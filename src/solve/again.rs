//! A second look at a frame whose stars fit nowhere: another background shows other stars.

use super::Request;
use crate::detect::{Detection, Detections, detect_with};
use crate::frame::Frame;
use crate::search::{ACCEPT_LOG10_CHANCE, Found, SearchError, search};
use crate::sky::Sky;
use std::time::Instant;

/// So many of the first stars make the patterns.
const FIRST: usize = 30;
/// Stars closer than this are the same one, pixels.
const SAME_PX: f64 = 2.0;
/// Where more of the first stars than this are old ones, the search would go the same way again.
const MOST_OLD: f64 = 0.8;

/// The stars that the frame shows with its background drawn the other way: for a sky that was
/// taken for a nebula, or a nebula taken for sky. `None` where the search does not call for it, or
/// the stars are the same.
pub(super) fn other_stars(frame: &Frame, first: &Detections, found: &Found) -> Option<Detections> {
    if found.accepted || found.report.timed_out {
        return None;
    }
    let other = detect_with(frame, first.grain.other());
    let stars = &other.stars[..other.stars.len().min(FIRST)];
    let old = stars.iter().filter(|s| is_among(s, &first.stars)).count();
    (other.grain != first.grain && (old as f64) < MOST_OLD * stars.len() as f64).then_some(other)
}

fn is_among(star: &Detection, stars: &[Detection]) -> bool {
    stars
        .iter()
        .take(2 * FIRST)
        .any(|s| (s.x_px - star.x_px).hypot(s.y_px - star.y_px) < SAME_PX)
}

/// Searches for the second list of stars. What the first search tried counts as well.
pub(super) fn search_on(
    first: &Found,
    other: &Detections,
    sky: &Sky,
    request: &Request,
    deadline: Option<Instant>,
) -> Result<Found, SearchError> {
    let mut found = search(other, sky, request, deadline)?;
    found.report.cells += first.report.cells;
    found.report.candidates += first.report.candidates;
    found.report.index_bytes += first.report.index_bytes;
    found.report.radius_deg = found.report.radius_deg.max(first.report.radius_deg);
    found.accepted &= found.log10_chance() < ACCEPT_LOG10_CHANCE;
    Ok(found)
}
