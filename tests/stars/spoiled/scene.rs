//! A frame of the real sky being painted: first the light of its stars, then what else shines or
//! hides, then the camera.

use super::shape::Shape;
use super::sky_check::apart_arcsec;
use crate::star_field::{Canvas, Random, Star};
use sample_fields::{Catalogue, FieldSpec, TangentFrame, Truth};

/// Magnitude at which the catalogue ends.
const CATALOGUE_LIMIT: f64 = 11.0;
/// Star counts grow about as 10^(0.35 m) near magnitude 12 (common practice, rounded).
const COUNT_SLOPE: f64 = 0.35;
/// Signal-to-noise of a star of the reference magnitude on an unspoiled frame.
const REFERENCE_SNR: f64 = 8.0;
/// From this signal-to-noise on a star counts as shown; detection limits of 5 to 10 are common
/// practice.
const SHOWN_SNR: f64 = 8.0;
/// Electrons per count.
const GAIN: f64 = 2.0;
/// A pixel holds this many counts.
const CEILING: f64 = 65_535.0;

/// A frame in the making. Positions are pixels of `light`, 0-based, in stored order.
pub struct Scene {
    pub spec: FieldSpec,
    pub random: Random,
    /// How a star looks.
    pub shape: Shape,
    /// Light that comes through the telescope; pixels are `binning` times finer than the frame's.
    pub light: Canvas,
    /// Counts that the camera adds itself.
    pub camera: Canvas,
    /// Share of starlight that arrives, 0 behind what hides the sky.
    pub clearness: Canvas,
    /// Stars of the catalogue on the frame, brightest first.
    pub stars: Vec<Star>,
    pub binning: usize,
}

impl Scene {
    /// A clear field of the real sky somewhere, 1.5 to 25 degrees wide, log-uniform.
    pub fn new(mut random: Random, shape: Shape, binning: usize, k1: f64) -> Scene {
        let dec_deg = (1.96 * random.uniform() - 0.98).asin().to_degrees();
        let (ra_deg, turn_deg) = (360.0 * random.uniform(), 360.0 * random.uniform());
        let width_deg = 1.5 * (25.0_f64 / 1.5).powf(random.uniform());
        let (width, height) =
            [(1200, 800), (1000, 1000), (1280, 960)][(3.0 * random.uniform()) as usize];
        let spec = FieldSpec {
            width_px: if binning > 1 { 2 * width } else { width },
            height_px: if binning > 1 { 2 * height } else { height },
            rotation_deg: turn_deg,
            mirrored: random.uniform() < 0.2,
            k1,
            ..FieldSpec::new(ra_deg, dec_deg, width_deg)
        };
        let (width, height) = (spec.width_px, spec.height_px);
        let mut scene = Scene {
            light: Canvas::new(width, height, 0.0),
            camera: Canvas::new(width, height, 0.0),
            clearness: Canvas::new(width, height, 1.0),
            stars: Vec::new(),
            spec,
            random,
            shape,
            binning,
        };
        scene.paint_stars();
        scene
    }

    fn paint_stars(&mut self) {
        let spec = &self.spec;
        let frame = TangentFrame::of(spec);
        let (width, height) = (spec.width_px as f64, spec.height_px as f64);
        let catalogue = Catalogue::embedded().expect("the catalogue in the repository");
        let reach_arcsec = 3600.0 * spec.scale_deg_per_px() * width.hypot(height);
        let mut seen: Vec<(f64, [f64; 2])> = catalogue
            .stars
            .iter()
            .filter_map(|star| {
                // Far outside, the formula of a barrel lens folds the sky back onto the frame.
                let place = [star.ra_deg, star.dec_deg];
                if apart_arcsec(place, [spec.ra_deg, spec.dec_deg]) > reach_arcsec {
                    return None;
                }
                let [x, y] = frame.fits_pixel_of(star.ra_deg, star.dec_deg)?;
                let inside = (0.5..width + 0.5).contains(&x) && (0.5..height + 0.5).contains(&y);
                inside.then_some((star.magnitude, [x - 1.0, y - 1.0]))
            })
            .collect();
        seen.sort_by(|a, b| a.0.total_cmp(&b.0));
        let of_wide_field = seen.get(800).map_or(f64::INFINITY, |(m, _)| *m);
        let reference = of_wide_field.min(12.5);
        let unit = REFERENCE_SNR * self.sky_noise() * self.shape.sharpest().noise_px();
        let flux = |magnitude: f64| unit * 10f64.powf(0.4 * (reference - magnitude));
        let random = &mut self.random;
        let mut flux_here = |magnitude: f64| flux(magnitude + 0.12 * random.normal());
        self.stars = seen
            .iter()
            .map(|&(magnitude, [x, y])| Star {
                x,
                y,
                flux: flux_here(magnitude),
            })
            .collect();
        let mut stars = self.stars.clone();
        let (from, to) = (CATALOGUE_LIMIT, reference + 1.5);
        if to > from {
            let more = 10f64.powf(COUNT_SLOPE * (to - from)) - 1.0;
            for _ in 0..((seen.len() as f64 * more) as usize).min(20_000) {
                let among = 1.0 + more * self.random.uniform();
                stars.push(Star {
                    x: self.random.uniform() * width - 0.5,
                    y: self.random.uniform() * height - 0.5,
                    flux: flux(from + among.log10() / COUNT_SLOPE),
                });
            }
        }
        for star in stars {
            self.shape.paint(&mut self.light, star);
        }
    }

    /// Noise of a pixel of empty, dark sky, counts.
    pub fn sky_noise(&self) -> f64 {
        noise_of(&self.spec, self.spec.sky_adu)
    }

    /// A smooth field of values around 0, of size 1 or so, with hills `size_px` wide.
    pub fn hills(&mut self, size_px: f64) -> impl Fn(f64, f64) -> f64 + use<> {
        let waves: [(f64, f64, f64); 9] = std::array::from_fn(|_| {
            let turn = std::f64::consts::TAU * self.random.uniform();
            let length = size_px * (0.5 + 1.5 * self.random.uniform());
            let k = std::f64::consts::TAU / length;
            (k * turn.cos(), k * turn.sin(), 7.0 * self.random.uniform())
        });
        move |x, y| {
            let sum: f64 = waves
                .iter()
                .map(|(kx, ky, p)| (kx * x + ky * y + p).sin())
                .sum();
            sum / 3.0
        }
    }

    /// Sets how much of the starlight arrives.
    pub fn dim(&mut self, share: impl Fn(f64, f64) -> f64) {
        let width = self.clearness.width;
        for (k, v) in self.clearness.data.iter_mut().enumerate() {
            *v *= share((k % width) as f64, (k / width) as f64);
        }
    }

    /// The counts of the frame, binned, and how many stars of the catalogue show.
    pub fn exposed(mut self) -> Exposed {
        let level = self.spec.sky_adu;
        let mut canvas = self.light;
        for (v, clear) in canvas.data.iter_mut().zip(&self.clearness.data) {
            *v = (*v + level) * clear;
        }
        let wide = self.shape.widest().noise_px();
        let shown: Vec<Star> = self
            .stars
            .iter()
            .filter(|star| {
                let at = star.y.round() as usize * canvas.width + star.x.round() as usize;
                let clear = self.clearness.data.get(at).copied().unwrap_or(0.0);
                let here = surroundings(&canvas, star) + self.camera.data[at].max(0.0);
                star.flux * clear > SHOWN_SNR * noise_of(&self.spec, here) * wide
            })
            .copied()
            .collect();
        canvas.photon_noise(self.spec.read_noise_adu, GAIN, &mut self.random);
        for (v, own) in canvas.data.iter_mut().zip(&self.camera.data) {
            // A pedestal, so that noise does not end at nought.
            *v = (*v + own + 200.0).min(CEILING);
        }
        let binned = binned(&canvas, self.binning);
        let scale = self.spec.scale_deg_per_px() * 3600.0 * self.binning as f64;
        let truth = Truth {
            width_px: binned.width,
            height_px: binned.height,
            ra_deg: self.spec.ra_deg,
            dec_deg: self.spec.dec_deg,
            cd_deg: self
                .spec
                .cd_deg()
                .map(|r| r.map(|v| v * self.binning as f64)),
            scale_arcsec_per_px: scale,
            rotation_deg: self.spec.rotation_deg,
            mirrored: self.spec.mirrored,
            k1: self.spec.k1,
            catalogue_stars: self.stars.len(),
            content: self.spec.content,
        };
        let bin = self.binning as f64;
        let shown = shown
            .iter()
            .map(|s| Star {
                x: (s.x + 0.5) / bin - 0.5,
                y: (s.y + 0.5) / bin - 0.5,
                ..*s
            })
            .collect();
        Exposed {
            canvas: binned,
            truth,
            shown,
            width_deg: self.spec.width_deg,
        }
    }
}

/// A frame as the camera hands it on.
pub struct Exposed {
    pub canvas: Canvas,
    pub truth: Truth,
    /// Stars of the catalogue that stand out from the noise.
    pub shown: Vec<Star>,
    pub width_deg: f64,
}

fn noise_of(spec: &FieldSpec, level: f64) -> f64 {
    (spec.read_noise_adu.powi(2) + level / GAIN).sqrt()
}

/// The median of a ring of pixels around a star: nebula, clouds, moonlight.
fn surroundings(canvas: &Canvas, star: &Star) -> f64 {
    let mut ring: Vec<f64> = (0..16)
        .filter_map(|k| {
            let (dy, dx) = (std::f64::consts::TAU * f64::from(k) / 16.0).sin_cos();
            let (x, y) = (star.x + 22.0 * dx, star.y + 22.0 * dy);
            let inside = x >= 0.0 && y >= 0.0 && (x as usize) < canvas.width;
            inside.then(|| canvas.data.get(y as usize * canvas.width + x as usize))?
        })
        .copied()
        .collect();
    ring.sort_by(f64::total_cmp);
    ring.get(ring.len() / 2).copied().unwrap_or(0.0)
}

/// Means of squares of `bin` pixels.
fn binned(canvas: &Canvas, bin: usize) -> Canvas {
    let (width, height) = (canvas.width / bin, canvas.height / bin);
    let mut out = Canvas::new(width, height, 0.0);
    for (k, v) in out.data.iter_mut().enumerate() {
        let (x, y) = (k % width * bin, k / width * bin);
        let square =
            (0..bin * bin).map(|d| canvas.data[(y + d / bin) * canvas.width + x + d % bin]);
        *v = square.sum::<f64>() / (bin * bin) as f64;
    }
    out
}
