//! From a request to pixels: sky, stars, clouds, noise, saturation.

use crate::paint::{Plane, Stamp};
use crate::stars::{Scene, scene};
use crate::{Channels, Content, Error, FieldSpec, Truth};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, StandardNormal};

/// A star at the reference magnitude has this signal-to-noise ratio in a matched filter.
const REFERENCE_SNR: f64 = 8.0;
/// Independent streams of one seed, so that changing one effect leaves the others as they were.
const STARS_STREAM: u64 = 1;
const CLOUDS_STREAM: u64 = 2;
const NOISE_STREAM: u64 = 3;

/// A rendered frame.
#[derive(Debug, Clone)]
pub struct Field {
    /// Counts, row by row from the first stored row; three per pixel (red, green, blue) when
    /// `samples_per_px` is 3.
    pub pixels: Vec<u16>,
    /// 1, or 3 for [`Channels::Rgb`].
    pub samples_per_px: usize,
    /// Where it points.
    pub truth: Truth,
}

/// Renders one frame.
///
/// The sky's light is laid down without noise, then each pixel gets normal noise of the variance
/// that photons (one electron per count) and the read-out give, and is cut off at 65535. Below
/// some ten counts of sky the normal law is only roughly that of photons.
///
/// # Errors
/// [`Error::Request`] for numbers that make no frame.
pub fn render(spec: &FieldSpec) -> Result<Field, Error> {
    spec.check()?;
    let scene = scene(spec, &mut stream(spec, STARS_STREAM))?;
    let planes = match spec.channels {
        Channels::Mono => vec![light(spec, &scene, 1)],
        Channels::Mosaic | Channels::Rgb => (0..3).map(|c| light(spec, &scene, c)).collect(),
    };
    let samples_per_px = if spec.channels == Channels::Rgb { 3 } else { 1 };
    let pixels = expose(spec, &planes, samples_per_px);
    let truth = Truth {
        width_px: spec.width_px,
        height_px: spec.height_px,
        ra_deg: spec.ra_deg,
        dec_deg: spec.dec_deg,
        cd_deg: spec.cd_deg(),
        scale_arcsec_per_px: spec.scale_deg_per_px() * 3600.0,
        rotation_deg: spec.rotation_deg.rem_euclid(360.0),
        mirrored: spec.mirrored,
        k1: spec.k1,
        catalogue_stars: scene.catalogue_stars,
        content: spec.content,
    };
    Ok(Field {
        pixels,
        samples_per_px,
        truth,
    })
}

fn stream(spec: &FieldSpec, number: u64) -> ChaCha12Rng {
    let mut rng = ChaCha12Rng::seed_from_u64(spec.seed);
    rng.set_stream(number);
    rng
}

/// How bright red (0), green (1) and blue (2) show a star of this B-V, next to one of B-V 0.6.
/// The slopes (magnitudes per magnitude of B-V) are made up to look like a colour camera.
fn tint(channel: usize, colour_bv: f64) -> f64 {
    let slope = [0.45, 0.0, -0.55].get(channel).copied().unwrap_or(0.0);
    libm::pow(10.0, 0.4 * slope * (colour_bv.clamp(-0.4, 2.0) - 0.6))
}

/// The noiseless light of one channel: sky with fall-off, clouds, stars.
fn light(spec: &FieldSpec, scene: &Scene, channel: usize) -> Plane {
    let mut plane = Plane::dark(spec.width_px, spec.height_px);
    let noise = libm::sqrt(spec.sky_adu + spec.read_noise_adu * spec.read_noise_adu);
    if spec.content != Content::Starless {
        let mut stamp = Stamp::new(spec.psf, spec.fwhm_px, noise);
        let reference_flux = REFERENCE_SNR * noise * libm::sqrt(stamp.noise_area_px());
        for source in &scene.sources {
            let fainter = source.magnitude - scene.reference_magnitude;
            let mut flux = reference_flux * libm::pow(10.0, -0.4 * fainter);
            if spec.channels != Channels::Mono {
                flux *= tint(channel, source.colour_bv);
            }
            plane.add_star(&mut stamp, source.x, source.y, flux);
        }
    }
    let sky = (spec.sky_adu * [0.85, 1.0, 0.9].get(channel).copied().unwrap_or(1.0)) as f32;
    for pixel in &mut plane.light {
        *pixel += sky;
    }
    darken_corners(&mut plane, spec.vignetting);
    if spec.content == Content::Starless {
        add_clouds(&mut plane, spec.sky_adu, &mut stream(spec, CLOUDS_STREAM));
    }
    plane
}

fn darken_corners(plane: &mut Plane, vignetting: f64) {
    if vignetting == 0.0 {
        return;
    }
    let (mx, my) = (plane.width as f64 / 2.0, plane.height as f64 / 2.0);
    let corner2 = mx * mx + my * my;
    for (i, pixel) in plane.light.iter_mut().enumerate() {
        let (dx, dy) = ((i % plane.width) as f64 - mx, (i / plane.width) as f64 - my);
        *pixel *= (1.0 - vignetting * (dx * dx + dy * dy) / corner2) as f32;
    }
}

/// Adds soft, wide waves of light: what the lamps of a village make of a closed cloud cover.
fn add_clouds(plane: &mut Plane, sky_adu: f64, rng: &mut ChaCha12Rng) {
    // Waves of 120 to 600 px in random directions, the longer the stronger.
    let waves: Vec<[f64; 4]> = (0..14)
        .map(|_| {
            let length_px = rng.random_range(120.0..600.0);
            let direction = rng.random_range(0.0..std::f64::consts::TAU);
            let turn = std::f64::consts::TAU / length_px;
            let strength = 0.05 * sky_adu * length_px / 600.0;
            [
                turn * libm::cos(direction),
                turn * libm::sin(direction),
                direction * 7.0,
                strength,
            ]
        })
        .collect();
    for (i, pixel) in plane.light.iter_mut().enumerate() {
        let (x, y) = ((i % plane.width) as f64, (i / plane.width) as f64);
        let swell = |[kx, ky, phase, strength]: &[f64; 4]| {
            strength * (1.0 + libm::sin(kx * x + ky * y + phase))
        };
        *pixel += waves.iter().map(swell).sum::<f64>() as f32;
    }
}

/// Photon noise, read noise, hot pixels and the converter's limit; picks the mosaic's colours.
fn expose(spec: &FieldSpec, planes: &[Plane], samples_per_px: usize) -> Vec<u16> {
    let mut rng = stream(spec, NOISE_STREAM);
    let read_variance = (spec.read_noise_adu * spec.read_noise_adu) as f32;
    let mut record = |light: f32| {
        let normal: f32 = StandardNormal.sample(&mut rng);
        (light + normal * (light.max(0.0) + read_variance).sqrt())
            .round()
            .clamp(0.0, 65535.0) as u16
    };
    let mut pixels = Vec::with_capacity(spec.width_px * spec.height_px * samples_per_px);
    for y in 0..spec.height_px {
        for x in 0..spec.width_px {
            let at = |plane: usize| {
                planes
                    .get(plane)
                    .and_then(|p| p.light.get(y * p.width + x))
                    .copied()
                    .unwrap_or(0.0)
            };
            match spec.channels {
                Channels::Mono => pixels.push(record(at(0))),
                // Red, green / green, blue.
                Channels::Mosaic => pixels.push(record(at(x % 2 + y % 2))),
                Channels::Rgb => pixels.extend([record(at(0)), record(at(1)), record(at(2))]),
            }
        }
    }
    for _ in 0..spec.hot_pixels {
        let place = rng.random_range(0..pixels.len());
        let glow = rng.random_range(500..20_000);
        if let Some(pixel) = pixels.get_mut(place) {
            *pixel = pixel.saturating_add(glow);
        }
    }
    pixels
}
