//! Which fields a star-index, and each of its bands, can recognise.

use star_index::StarIndex;
use star_index::layout::Band;

/// A deep index was built for fields of stated widths; somewhat narrower ones often show stars
/// enough, somewhat wider ones still show its largest quads.
const NARROWER: f64 = 0.5;
const WIDER: f64 = 2.5;
/// Narrowest and widest field in which the quads of a band are found, in edges of the cells whose
/// brightest stars they join. A narrower field shows two of these stars, a wider one shows dozens
/// of brighter stars, which make the quads of the next band.
const BAND_EDGES: [f64; 2] = [0.8, 7.0];

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
    // The square root of a cell's area: 58.6 deg / 2^depth.
    let edge_deg = 58.632 / f64::from(1_u32 << band.thin_depth.min(30));
    let [low, high] = BAND_EDGES.map(|edges| edges * edge_deg);
    Some([low.max(narrowest), high.min(widest)])
}
