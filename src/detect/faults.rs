//! Images too elongated for stars: trails, bad columns, spikes, edges.

use super::measure::Measured;

/// Regions along the long side of the frame.
const REGIONS: f64 = 5.0;
/// How many times longer than a star of its region an image may be.
const EXCESS: f64 = 1.6;

/// For each detection, whether it is far more elongated than the stars around it.
///
/// Tracking drift elongates all stars of a frame, and optics those of a corner: the measure is
/// the median of the region, or of the frame where the region has few.
pub(super) fn elongated(
    stars: &[Measured],
    typical: f64,
    width: usize,
    height: usize,
) -> Vec<bool> {
    let side = (width.max(height) as f64 / REGIONS).max(1.0);
    let region = |m: &Measured| ((m.star.x_px / side) as i64, (m.star.y_px / side) as i64);
    let mut regions: std::collections::BTreeMap<(i64, i64), Vec<f64>> = Default::default();
    for m in stars.iter().filter(|m| m.shape_known) {
        regions
            .entry(region(m))
            .or_default()
            .push(m.star.elongation);
    }
    let medians: std::collections::BTreeMap<(i64, i64), f64> = regions
        .into_iter()
        .filter(|(_, list)| list.len() >= 5)
        .map(|(k, mut list)| {
            list.sort_unstable_by(f64::total_cmp);
            (k, list[list.len() / 2])
        })
        .collect();
    stars
        .iter()
        .map(|m| {
            let local = medians.get(&region(m)).copied().unwrap_or(typical);
            m.shape_known && m.star.elongation > EXCESS * local.max(typical).max(1.15)
        })
        .collect()
}
