//! Detection in frames as they really are: each test paints one defect at moderate strength on a
//! field with a known truth. The limits lie a little beyond what is measured today, so that a
//! change for the worse breaks them; they come from nowhere else.

use crate::star_field::{Canvas, Random, Star, frame_of, scatter};
use image::GrayImage;
use nightfix::detect::{Detections, detect};
use nightfix::frame::{Frame, Pixels};

const WIDTH: usize = 1100;
const HEIGHT: usize = 850;
/// What a search uses first, and what is judged.
const FIRST: usize = 30;
/// Standard deviation of a star, pixels, where nothing else is said.
const SIGMA: f64 = 1.3;
const CEILING: f64 = 65535.0;

/// How good a list is.
#[derive(Debug)]
struct Score {
    /// Of the 30 brightest true stars, how many are among the first 60 handed on.
    found: usize,
    /// Of the first 30 handed on, how many are no stars.
    false_ones: usize,
    /// Root mean square error per axis of those found, pixels.
    error_px: f64,
}

/// What a list must reach.
struct Limits {
    found: usize,
    false_ones: usize,
    error_px: f64,
}

/// Compares a list with the truth; a detection within `near_px` of a star is that star.
fn score(found: &Detections, stars: &[Star], near_px: f64) -> Score {
    let mut bright = stars.to_vec();
    bright.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    let apart = |k: usize, s: &Star| (found.stars[k].x_px - s.x).hypot(found.stars[k].y_px - s.y);
    let handed = found.stars.len();
    let errors: Vec<f64> = bright
        .iter()
        .take(FIRST)
        .filter_map(|s| {
            let d = (0..handed.min(2 * FIRST)).map(|k| apart(k, s));
            d.min_by(f64::total_cmp).filter(|d| *d < near_px)
        })
        .collect();
    let is_star = |k: usize| stars.iter().any(|s| apart(k, s) < near_px);
    let right = (0..handed.min(FIRST)).filter(|k| is_star(*k)).count();
    let square: f64 = errors.iter().map(|d| d * d / 2.0).sum();
    Score {
        found: errors.len(),
        // Too short a list counts as if the rest were false.
        false_ones: FIRST - right,
        error_px: (square / errors.len().max(1) as f64).sqrt(),
    }
}

fn check(name: &str, score: &Score, limits: &Limits) {
    println!("{name}: {score:?}");
    assert!(score.found >= limits.found, "{name}: {score:?}");
    assert!(score.false_ones <= limits.false_ones, "{name}: {score:?}");
    assert!(score.error_px <= limits.error_px, "{name}: {score:?}");
}

/// 250 stars on a sky of 1000, without noise yet.
fn field(seed: u64) -> (Canvas, Vec<Star>, Random) {
    let mut random = Random(seed);
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 1000.0);
    let stars = scatter(WIDTH, HEIGHT, 250, 2500.0, 30.0, &mut random);
    for s in &stars {
        canvas.star(*s, SIGMA);
    }
    (canvas, stars, random)
}

/// Adds noise, clips, detects, and compares.
fn finish(name: &str, mut canvas: Canvas, stars: &[Star], random: &mut Random, limits: &Limits) {
    canvas.photon_noise(12.0, 4.0, random);
    let found = detect(&canvas.frame(CEILING));
    check(name, &score(&found, stars, 2.0), limits);
}

impl Limits {
    /// Least number of the brightest found, largest number of false ones, largest error in pixels.
    const fn of(found: usize, false_ones: usize, error_px: f64) -> Limits {
        Limits {
            found,
            false_ones,
            error_px,
        }
    }
}

/// What an undisturbed field gives, or nearly.
const CLEAN: Limits = Limits::of(29, 0, 0.03);

#[test]
fn hot_pixels_and_columns() {
    let (mut canvas, stars, mut random) = field(101);
    canvas.hot_pixels(WIDTH * HEIGHT / 500, 30_000.0, &mut random);
    canvas.column(217, 0, 3000.0);
    canvas.column(640, 300, 500.0);
    canvas.column(641, 300, 900.0);
    canvas.column(903, 420, -700.0);
    let limits = Limits::of(27, 0, 0.05);
    finish("hot", canvas, &stars, &mut random, &limits);
}

#[test]
fn cosmic_rays() {
    let (mut canvas, stars, mut random) = field(102);
    canvas.cosmic_rays(250, 20_000.0, &mut random);
    let limits = Limits::of(29, 1, 0.03);
    finish("cosmic rays", canvas, &stars, &mut random, &limits);
}

#[test]
fn satellites_and_aircraft() {
    let (mut canvas, stars, mut random) = field(103);
    canvas.trail(100.0, 420.0, SIGMA, 1500.0);
    canvas.trail(700.0, 660.0, 2.0, 6000.0);
    canvas.trail(-300.0, 1400.0, SIGMA, 400.0);
    let limits = Limits::of(28, 1, 0.05);
    finish("trails", canvas, &stars, &mut random, &limits);
}

#[test]
fn saturated_and_blooming_stars() {
    let (mut canvas, mut stars, mut random) = field(104);
    for k in 0..12 {
        let star = Star {
            x: 60.0 + 980.0 * random.uniform(),
            y: 110.0 + 600.0 * random.uniform(),
            flux: 1.5e6 * 1.35f64.powi(k),
        };
        match k % 3 {
            0 => canvas.blooming_star(star, SIGMA, 8 * k as usize, 5 * k as usize),
            _ => canvas.star(star, SIGMA),
        }
        stars.push(star);
    }
    let limits = Limits::of(28, 1, 0.12);
    finish("saturated", canvas, &stars, &mut random, &limits);
}

#[test]
fn nebula() {
    let (mut canvas, stars, mut random) = field(105);
    canvas.nebula(4000.0, 14.0, &mut random);
    let limits = Limits::of(28, 1, 0.06);
    finish("nebula", canvas, &stars, &mut random, &limits);
}

#[test]
fn ragged_nebula() {
    let (mut canvas, stars, mut random) = field(115);
    canvas.ragged_nebula(80.0, &mut random);
    let limits = Limits::of(24, 3, 0.08);
    finish("ragged nebula", canvas, &stars, &mut random, &limits);
}

#[test]
fn moonlight_and_vignetting() {
    let (mut canvas, stars, mut random) = field(106);
    canvas.glow(|x, y| 6.0 * x + 4.0 * y);
    for (k, v) in canvas.data.iter_mut().enumerate() {
        let x = (k % WIDTH) as f64 / WIDTH as f64 - 0.5;
        let y = (k / WIDTH) as f64 / HEIGHT as f64 - 0.5;
        *v *= 1.0 - 1.3 * (x * x + y * y);
    }
    // Vignetting dims stars, and the order of brightness changes with it.
    let limits = Limits::of(28, 0, 0.05);
    finish("gradient", canvas, &stars, &mut random, &limits);
}

#[test]
fn amplifier_glow() {
    let (mut canvas, stars, mut random) = field(107);
    canvas.glow(|x, y| {
        let corner = (WIDTH as f64 - x).hypot(y - 60.0);
        let edge = HEIGHT as f64 - y;
        20_000.0 * (-corner / 60.0).exp() + 3000.0 * (-edge / 25.0).exp()
    });
    finish("amplifier glow", canvas, &stars, &mut random, &CLEAN);
}

#[test]
fn drifting_stars() {
    for (length, turn, error_px) in [(4.0, 0.3, 0.03), (10.0, 1.9, 0.15), (20.0, 0.8, 0.85)] {
        let mut random = Random(108);
        let mut canvas = Canvas::new(WIDTH, HEIGHT, 1000.0);
        let stars = scatter(WIDTH, HEIGHT, 150, 6000.0, 40.0, &mut random);
        for s in &stars {
            canvas.drifted_star(*s, SIGMA, length, turn);
        }
        canvas.photon_noise(12.0, 4.0, &mut random);
        let found = detect(&canvas.frame(CEILING));
        let limits = Limits {
            found: 27,
            false_ones: 1,
            error_px,
        };
        let name = format!("drift of {length} px");
        check(&name, &score(&found, &stars, 4.0), &limits);
    }
}

/// An aircraft's lights are brighter than most stars and round, a dozen of them: the stars are
/// drawn out nevertheless, and whole.
#[test]
fn drifting_stars_beside_an_aircraft() {
    let mut random = Random(116);
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 1000.0);
    let stars = scatter(WIDTH, HEIGHT, 150, 6000.0, 40.0, &mut random);
    for s in &stars {
        canvas.drifted_star(*s, SIGMA, 16.0, 1.9);
    }
    const LIGHTS: usize = 12;
    for k in 0..LIGHTS {
        let along = (k as f64 + 0.5) / LIGHTS as f64;
        let light = Star {
            x: 30.0 + along * (WIDTH as f64 - 60.0),
            y: 60.0 + along * (HEIGHT as f64 - 200.0),
            flux: 60_000.0,
        };
        canvas.star(light, SIGMA);
    }
    canvas.photon_noise(12.0, 4.0, &mut random);
    let found = detect(&canvas.frame(CEILING));
    let limits = Limits::of(26, LIGHTS + 1, 0.6);
    check("drift, aircraft", &score(&found, &stars, 4.0), &limits);
}

#[test]
fn defocused_stars() {
    for (outer, inner, error_px) in [(3.5, 1.5, 0.03), (7.0, 3.0, 0.08), (10.0, 4.0, 0.3)] {
        let mut random = Random(109);
        let mut canvas = Canvas::new(WIDTH, HEIGHT, 1000.0);
        let stars = scatter(WIDTH, HEIGHT, 90, 20_000.0, 40.0, &mut random);
        for s in &stars {
            canvas.defocused_star(*s, outer, inner);
        }
        canvas.photon_noise(12.0, 4.0, &mut random);
        let found = detect(&canvas.frame(CEILING));
        let limits = Limits {
            found: 27,
            false_ones: 1,
            error_px,
        };
        let name = format!("rings of {outer} px");
        check(&name, &score(&found, &stars, 4.0), &limits);
    }
}

#[test]
fn stars_of_any_width() {
    for (fwhm, error_px) in [
        (1.0, 0.1),
        (1.5, 0.03),
        (2.5, 0.02),
        (4.0, 0.08),
        (6.0, 0.03),
        (9.0, 0.04),
        (12.0, 0.07),
    ] {
        let mut random = Random(110);
        let mut canvas = Canvas::new(WIDTH, HEIGHT, 1000.0);
        // Wide stars need room: a blend has no centre to compare with.
        let count = if fwhm < 5.0 { 120 } else { 45 };
        let faintest = 3000.0 * (1.0 + fwhm);
        let stars = scatter(WIDTH, HEIGHT, count, faintest, 40.0, &mut random);
        for s in &stars {
            canvas.star(*s, fwhm / 2.354_820_045);
        }
        if fwhm < 5.0 {
            // Under a wide star a hot pixel is not seen, only felt.
            canvas.hot_pixels(300, 20_000.0, &mut random);
        }
        canvas.noise(20.0, &mut random);
        let found = detect(&canvas.frame(CEILING));
        let limits = Limits {
            found: 28,
            false_ones: 1,
            error_px,
        };
        let name = format!("stars of {fwhm} px");
        check(&name, &score(&found, &stars, 2.0 + 0.2 * fwhm), &limits);
    }
}

/// A camera's 8-bit picture: stretched, compressed, decoded again.
fn jpeg(canvas: &Canvas) -> Frame {
    packed(canvas, 60_000.0, 0.0)
}

/// The same with its white at `white` counts above black, sharpened by an unsharp mask of that
/// standard deviation in pixels; 0: not at all.
fn packed(canvas: &Canvas, white: f64, mask_px: f32) -> Frame {
    let top = (white / 100.0).asinh();
    let bytes: Vec<u8> = canvas
        .data
        .iter()
        .map(|v| (255.0 * ((v - 800.0) / 100.0).max(0.0).asinh() / top).min(255.0) as u8)
        .collect();
    let mut picture = GrayImage::from_raw(canvas.width as u32, canvas.height as u32, bytes)
        .expect("a full picture");
    if mask_px > 0.0 {
        picture = image::imageops::unsharpen(&picture, mask_px, 0);
    }
    let mut packed = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut packed, 88)
        .encode_image(&picture)
        .expect("writing to memory");
    let pixels = image::load_from_memory(&packed)
        .expect("a JPEG picture")
        .into_luma8()
        .into_raw();
    Frame {
        nonlinear: true,
        ..frame_of(canvas.width, canvas.height, Pixels::U8(pixels))
    }
}

#[test]
fn stretched_jpeg_with_captions() {
    let (mut canvas, stars, mut random) = field(111);
    canvas.photon_noise(12.0, 4.0, &mut random);
    let plain = detect(&jpeg(&canvas));
    let limits = Limits {
        found: 28,
        false_ones: 0,
        error_px: 0.04,
    };
    check("jpeg", &score(&plain, &stars, 2.0), &limits);
    canvas.caption("NORTH FIELD 2021-03-04 22:15", (20, 800), 5, 65_000.0);
    canvas.caption("120 S", (900, 12), 3, 65_000.0);
    let marked = detect(&jpeg(&canvas));
    let limits = Limits {
        found: 28,
        false_ones: 1,
        ..limits
    };
    check("jpeg, captions", &score(&marked, &stars, 2.0), &limits);
}

/// Sharpened, a star is as steep as a letter: were all steep cores taken for letters, half of the
/// stars would be.
#[test]
fn sharpened_jpeg() {
    let (mut canvas, stars, mut random) = field(113);
    canvas.photon_noise(12.0, 4.0, &mut random);
    let limits = Limits {
        found: 28,
        false_ones: 1,
        error_px: 0.1,
    };
    let found = detect(&packed(&canvas, 400.0, 1.5));
    check("jpeg, sharpened", &score(&found, &stars, 2.0), &limits);
}

/// Stretched until the noise of the sky takes a fifth of the grey scale, and sharpened: the cores
/// of bright stars are ragged.
#[test]
fn jpeg_full_of_noise() {
    let (mut canvas, stars, mut random) = field(114);
    canvas.photon_noise(1.0, 4.0, &mut random);
    canvas.noise(60.0, &mut random);
    let limits = Limits {
        found: 28,
        false_ones: 1,
        error_px: 0.15,
    };
    let found = detect(&packed(&canvas, 600.0, 1.5));
    check("jpeg, noise", &score(&found, &stars, 2.0), &limits);
}

#[test]
fn all_at_once() {
    let (mut canvas, stars, mut random) = field(112);
    canvas.nebula(1500.0, 20.0, &mut random);
    canvas.glow(|x, y| 2.0 * x + 9000.0 * (-x.hypot(y) / 50.0).exp());
    canvas.trail(500.0, 250.0, SIGMA, 900.0);
    canvas.column(555, 0, 1200.0);
    canvas.hot_pixels(800, 15_000.0, &mut random);
    canvas.cosmic_rays(60, 15_000.0, &mut random);
    let limits = Limits::of(28, 2, 0.15);
    finish("all at once", canvas, &stars, &mut random, &limits);
}
