//! Images too long or too broad for stars: trails, bad columns, spikes, edges, glow.

use super::{Refusal, Refused};
use crate::detect::measure::Measured;
use crate::detect::typical::Psf;
use crate::robust::quantile;
use std::collections::BTreeMap;

/// Regions along the long side of the frame.
const REGIONS: f64 = 5.0;
/// Fewer stars tell nothing of their region.
const LEAST: usize = 5;
/// How many times longer than a star of its region an image may be: at 12 times the noise, where shapes
/// begin to count, an elongation is known to 12 %, and this is four such errors.
const EXCESS: f64 = 1.6;
/// The same where all are drawn out: noise and neighbours make faint ones look rounder than they are.
const EXCESS_OF_DRAWN_OUT: f64 = 2.5;
/// How many times broader than the typical star. Stars in the corners of a lens may be twice as broad as in
/// its middle. Common practice.
const BROAD: f64 = 2.5;

/// Refuses detections that are far more elongated than the stars around them, or far broader than those
/// of the frame, of `width` x `height` pixels and with the typical star `typical`.
///
/// Tracking drift elongates all stars of a frame, and optics those of a corner: the measure is
/// the lower third of the region (a trail may outnumber the stars), or the frame's typical star
/// where the region has few.
pub(in crate::detect) fn without_unlike(
    mut stars: Vec<Measured>,
    typical: &Psf,
    (width, height): (usize, usize),
    refused: &mut Vec<Refused>,
) -> Vec<Measured> {
    let side = (width.max(height) as f64 / REGIONS).max(1.0);
    let region = |m: &Measured| ((m.star.x_px / side) as i64, (m.star.y_px / side) as i64);
    let mut regions: BTreeMap<(i64, i64), Vec<f64>> = BTreeMap::new();
    for m in stars.iter().filter(|m| m.shape_known) {
        let elongations = regions.entry(region(m)).or_default();
        elongations.push(m.star.elongation);
    }
    let usual = |list: Vec<f64>| (list.len() >= LEAST).then(|| quantile(list, (1, 3)))?;
    let usual: BTreeMap<_, f64> = regions
        .into_iter()
        .filter_map(|(region, list)| Some((region, usual(list)?)))
        .collect();
    let excess = if typical.is_drawn_out() {
        EXCESS_OF_DRAWN_OUT
    } else {
        EXCESS
    };
    stars.retain(|m| {
        let local = usual.get(&region(m)).unwrap_or(&typical.elongation);
        let long = m.star.elongation > excess * local.max(typical.elongation).max(1.15);
        let width_tells = !m.star.saturated && !m.flattened;
        let broad = width_tells && m.star.fwhm_px > BROAD * typical.fwhm_px();
        let verdict = Refusal::Broad.when(broad);
        let verdict = verdict.and_then(|()| Refusal::Long.when(m.shape_known && long));
        Refused::note(refused, [m.star.x_px, m.star.y_px], verdict).is_some()
    });
    stars
}
