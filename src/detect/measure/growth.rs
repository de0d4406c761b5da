//! The light of a star in a picture, out to where the star ends.
//!
//! The tone curve of a picture flattens bright stars at a level of its own, often below white and
//! lower in the middle of a nebula, and what is left of their brightness is their size. Summed from
//! the middle to where the star no longer falls, the light grows with the star's whatever the curve,
//! as long as that is the same all around it. Rings are taken by their medians, so that neighbours
//! and spikes do not count, and above the level at the star's own end, so that a nebula or a halo
//! that the background has swallowed does not either.

use super::Stamp;
use crate::detect::typical::Psf;
use std::f64::consts::PI;

/// Largest radius that is looked at, pixels: what a stamp holds.
pub(super) const MOST_PX: f64 = 48.0;
/// At these parts of its height the width of an image is compared with that of a typical star: one low
/// enough for a ring that sharpening has dug around the middle, and one that a nebula around a faint star
/// does not reach.
const PARTS_OF_HEIGHT: [f64; 2] = [0.25, 0.5];
/// From this many times the typical star's on an image is wider. Of 222 stars of a raw mosaic, alike as
/// they are in a linear frame, 7 % are and keep their order, of four stretched pictures 27 to 31 %.
const WIDER: f64 = 1.35;
/// A typical star is taken to be no narrower than this, standard deviation in pixels.
const LEAST_SIGMA_PX: f64 = 0.84;
/// A star ends where half its radius and two rings further out it has fallen by less than this share
/// of its height: sharpening digs rings that are narrower than that.
const LEAST_FALL: f32 = 0.03;

/// How large the image of a star is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Size {
    /// Light out to where it ends, in units of the stamp.
    pub light: f64,
    /// Where it falls to the lower part of its height, pixels.
    pub radius: f64,
}

/// Rings of one pixel around a star, and their medians. The innermost is a circle of one pixel's
/// radius, which holds a pixel wherever in it the star lies.
#[derive(Debug, Default)]
pub(super) struct Rings {
    values: Vec<Vec<f32>>,
    medians: Vec<f32>,
}

impl Rings {
    /// Size of the star at the middle of `stamp`, where it is wider than those of this frame; `None`
    /// where it is not.
    pub fn size_of_wide(&mut self, stamp: &Stamp, at: (f64, f64), psf: &Psf) -> Option<Size> {
        self.take(stamp, at);
        for part in PARTS_OF_HEIGHT {
            // Those of a Gaussian, at least of one that fills a pixel.
            let sigmas = (-2.0 * part.ln()).sqrt();
            if self.radius(part)? <= WIDER * sigmas * psf.sigma_px.max(LEAST_SIGMA_PX) {
                return None;
            }
        }
        let [low, half] = PARTS_OF_HEIGHT.map(|part| self.radius(part));
        let (radius, light) = (low?, self.light(half?));
        light.is_finite().then_some(Size { light, radius })
    }

    /// Height of the star at the middle of `stamp`, in its units.
    pub fn height(&mut self, stamp: &Stamp, at: (f64, f64)) -> f32 {
        self.take(stamp, at);
        self.highest()
    }

    fn take(&mut self, stamp: &Stamp, (x, y): (f64, f64)) {
        let count = (stamp.side / 2).min(MOST_PX as usize) + 1;
        self.values.resize_with(count, Vec::new);
        self.values.iter_mut().for_each(Vec::clear);
        for j in 0..stamp.side {
            let dy = stamp.y0 + j as f64 - y;
            for i in 0..stamp.side {
                let ring = (stamp.x0 + i as f64 - x).hypot(dy) as usize;
                if let Some(values) = self.values.get_mut(ring) {
                    values.push(stamp.at(i, j));
                }
            }
        }
        let median = |values: &mut Vec<f32>| {
            let middle = values.len() / 2;
            *values.select_nth_unstable_by(middle, f32::total_cmp).1
        };
        let filled = self
            .values
            .iter_mut()
            .take_while(|values| !values.is_empty());
        self.medians.clear();
        self.medians.extend(filled.map(median));
    }

    fn highest(&self) -> f32 {
        self.medians.iter().copied().fold(f32::MIN, f32::max)
    }

    /// Where it falls to this part of the star's height above the lowest ring, counted from the highest
    /// ring: a plateau may have a hollow in its middle.
    fn radius(&self, part: f64) -> Option<f64> {
        let floor = self.medians.iter().copied().fold(f32::MAX, f32::min);
        let top = self.highest();
        let limit = floor + part as f32 * (top - floor);
        let crest = self.medians.iter().position(|m| *m == top)?;
        let below = crest + self.medians[crest..].iter().position(|m| *m < limit)?;
        let before = below.checked_sub(1)?;
        let (a, b) = (self.medians[before], self.medians[below]);
        // A ring stands for its middle.
        Some(before as f64 + 0.5 + f64::from((a - limit) / (a - b)))
    }

    /// Light out to where the star ends, beyond `radius` in any case.
    fn light(&self, radius: f64) -> f64 {
        let top = self.highest();
        let mut end = radius.ceil() as usize;
        let base = loop {
            let Some(beyond) = self.medians.get(end + end / 2 + 2) else {
                // It reaches beyond the stamp.
                break *self.medians.last().unwrap_or(&0.0);
            };
            if self.medians[end] - beyond < LEAST_FALL * (top - beyond) {
                break *beyond;
            }
            end += 1;
        };
        let rings = self.medians.iter().take(end + 1).enumerate();
        rings
            .map(|(ring, m)| PI * (2 * ring + 1) as f64 * f64::from((m - base).max(0.0)))
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::background::{Background, Scene, SkyLevel, draw};
    use crate::detect::pixels::{Image, Plane, View};

    type Curve = fn(f64) -> f64;

    const SIDE: usize = 160;
    const SIGMA: f64 = 1.6;

    /// A star with a wide halo, seen through a tone curve.
    fn star(light: f64, tone: Curve, centre: (f64, f64)) -> Vec<f32> {
        let at = |k: usize| {
            let (x, y) = ((k % SIDE) as f64 - centre.0, (k / SIDE) as f64 - centre.1);
            let r2 = x * x + y * y;
            let profile = (1.0 + r2 / (2.5 * 2.5 * SIGMA * SIGMA)).powf(-2.5);
            tone(0.02 + light * profile) as f32
        };
        (0..SIDE * SIDE).map(at).collect()
    }

    fn light(data: &[f32], at: (f64, f64)) -> f64 {
        let image = Image {
            data,
            width: SIDE,
            height: SIDE,
        };
        let view = View {
            image: &image,
            mosaic: false,
            saturation: f32::INFINITY,
            picture: true,
            single_pixels: false,
        };
        let plane = Plane::binned(&image, 1).0;
        let cell = Background::Plain.cell_px(&image, 4.0, 14.0);
        let sky = SkyLevel::new(draw::<f32>(&plane, cell, f32::INFINITY), 1);
        let mut stamp = Stamp::default();
        stamp.cut(
            &Scene {
                view: &view,
                sky: &sky,
            },
            at,
            MOST_PX,
        );
        let mut rings = Rings::default();
        rings.take(&stamp, at);
        rings.light(rings.radius(0.5).unwrap())
    }

    /// The tone curves of pictures: a plateau below white, a shoulder, and one that falls again in
    /// the brightest parts, as local contrast has it.
    #[test]
    fn it_grows_with_the_star_whatever_the_tone_curve() {
        let curves: [(&str, Curve); 4] = [
            ("linear", |v| v),
            ("asinh, plateau", |v| ((v / 0.02).asinh() * 40.0).min(180.0)),
            ("shoulder", |v| 200.0 * (1.0 - (-v / 0.1).exp())),
            ("hollow", |v| {
                let shown = ((v / 0.02).asinh() * 40.0).min(200.0);
                shown - 30.0 * ((v - 3.0) / 3.0).clamp(0.0, 1.0)
            }),
        ];
        for (name, curve) in curves {
            let mut last = 0.0;
            for magnitude in 0..7 {
                let brightness = 0.2 * 10f64.powf(0.4 * f64::from(magnitude));
                let at = (80.2, 79.7);
                let seen = light(&star(brightness, curve, at), at);
                assert!(
                    seen > 1.1 * last,
                    "{name}, {magnitude}: {seen} after {last}"
                );
                last = seen;
            }
        }
    }

    /// Where in its pixel a star lies is chance, and changes its light by little.
    #[test]
    fn a_star_between_four_pixels_has_its_light() {
        let of = |at| light(&star(20.0, |v| 200.0 * (1.0 - (-v / 0.1).exp()), at), at);
        let (within, between) = (of((80.0, 80.0)), of((80.5, 79.5)));
        assert!((between / within - 1.0).abs() < 0.05, "{within} {between}");
    }
}
