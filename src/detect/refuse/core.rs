//! Tells the saturated cores of stars from letters, hot pixels and overexposed areas.

use super::Refusal;
use crate::detect::measure::{Blob, Setting};
use crate::detect::pixels::Pixel;
use crate::detect::typical::Psf;

/// Refuses a core whose surroundings are as dark as those of a letter or a hot pixel. In a mosaic
/// the neighbours have other colours, and in a picture of stars that are drawn out the edge is as
/// steep across them as a letter's: both tell nothing.
pub(in crate::detect) fn judge_edge<P: Pixel>(
    setting: &Setting<'_, P>,
    blob: &Blob,
    level: f32,
) -> Result<(), Refusal> {
    let view = setting.scene.view;
    let told_otherwise = view.mosaic
        || view.single_pixels
        || setting.harsh && blob.is_round()
        || view.picture && setting.psf.is_drawn_out();
    let sky = setting.scene.sky.level(blob.x, blob.y);
    let steep = !told_otherwise && is_steep(blob, &setting.psf, [level, sky], view.picture);
    Refusal::SteepCore.when(steep)
}

/// Whether what lies right beside the core is as dark as next to a letter, a hot pixel or the
/// track of a cosmic ray. From the edge of a Gaussian star's core at radius r its light falls
/// as exp(-r d / s^2), so that the next pixel has a share of about s^2 / (s^2 + r) in the
/// mean; a third of that is asked for, and twice as much in a picture whose tone curve lifts
/// the wings of stars.
fn is_steep(blob: &Blob, psf: &Psf, [level, sky]: [f32; 2], picture: bool) -> bool {
    let variance = psf.short_axis_px().powi(2);
    let part = if picture { 0.6 } else { 0.3 };
    let share = part * variance / (variance + blob.core_radius());
    f64::from(blob.beside - sky) < share * f64::from(level - sky)
}

/// Neither an overexposed area nor, unless stars are as narrow, a lone pixel.
pub(in crate::detect) fn is_star(blob: &Blob, psf: &Psf) -> bool {
    !blob.overflowed && (blob.area >= 2 || psf.sigma_px < 1.0)
}
