//! Which fields a star-index, and each of its bands, can recognise.

use star_index::StarIndex;
use star_index::layout::{Band, fields_of_band_deg};

/// A deep index was built for fields of stated widths; somewhat narrower ones often show stars
/// enough, somewhat wider ones still show its largest quads.
const NARROWER: f64 = 0.5;
const WIDER: f64 = 2.5;

/// Narrowest and widest field (longer side, degrees) for which a star-index is searched; `None`:
/// any, as with the one inside the program.
pub fn index_serves(index: &StarIndex) -> Option<[f64; 2]> {
    let [narrowest, widest] = index.header().fields_deg;
    (narrowest > 0.0 && widest >= narrowest).then_some([NARROWER * narrowest, WIDER * widest])
}

/// Narrowest and widest field (longer side, degrees) for which a band of a star-index is
/// searched; `None`: any.
pub fn band_serves(index: &StarIndex, band: &Band) -> Option<[f64; 2]> {
    let [narrowest, widest] = index_serves(index)?;
    let [low, high] = fields_of_band_deg(band.thin_depth);
    Some([low.max(narrowest), high.min(widest)])
}
