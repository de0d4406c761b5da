//! The order of the stars where a tone curve has flattened the bright ones.
//!
//! The light out to where a star ends grows with the star's whatever the curve, but noise and neighbours
//! count in it far more than in a window. So it stands in for the flux only where it must: in a frame
//! most of whose stars are about as high as the highest, and for those high ones. The frame itself says
//! so, whether it was stored in 8 bits or in 16.

use super::growth::{self, Size};
use super::{Measured, Scratch, Setting};
use crate::detect::pixels::Pixel;
use rayon::prelude::*;

/// A star from this part of the height of the highest on may be flattened: nothing is below, where the
/// curve still rises. Heights are those above the frame's typical sky, with whatever a star lies on: a
/// tone curve flattens what is bright, and of a star on a nebula it leaves the less.
const HIGH: f32 = 0.5;
/// The highest are taken to be this share of the stars; the very highest may be something else.
const HIGHEST: f64 = 0.01;
/// Where more than this share of the stars are high, a curve has made them so. In linear frames, where
/// fainter stars are more, it is 0.01 to 0.13, and 0.34 of particle tracks; in four stretched pictures
/// and a photographic plate 0.53 to 1.
const FLATTENED: f64 = 0.45;
/// Fewer stars tell nothing of that.
const LEAST_STARS: usize = 50;

/// Gives the flattened stars of a stretched frame the flux that their light has, and says that
/// they are flattened.
pub(in crate::detect) fn of_flattened<P: Pixel>(
    setting: &Setting<'_, P>,
    sky_level: f64,
    measured: &mut [Measured],
) {
    // The rings of drawn out stars are not their heights.
    if measured.len() < LEAST_STARS || setting.psf.is_drawn_out() {
        return;
    }
    let above = |m: &Measured| setting.scene.sky.level(m.star.x_px, m.star.y_px) - sky_level as f32;
    let heights: Vec<f32> = measured
        .par_iter()
        .map_init(Scratch::default, |scratch, m| {
            height(setting, m, scratch) + above(m)
        })
        .collect();
    let high = HIGH * highest(&heights);
    let count = heights.iter().filter(|height| **height > high).count();
    if count as f64 <= FLATTENED * heights.len() as f64 {
        return;
    }
    let sizes: Vec<Option<Size>> = measured
        .par_iter()
        .zip(heights)
        .map_init(Scratch::default, |scratch, (m, height)| {
            (height > high).then(|| size(setting, m, scratch))?
        })
        .collect();
    for k in owners(measured, &sizes) {
        let light = sizes[k].map_or(0.0, |size| size.light);
        let star = &mut measured[k].star;
        star.flux = star.flux.max(light);
        measured[k].flattened = true;
    }
}

/// The stars whose light is their own. Rings around what lies within a star, a spike or a companion,
/// hold the light of that star, too.
fn owners(measured: &[Measured], sizes: &[Option<Size>]) -> Vec<usize> {
    let mut order: Vec<(usize, Size)> = (0..)
        .zip(sizes)
        .filter_map(|(k, s)| Some((k, (*s)?)))
        .collect();
    order.sort_by(|(_, a), (_, b)| b.light.total_cmp(&a.light));
    let mut owners: Vec<(usize, Size)> = Vec::new();
    for (k, size) in order {
        let star = &measured[k].star;
        let within = owners.iter().any(|(owner, size)| {
            let owner = &measured[*owner].star;
            (owner.x_px - star.x_px).hypot(owner.y_px - star.y_px) < size.radius
        });
        if !within {
            owners.push((k, size));
        }
    }
    owners.into_iter().map(|(k, _)| k).collect()
}

/// Height of a star above the sky around it.
fn height<P: Pixel>(setting: &Setting<'_, P>, of: &Measured, scratch: &mut Scratch) -> f32 {
    let Scratch { stamp, rings, .. } = scratch;
    let at = (of.star.x_px, of.star.y_px);
    stamp.cut(&setting.scene, at, 2.0 * setting.psf.sigma_px + 3.0);
    rings.height(stamp, at)
}

/// Size of a star that is wider than those of this frame; `None` for others.
fn size<P: Pixel>(setting: &Setting<'_, P>, of: &Measured, scratch: &mut Scratch) -> Option<Size> {
    let Scratch { stamp, rings, .. } = scratch;
    let at = (of.star.x_px, of.star.y_px);
    stamp.cut(&setting.scene, at, growth::MOST_PX);
    rings.size_of_wide(stamp, at, &setting.psf)
}

/// The height that the highest share of the stars exceeds; there is one at least.
fn highest(heights: &[f32]) -> f32 {
    let mut sorted = heights.to_vec();
    let rank = ((1.0 - HIGHEST) * (sorted.len() - 1) as f64) as usize;
    *sorted.select_nth_unstable_by(rank, f32::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::Detection;

    fn at(x_px: f64) -> Measured {
        Measured {
            star: Detection {
                x_px,
                y_px: 100.0,
                sigma_px: 0.1,
                flux: 1.0,
                snr: 50.0,
                fwhm_px: 3.0,
                elongation: 1.0,
                saturated: false,
            },
            shape_known: true,
            core_px: None,
            flattened: false,
        }
    }

    /// A spike 7 px from a star with a halo has none of its light, a star further out has its own.
    #[test]
    fn what_lies_within_a_star_does_not_own_its_light() {
        let measured = [107.0, 100.0, 130.0].map(at);
        let sizes = [(42.0, 6.0), (57.0, 10.0), (9.0, 4.0)]
            .map(|(light, radius)| Some(Size { light, radius }));
        assert_eq!(owners(&measured, &sizes), [1, 2]);
    }
}
