//! What spoils frames, each at moderate strength drawn at random.

use super::scene::{Exposed, Scene};
use super::shape::Shape;
use crate::star_field::{Random, Star};
use std::f64::consts::TAU;

macro_rules! defects {
    ($($name:ident,)*) => {
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Defect {
            $($name,)*
        }

        pub const ALL: &[Defect] = &[$(Defect::$name,)*];
    };
}

defects! {
    HotPixels,
    BadColumns,
    Banding,
    CosmicRays,
    AmplifierGlow,
    Vignetting,
    Gradient,
    Moonlight,
    ThinCloud,
    Nebula,
    Galaxy,
    GlobularCluster,
    BrightStars,
    Satellites,
    Aircraft,
    Drift,
    OutOfFocus,
    NarrowStars,
    OffAxis,
    Distortion,
    Dew,
    Roof,
    Horizon,
    Binned,
    FocusingMask,
    StretchedJpeg,
    Caption,
    Windows,
}

use Defect::*;

/// Pairs that no frame has at once.
const APART: [(Defect, Defect); 6] = [
    (NarrowStars, Binned),
    (NarrowStars, OutOfFocus),
    (NarrowStars, Dew),
    (Roof, Horizon),
    (OutOfFocus, FocusingMask),
    (Caption, Windows),
];

/// One or two of them.
pub fn draw(count: usize, random: &mut Random) -> Vec<Defect> {
    let mut drawn: Vec<Defect> = Vec::new();
    while drawn.len() < count {
        let next = ALL[(random.uniform() * ALL.len() as f64) as usize];
        let clash =
            |d: &Defect| *d == next || APART.contains(&(*d, next)) || APART.contains(&(next, *d));
        if !drawn.iter().any(clash) {
            drawn.push(next);
        }
    }
    drawn
}

/// A number between `low` and `high`.
fn between(random: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * random.uniform()
}

/// A frame with these defects, as the camera hands it on.
pub fn expose(defects: &[Defect], mut random: Random) -> Exposed {
    let has = |d: Defect| defects.contains(&d);
    let fwhm = if has(NarrowStars) {
        (1.0, 1.3)
    } else {
        (2.0, 4.0)
    };
    let mut shape = Shape::round(between(&mut random, fwhm.0, fwhm.1));
    for defect in defects {
        look(*defect, &mut shape, &mut random);
    }
    let k1 = if has(Distortion) {
        // The corners of a 3:2 frame lie 1.2 half widths out.
        [0.014, -0.014][usize::from(random.uniform() < 0.5)]
    } else {
        0.0
    };
    let binning = if has(Binned) { 4 } else { 1 };
    let mut scene = Scene::new(random, shape, binning, k1);
    let mut later: Vec<Defect> = defects.to_vec();
    // What shines lies behind what hides it, whatever the order drawn.
    later.sort_by_key(|d| *d as usize);
    for defect in later {
        spoil(defect, &mut scene);
    }
    scene.exposed()
}

/// What a defect does to the look of stars.
fn look(defect: Defect, shape: &mut Shape, random: &mut Random) {
    let turn = TAU * random.uniform();
    match defect {
        Drift => shape.drift(between(random, 5.0, 20.0), turn),
        OutOfFocus => {
            let outer = between(random, 4.0, 15.0);
            shape.defocus(outer, outer * between(random, 0.3, 0.5));
        }
        FocusingMask => shape.mask(
            between(random, 15.0, 35.0),
            between(random, -4.0, 4.0),
            turn,
        ),
        OffAxis => shape.off_axis(between(random, 2.0, 6.0), between(random, 0.0, 0.35)),
        Dew => shape.dew(between(random, 0.3, 0.6), between(random, 10.0, 25.0)),
        _ => {}
    }
}

fn spoil(defect: Defect, scene: &mut Scene) {
    let (width, height) = (scene.light.width as f64, scene.light.height as f64);
    let size = width.min(height);
    let sky = scene.spec.sky_adu;
    let noise = scene.sky_noise();
    let fine = scene.binning as f64;
    let random = &mut scene.random;
    let turn = TAU * random.uniform();
    match defect {
        HotPixels => {
            let count = scene.camera.data.len() / 1500;
            scene.camera.hot_pixels(count, 20_000.0, random);
            scene.camera.hot_pixels(count / 4, -1000.0, random);
        }
        BadColumns => {
            for _ in 0..6 {
                let x = (random.uniform() * width) as usize;
                let from = (random.uniform() * 0.6 * height) as usize;
                let value = between(random, -600.0, 3000.0);
                scene.camera.column(x, from, value);
            }
        }
        Banding => {
            let columns = scene.camera.width;
            let rows: Vec<f64> = (0..scene.camera.height)
                .map(|_| 1.5 * noise * random.normal())
                .collect();
            for (k, v) in scene.camera.data.iter_mut().enumerate() {
                *v += rows[k / columns];
            }
        }
        CosmicRays => scene.camera.cosmic_rays(150, 20_000.0, random),
        AmplifierGlow => {
            let (peak, reach) = (
                between(random, 3000.0, 20_000.0),
                between(random, 0.05, 0.2) * width,
            );
            let y0 = random.uniform() * height;
            scene
                .camera
                .glow(|x, y| peak * (-(width - x).hypot(y - y0) / reach).exp());
        }
        Vignetting => {
            let loss = between(random, 0.4, 0.7);
            scene.dim(|x, y| {
                let r2 = (2.0 * x / width - 1.0).powi(2) + (2.0 * y / height - 1.0).powi(2);
                1.0 - loss * r2 / 2.0
            });
        }
        Gradient => {
            let slope = between(random, 1.0, 5.0) * sky / size;
            let (dy, dx) = turn.sin_cos();
            scene.light.glow(|x, y| {
                slope * (dx * (x - width / 2.0) + dy * (y - height / 2.0) + 0.7 * size).max(0.0)
            });
        }
        Moonlight => {
            let level = between(random, 3.0, 12.0) * sky;
            let (dy, dx) = turn.sin_cos();
            scene
                .light
                .glow(|x, y| level * (1.0 + 0.4 * (dx * x / width + dy * y / height)));
        }
        ThinCloud => {
            let hills = scene.hills(0.5 * size);
            let share = move |x: f64, y: f64| 0.25 + 0.7 / (1.0 + (2.0 * hills(x, y)).exp());
            scene.dim(&share);
            scene.light.glow(|x, y| 2.5 * sky * (1.0 - share(x, y)));
        }
        Nebula => {
            let (peak, finest) = (between(random, 1.0, 6.0) * sky, between(random, 12.0, 30.0));
            scene.light.nebula(peak, finest, random);
            let steepness = between(random, 0.0, 0.4) * noise;
            scene.light.ragged_nebula(steepness, random);
        }
        Galaxy => {
            let (x0, y0) = (
                between(random, 0.3, 0.7) * width,
                between(random, 0.3, 0.7) * height,
            );
            let (reach, flat) = (
                between(random, 0.03, 0.12) * size,
                between(random, 0.25, 0.8),
            );
            let peak = between(random, 3.0, 20.0) * sky;
            let (s, c) = turn.sin_cos();
            scene.light.glow(|x, y| {
                let (u, v) = (c * (x - x0) + s * (y - y0), c * (y - y0) - s * (x - x0));
                // An exponential disc (Freeman 1970).
                peak * (-u.hypot(v / flat) / reach).exp()
            });
        }
        GlobularCluster => {
            let (x0, y0) = (
                between(random, 0.3, 0.7) * width,
                between(random, 0.3, 0.7) * height,
            );
            let core = between(random, 0.01, 0.03) * size;
            let brightest = 40.0 * noise * scene.shape.noise_px();
            for _ in 0..1200 {
                // Plummer (1911): the projected radius that holds the share u.
                let u = 0.95 * random.uniform();
                let r = core * (u / (1.0 - u)).sqrt();
                let (dy, dx) = (TAU * random.uniform()).sin_cos();
                let star = Star {
                    x: x0 + r * dx,
                    y: y0 + r * dy,
                    flux: brightest * random.uniform().powi(6),
                };
                scene.shape.paint(&mut scene.light, star);
            }
        }
        BrightStars => {
            for _ in 0..1 + (random.uniform() * 3.0) as usize {
                let star = Star {
                    x: between(random, 0.1, 0.9) * width,
                    y: between(random, 0.1, 0.9) * height,
                    flux: 10f64.powf(between(random, 6.5, 8.0)),
                };
                scene.shape.paint(&mut scene.light, star);
                let reach = 20.0 * (star.flux / 1e6).powf(0.4);
                let run = (1.5 * reach) as usize;
                let blooms = star.y - (run as f64) > 0.0 && star.y + (run as f64) < height;
                if blooms && random.uniform() < 0.5 {
                    scene
                        .light
                        .blooming_star(Star { flux: 0.0, ..star }, 1.0, run, run / 2);
                }
                for arm in 0..4 {
                    let (dy, dx) = (turn + TAU / 4.0 * f64::from(arm)).sin_cos();
                    for step in 1..(6.0 * reach) as usize {
                        let along = step as f64;
                        let light = Star {
                            x: star.x + along * dx,
                            y: star.y + along * dy,
                            flux: 3e-4 * star.flux * (-along / reach).exp(),
                        };
                        scene.light.star(light, 1.0);
                    }
                }
            }
        }
        Satellites => {
            for _ in 0..1 + (random.uniform() * 3.0) as usize {
                let (left, right) = (random.uniform() * height, random.uniform() * height);
                let (sigma, peak) = (
                    between(random, 1.0, 2.5),
                    between(random, 4.0, 60.0) * noise,
                );
                scene.light.trail(left, right, fine * sigma, peak);
            }
        }
        Aircraft => {
            let (left, right) = (random.uniform() * height, random.uniform() * height);
            scene.light.trail(left, right, 2.0 * fine, 8.0 * noise);
            let apart = between(random, 30.0, 110.0) * fine;
            for k in 0..(width / apart) as usize {
                let x = (k as f64 + 0.5) * apart;
                let y = left + (right - left) * x / width;
                for (aside, flux) in [(0.0, 1.0), (5.0, 0.4)] {
                    let flux = flux * 150.0 * noise * fine * fine;
                    let light = Star {
                        x,
                        y: y + aside * fine,
                        flux,
                    };
                    scene.light.star(light, 1.4 * fine);
                }
            }
        }
        Roof => {
            // Everything beyond a straight edge.
            let (dy, dx) = turn.sin_cos();
            let edge = between(random, -0.05, 0.25) * size;
            hide(scene, move |x, y| {
                dx * (x - width / 2.0) + dy * (y - height / 2.0) - edge
            });
        }
        Horizon => {
            let at = between(random, 0.1, 0.35) * height;
            let (hills, trees) = (scene.hills(0.6 * width), scene.hills(18.0 * fine));
            let high = 0.04 * height;
            let glow = between(&mut scene.random, 1.0, 4.0) * sky;
            scene
                .light
                .glow(|_, y| glow * (-(y - at).max(0.0) / (0.25 * height)).exp());
            hide(scene, move |x, y| {
                at + high * hills(x, 0.0) + 5.0 * fine * trees(x, 0.0).abs() - y
            });
        }
        _ => {}
    }
}

/// Puts something dark, out of focus, in front of the sky wherever `inside` is positive (pixels
/// from its edge).
fn hide(scene: &mut Scene, inside: impl Fn(f64, f64) -> f64) {
    let soft = scene.binning as f64 * between(&mut scene.random, 0.6, 6.0);
    // What lies in front of the telescope is not quite black; no star shines through it.
    let lit = between(&mut scene.random, 0.05, 0.7) * scene.spec.sky_adu;
    let share = |x: f64, y: f64| 1.0 / (1.0 + (inside(x, y) / soft).exp());
    scene.dim(share);
    scene.camera.glow(|x, y| lit * (1.0 - share(x, y)));
}
