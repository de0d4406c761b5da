//! Shapes of well-exposed single stars all over the frame: what focus, guiding and optics are
//! judged by.

use crate::detect::background::Scene;
use crate::detect::measure::{LEAST_WINDOW_PX, Stamp, Window};
use crate::detect::pixels::{Image, Pixel, View};
use crate::detect::typical::FWHM_PER_SIGMA;
use crate::detect::{Detection, Detections};
use crate::frame::{Frame, Pixels};
use rayon::prelude::*;

/// Shape of one star image.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StarShape {
    /// Centre, 0-based pixels.
    pub x_px: f64,
    /// See `x_px`.
    pub y_px: f64,
    /// Second moments under a Gaussian window of the star's own width, the window's effect
    /// removed, square pixels: along x, along y, and mixed. Those of a Gaussian star are its
    /// covariance.
    pub moments_px2: [f64; 3],
    /// Diameter of the circle about the centroid that holds half the light, pixels.
    pub hfd_px: f64,
    /// All the light, and how far its middle lies from the centre along x and y.
    pub light: Light,
}

/// Light of a star, within reach of its centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Light {
    /// In the frame's own units.
    pub flux: f64,
    /// From the star's centre to the middle of the light, pixels along x and y: a centre that looks at
    /// the bright part alone, as detection's does, lies elsewhere in a lopsided image.
    pub off_centre_px: [f64; 2],
}

/// Regions along x and y from which stars are taken, so that every part of the frame has a say.
const REGIONS: [usize; 2] = [6, 4];
/// Stars from each region, the brightest.
const MOST_PER_REGION: usize = 10;
/// Fainter than this the half-light circle is mostly noise.
const LEAST_SNR: f64 = 10.0;
/// A neighbour with this share of the light, nearer than this many widths, spoils a shape.
const SPOILING_SHARE: f64 = 0.03;
const SPOILING_WIDTHS: f64 = 3.5;
/// Light within this many widths (FWHM) of the centroid counts as the star's: all of a Gaussian,
/// 97 % of a Moffat profile of beta 3.
const REACH_WIDTHS: f64 = 2.0;
/// Largest radius measured, pixels.
const MOST_REACH_PX: f64 = 36.0;

/// Measures up to ten single, unsaturated stars in each region of `frame`.
pub(super) fn shapes(frame: &Frame, detections: &Detections) -> Vec<StarShape> {
    match &frame.pixels {
        Pixels::U8(data) => shapes_in(frame, data, detections),
        Pixels::U16(data) => shapes_in(frame, data, detections),
        Pixels::F32(data) => shapes_in(frame, data, detections),
    }
}

fn shapes_in<P: Pixel>(frame: &Frame, data: &[P], detections: &Detections) -> Vec<StarShape> {
    let (width, height) = (frame.width, frame.height);
    let Some(sky) = &detections.sky else {
        return Vec::new();
    };
    if !(detections.fwhm_px > 0.0) {
        return Vec::new();
    }
    let image = Image {
        data,
        width,
        height,
    };
    let view = View {
        image: &image,
        mosaic: detections.mosaic,
        saturation: detections
            .saturation_level
            .map_or(f32::INFINITY, |level| level as f32),
        picture: frame.nonlinear,
        single_pixels: false,
    };
    let scene = Scene { view: &view, sky };
    let reach = (REACH_WIDTHS * detections.fwhm_px + 1.0).min(MOST_REACH_PX);
    chosen(detections, reach)
        .par_iter()
        .map_init(Default::default, |buffers, star| {
            shape(&scene, star, detections.fwhm_px, reach, buffers)
        })
        .flatten()
        .collect()
}

/// The stars that are measured: those at least `reach` pixels from every edge.
fn chosen(detections: &Detections, reach: f64) -> Vec<Detection> {
    let Detections {
        stars,
        width,
        height,
        fwhm_px,
        ..
    } = detections;
    let mut taken = [0; REGIONS[0] * REGIONS[1]];
    let region = |v: f64, size: usize, count: usize| {
        ((v.max(0.0) / size as f64 * count as f64) as usize).min(count - 1)
    };
    stars
        .iter()
        .filter(|s| !s.saturated && s.snr >= LEAST_SNR)
        .filter(|s| {
            let inside = |v: f64, size: usize| v >= reach && v + reach <= (size - 1) as f64;
            inside(s.x_px, *width) && inside(s.y_px, *height) && is_single(s, stars, *fwhm_px)
        })
        .filter(|s| {
            let (i, j) = (
                region(s.x_px, *width, REGIONS[0]),
                region(s.y_px, *height, REGIONS[1]),
            );
            let count = &mut taken[j * REGIONS[0] + i];
            *count += 1;
            *count <= MOST_PER_REGION
        })
        .copied()
        .collect()
}

fn is_single(star: &Detection, stars: &[Detection], fwhm_px: f64) -> bool {
    let near = SPOILING_WIDTHS * fwhm_px;
    stars.iter().all(|other| {
        let (dx, dy) = (other.x_px - star.x_px, other.y_px - star.y_px);
        let d2 = dx * dx + dy * dy;
        d2 == 0.0 || d2 > near * near || other.flux < SPOILING_SHARE * star.flux
    })
}

/// Buffers of one thread.
#[derive(Default)]
struct Buffers {
    stamp: Stamp,
    window: Window,
    sample: Vec<f32>,
    growth: Growth,
}

/// Those of the growth curve.
#[derive(Default)]
struct Growth {
    squares: Vec<f64>,
    growth: Vec<f64>,
    rings: Vec<u32>,
}

fn shape<P: Pixel>(
    scene: &Scene<'_, P>,
    star: &Detection,
    fwhm_px: f64,
    reach: f64,
    buffers: &mut Buffers,
) -> Option<StarShape> {
    let at = (star.x_px, star.y_px);
    let outer = 1.25 * reach + 2.0;
    let Buffers {
        stamp,
        window,
        sample,
        growth,
    } = buffers;
    stamp.cut(scene, at, outer);
    // The half-light circle feels an error of the sky more than a centroid does: the ring's own.
    if let Some((sky, _, _)) = stamp.ring(at, (reach, outer), sample) {
        stamp.lower(sky);
    }
    let sigma = (fwhm_px / FWHM_PER_SIGMA).max(LEAST_WINDOW_PX);
    let moments = window.adaptive(stamp, at, sigma, MOST_REACH_PX / 2.0)?;
    let hfd_px = half_flux_diameter(stamp, at, reach, growth)?;
    Some(StarShape {
        x_px: star.x_px,
        y_px: star.y_px,
        moments_px2: [moments.xx, moments.yy, moments.xy],
        hfd_px,
        light: light_within(stamp, at, reach)?,
    })
}

/// The light within `reach` of (x, y); `None` without light.
fn light_within(stamp: &Stamp, (x, y): (f64, f64), reach: f64) -> Option<Light> {
    let (mut flux, mut along) = (0.0, [0.0; 2]);
    for j in 0..stamp.side {
        let dy = stamp.y0 + j as f64 - y;
        for i in 0..stamp.side {
            let dx = stamp.x0 + i as f64 - x;
            if dx * dx + dy * dy <= reach * reach {
                let value = f64::from(stamp.at(i, j));
                flux += value;
                along[0] += value * dx;
                along[1] += value * dy;
            }
        }
    }
    (flux > 0.0).then(|| Light {
        flux,
        off_centre_px: along.map(|sum| sum / flux),
    })
}

/// Steps of the growth curve.
const STEPS: usize = 120;

/// The step of the growth curve in which a distance, measured in steps, lies; the last one beyond them
/// all: the whole part, by what processors do side by side.
fn step_of(steps: f64) -> u32 {
    // A number of this size has no fraction: adding rounds, and the low bits are the whole number.
    const WHOLE: f64 = (1_u64 << 52) as f64;
    let last = STEPS as f64;
    let steps = if steps < last { steps } else { last };
    let nearest = (steps + WHOLE) - WHOLE;
    let down = if nearest > steps { 1.0 } else { 0.0 };
    (nearest - down + WHOLE).to_bits() as u32
}

/// Diameter of the circle around (x, y) that holds half of the light within `reach`; `None`
/// where there is no light. The pixels are taken as flat squares and cut into small ones.
fn half_flux_diameter(
    stamp: &Stamp,
    (x, y): (f64, f64),
    reach: f64,
    Growth {
        squares,
        growth,
        rings,
    }: &mut Growth,
) -> Option<f64> {
    let parts = ((24.0 / reach).ceil() as usize).clamp(1, 5);
    let share = 1.0 / (parts * parts) as f64;
    let offset = |k: usize| (k as f64 + 0.5) / parts as f64 - 0.5;
    let per_px = STEPS as f64 / reach;
    // Squared distances of the small columns; light beyond reach goes to a ring that is not read.
    let near = |d: f64| d.abs() <= reach + 1.0;
    let (mut first, mut columns) = (0, 0);
    squares.clear();
    for i in 0..stamp.side {
        let dx = stamp.x0 + i as f64 - x;
        if near(dx) {
            squares.extend((0..parts).map(|a| (dx + offset(a)).powi(2)));
            columns += 1;
        } else if columns == 0 {
            first = i + 1;
        }
    }
    growth.clear();
    growth.resize(STEPS + 1, 0.0);
    rings.clear();
    rings.resize(squares.len(), 0);
    for j in 0..stamp.side {
        let dy = stamp.y0 + j as f64 - y;
        if !near(dy) {
            continue;
        }
        let start = j * stamp.stride + first;
        let row = &stamp.data[start..start + columns];
        for y2 in (0..parts).map(|b| (dy + offset(b)).powi(2)) {
            for (ring, x2) in rings.iter_mut().zip(squares.iter()) {
                *ring = step_of((x2 + y2).sqrt() * per_px);
            }
            for (rings, value) in rings.chunks_exact(parts).zip(row) {
                let light = f64::from(*value) * share;
                for ring in rings {
                    growth[*ring as usize] += light;
                }
            }
        }
    }
    growth.truncate(STEPS);
    steps_to_half(growth).map(|steps| 2.0 * steps / per_px)
}

/// Rings, and part of the last one, that hold half of the light.
fn steps_to_half(growth: &[f64]) -> Option<f64> {
    let half = 0.5 * growth.iter().sum::<f64>();
    if !(half > 0.0) {
        return None;
    }
    let mut inside = 0.0;
    for (k, ring) in growth.iter().enumerate() {
        if inside + ring >= half {
            return Some(k as f64 + (half - inside) / ring);
        }
        inside += ring;
    }
    None
}
