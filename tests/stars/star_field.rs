//! Renders star fields with a known truth for tests and benches: Gaussian stars integrated over
//! pixels, sky, noise; the same frame from the same seed on every machine.

use nightfix::frame::{Clues, Frame, Pixels};

/// A star to draw.
#[derive(Debug, Clone, Copy)]
pub struct Star {
    /// Centre, 0-based pixels.
    pub x: f64,
    /// See `x`.
    pub y: f64,
    /// Sum of its pixels.
    pub flux: f64,
}

/// SplitMix64 (Steele, Lea & Flood 2014).
pub struct Random(pub u64);

impl Random {
    /// Uniform in [0, 1).
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Nearly normal, mean 0, variance 1: twelve uniforms.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// A plane of numbers to draw on.
#[derive(Debug, Clone)]
pub struct Canvas {
    /// Pixels along x.
    pub width: usize,
    /// Pixels along y.
    pub height: usize,
    /// `width * height` values.
    pub data: Vec<f64>,
}

impl Canvas {
    /// A constant sky.
    pub fn new(width: usize, height: usize, sky: f64) -> Canvas {
        Canvas {
            width,
            height,
            data: vec![sky; width * height],
        }
    }

    /// Adds a Gaussian star, integrated over each pixel by 5 x 5 midpoints.
    pub fn star(&mut self, star: Star, sigma: f64) {
        let reach = (6.0 * sigma).ceil() + 2.0;
        let span = |centre: f64, size: usize| {
            let low = (centre.round() - reach).max(0.0) as usize;
            let high = (centre.round() + reach + 1.0).clamp(0.0, size as f64) as usize;
            low..high.max(low)
        };
        let profile = |centre: f64, size: usize| -> Vec<(usize, f64)> {
            span(centre, size)
                .map(|i| {
                    let value: f64 = (0..5)
                        .map(|k| {
                            let d = i as f64 + (f64::from(k) - 2.0) / 5.0 - centre;
                            (-0.5 * d * d / (sigma * sigma)).exp()
                        })
                        .sum();
                    (
                        i,
                        value / 5.0 / (sigma * (2.0 * std::f64::consts::PI).sqrt()),
                    )
                })
                .collect()
        };
        let (px, py) = (profile(star.x, self.width), profile(star.y, self.height));
        for (j, vy) in &py {
            for (i, vx) in &px {
                self.data[j * self.width + i] += star.flux * vx * vy;
            }
        }
    }

    /// Adds normal noise of a constant deviation.
    pub fn noise(&mut self, deviation: f64, random: &mut Random) {
        for v in &mut self.data {
            *v += deviation * random.normal();
        }
    }

    /// The frame, rounded and clipped to `ceiling`.
    pub fn frame(&self, ceiling: f64) -> Frame {
        let data = self
            .data
            .iter()
            .map(|v| v.round().clamp(0.0, ceiling) as u16)
            .collect();
        frame_of(self.width, self.height, Pixels::U16(data))
    }
}

/// A frame from pixels, with nothing claimed.
pub fn frame_of(width: usize, height: usize, pixels: Pixels) -> Frame {
    Frame {
        path: "rendered".into(),
        width,
        height,
        pixels,
        mosaic_stated: None,
        first_row_on_top: true,
        orientation: 1,
        nonlinear: false,
        clues: Clues::default(),
    }
}

/// Stars at random places at least `edge` from the border, fluxes falling as a power law from
/// `faintest` on as star counts do.
pub fn scatter(
    width: usize,
    height: usize,
    count: usize,
    faintest: f64,
    edge: f64,
    random: &mut Random,
) -> Vec<Star> {
    (0..count)
        .map(|_| Star {
            x: edge + random.uniform() * (width as f64 - 1.0 - 2.0 * edge),
            y: edge + random.uniform() * (height as f64 - 1.0 - 2.0 * edge),
            flux: (faintest / (1.0 - random.uniform())).min(400.0 * faintest),
        })
        .collect()
}
