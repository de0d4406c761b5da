//! Tells hot pixels and cosmic rays from stars by what lies next to the peak.

use crate::detect::measure::Stamp;

/// Whether the peak is sharper than a star of standard deviation `sigma_px` (the pixel included)
/// can be: a single pixel, or a track of charge one pixel wide. `None`: stars are drawn out, and may
/// look like a track.
pub(in crate::detect) fn is_spike(stamp: &Stamp, mosaic: bool, sigma_px: Option<f64>) -> bool {
    let Some((top, around)) = peak(stamp) else {
        return false;
    };
    if mosaic {
        // Sliding 2 x 2 blocks turn a hot pixel into four equal values with nothing around: to a fifth
        // of them, for its noise and that of its neighbours.
        let mut sorted = around;
        sorted.sort_unstable_by(f32::total_cmp);
        return sorted[..5].iter().sum::<f32>() < 0.25 * top
            && sorted[5..].iter().all(|v| *v > 0.8 * top);
    }
    // A star as narrow as 1 pixel (FWHM), centred on a pixel, leaves 0.4 of its light to the
    // neighbours.
    around.iter().sum::<f32>() < 0.3 * top
        || sigma_px.is_some_and(|sigma_px| is_track(top, &around, sigma_px))
}

/// Whether in one direction the peak falls far more steeply to both sides than that of a star. A
/// track one pixel wide has nothing beside it, or nothing above and below, or where it bends
/// nothing on a diagonal; a star of standard deviation s has at least exp(-d^2 / 2 s^2) of its
/// peak at the distance d, in the mean of both sides, wherever its centre lies on the pixel.
fn is_track(top: f32, around: &[f32; 8], sigma_px: f64) -> bool {
    let star = (-0.5 / (sigma_px * sigma_px)).exp() as f32;
    let steep = |a: usize, share: f32| {
        0.5 * (around[a] + around[7 - a]) < (SHARE_OF_STAR * share).max(LEAST_SHARE) * top
    };
    let diagonal = star * star;
    steep(1, star) || steep(3, star) || {
        // Of narrower stars (0.8 pixels) too little is left there to be told from noise.
        diagonal > 0.2 && (steep(0, diagonal) || steep(2, diagonal))
    }
}

/// Tracks are spread a little by diffusion of charge, and stars are disturbed by noise: half way.
const SHARE_OF_STAR: f32 = 0.4;
/// A star of 1 pixel (FWHM) has 0.15.
const LEAST_SHARE: f32 = 0.08;

/// The highest value near the middle, and its eight neighbours row by row.
fn peak(stamp: &Stamp) -> Option<(f32, [f32; 8])> {
    let n = stamp.side;
    let near = n / 2 - 2..=n / 2 + 2;
    let places = near.clone().flat_map(|j| near.clone().map(move |i| (i, j)));
    let values = places.map(|(i, j)| (stamp.at(i, j), (i, j)));
    // Of equal ones the first.
    let (top, (i, j)) = values.fold(
        (0.0, (0, 0)),
        |best, here| {
            if here.0 > best.0 { here } else { best }
        },
    );
    if top <= 0.0 || i < 1 || j < 1 || i + 1 >= n || j + 1 >= n {
        return None;
    }
    let around = std::array::from_fn(|k| {
        let k = k + usize::from(k >= 4);
        stamp.at(i + k % 3 - 1, j + k / 3 - 1)
    });
    Some((top, around))
}
