//! Fields developed into pictures as people develop them, by tone curves and touches drawn at random and
//! fitted to none: solved blind where they belong. And several pictures in one: it is said which part of
//! the frame the position is proven for.

mod run;
mod support;

use image::imageops::{self, FilterType};
use image::{GrayImage, ImageBuffer, Luma, Rgb, RgbImage};
use nightfix::frame::Frame;
use nightfix::search::Request;
use nightfix::sky::Sky;
use nightfix::solve::solve;
use sample_fields::{Field, FieldSpec, Psf, render};
use std::path::Path;

/// Light, row by row from the top.
type Plane = ImageBuffer<Luma<f32>, Vec<f32>>;

struct Random(Box<dyn Iterator<Item = u64>>);

impl Random {
    fn new(seed: u64) -> Random {
        // The first numbers of neighbouring seeds are alike.
        Random(Box::new(
            support::noise(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15)).skip(8),
        ))
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        let share = self.0.next().unwrap_or(0) as f64 / f64::from(1_u32 << 31);
        low + (high - low) * share
    }

    fn chance(&mut self, of: f64) -> bool {
        self.between(0.0, 1.0) < of
    }
}

/// A field anywhere in the sky, 1.5 to 45 degrees wide.
fn field(random: &mut Random, seed: u64) -> (FieldSpec, Field) {
    let dec_deg = random.between(-1.0, 1.0).asin().to_degrees();
    let width_deg = 1.5 * 30_f64.powf(random.between(0.0, 1.0));
    let spec = FieldSpec {
        rotation_deg: random.between(0.0, 360.0),
        top_down: true,
        fwhm_px: random.between(2.2, 4.0),
        psf: Psf::Moffat,
        magnitude_scatter: 0.15,
        vignetting: random.between(0.0, 0.4),
        epoch_year: 2026.0,
        seed,
        ..FieldSpec::new(random.between(0.0, 360.0), dec_deg, width_deg)
    };
    let field = render(&spec).unwrap();
    (spec, field)
}

fn map(plane: &Plane, f: impl Fn(f32) -> f32) -> Plane {
    let mut plane = plane.clone();
    plane.iter_mut().for_each(|value| *value = f(*value));
    plane
}

fn mix(first: &Plane, second: &Plane, f: impl Fn(f32, f32) -> f32) -> Plane {
    let mut mixed = first.clone();
    mixed
        .iter_mut()
        .zip(second.iter())
        .for_each(|(value, other)| *value = f(*value, *other));
    mixed
}

fn quantile(plane: &Plane, share: f64) -> f32 {
    let mut values = plane.to_vec();
    let rank = (share * (values.len() - 1) as f64) as usize;
    *values.select_nth_unstable_by(rank, f32::total_cmp).1
}

/// Light above black (sky at `sky`) through one of four tone curves, to 0..1.
fn toned(light: &Plane, random: &mut Random, done: &mut Vec<&'static str>) -> Plane {
    let sky = quantile(light, 0.5).max(1e-6);
    let target = random.between(0.06, 0.25) as f32;
    match random.between(0.0, 4.0) as usize {
        0 => {
            done.push("asinh");
            let strength = 10_f32.powf(random.between(0.5, 2.0) as f32);
            let unit = strength.asinh();
            map(light, |v| (v / sky * strength).asinh() / unit * target)
        }
        1 => {
            done.push("gamma");
            let white = quantile(light, random.between(0.997, 0.9999));
            let power = 1.0 / random.between(2.0, 5.0) as f32;
            map(light, |v| (v / white).powf(power))
        }
        2 => {
            done.push("shoulder");
            let steep = -(1.0 - target).ln() / sky;
            let white = random.between(0.7, 1.0) as f32;
            map(light, |v| white * (1.0 - (-v * steep).exp()))
        }
        _ => {
            // Small steps, each held back where the picture is bright already.
            done.push("masked");
            let white = quantile(light, 0.9995);
            let mut toned = map(light, |v| (v / white).min(1.0));
            for _ in 0..40 {
                if quantile(&toned, 0.5) >= target {
                    break;
                }
                toned = map(&toned, |v| {
                    let raised = 0.65 * v / (0.3 * v + 0.35);
                    (1.0 - v) * raised + v * v
                });
            }
            toned
        }
    }
}

/// The darkest of each pixel and its eight neighbours: what makes stars smaller.
fn darkest_of_nine(plane: &Plane) -> Plane {
    let (width, height) = plane.dimensions();
    Plane::from_fn(width, height, |x, y| {
        let near = |at: u32, side: u32| at.saturating_sub(1)..=(at + 1).min(side - 1);
        let values = near(y, height).flat_map(|j| near(x, width).map(move |i| (i, j)));
        Luma([values
            .map(|(i, j)| plane.get_pixel(i, j)[0])
            .fold(f32::MAX, f32::min)])
    })
}

/// Stars in colours that differ by up to `tint` from place to place; the sky is made grey.
fn coloured(picture: &Plane, tint: f64, random: &mut Random) -> RgbImage {
    const PATCH_PX: u32 = 24;
    let (width, height) = picture.dimensions();
    let across = width.div_ceil(PATCH_PX);
    let tints: Vec<[f64; 3]> = (0..across * height.div_ceil(PATCH_PX))
        .map(|_| std::array::from_fn(|_| random.between(1.0 - tint, 1.0 + tint)))
        .collect();
    let grey = f64::from(quantile(picture, 0.5));
    RgbImage::from_fn(width, height, |x, y| {
        let value = f64::from(picture.get_pixel(x, y)[0]);
        let tint = tints[(y / PATCH_PX * across + x / PATCH_PX) as usize];
        Rgb(tint.map(|tint| {
            let tinted = grey + (value - grey) * if value > grey { tint } else { 1.0 };
            (255.0 * tinted.clamp(0.0, 1.0)).round() as u8
        }))
    })
}

/// A frame as somebody develops it, and what was done.
fn developed(field: &Field, random: &mut Random) -> (RgbImage, Vec<&'static str>) {
    let size = [field.truth.width_px, field.truth.height_px].map(|side| side as u32);
    // The blurs of the library keep within 0 and 1.
    let counts = field.pixels.iter().map(|&v| f32::from(v) / 65_535.0);
    let mut light = Plane::from_raw(size[0], size[1], counts.collect()).unwrap();
    let mut done = Vec::new();
    let sky = quantile(&light, 0.5);
    let noise = sky - quantile(&light, 0.159);
    if random.chance(0.5) {
        done.push("denoised");
        let soft = imageops::fast_blur(&light, random.between(0.8, 2.5) as f32);
        light = mix(&light, &soft, |sharp, soft| {
            let keep = ((soft - sky) / (6.0 * noise)).clamp(0.0, 1.0);
            keep * sharp + (1.0 - keep) * soft
        });
    }
    let black = sky - random.between(1.0, 8.0) as f32 * noise;
    light = map(&light, |v| (v - black).max(0.0));
    let mut picture = toned(&light, random, &mut done);
    if random.chance(0.25) {
        done.push("small stars");
        let part = random.between(0.3, 0.8) as f32;
        let small = darkest_of_nine(&picture);
        picture = mix(&picture, &small, |v, small| part * small + (1.0 - part) * v);
    }
    if random.chance(0.35) {
        done.push("local contrast");
        let base = imageops::fast_blur(&picture, random.between(4.0, 30.0) as f32);
        let (middle, part) = (quantile(&base, 0.5), random.between(0.2, 0.6) as f32);
        picture = mix(&picture, &base, |v, base| v - part * (base - middle));
    }
    if random.chance(0.35) {
        done.push("sharpened");
        let soft = imageops::fast_blur(&picture, random.between(0.8, 2.5) as f32);
        let part = random.between(0.5, 2.0) as f32;
        picture = mix(&picture, &soft, |v, soft| v + part * (v - soft));
    }
    let tint = if random.chance(0.4) {
        done.push("saturated");
        0.4
    } else {
        0.0
    };
    let mut colours = coloured(&picture, tint, random);
    if random.chance(0.3) {
        done.push("enlarged");
        let larger = random.between(1.5, 2.5);
        let [width, height] = size.map(|side| (f64::from(side) * larger) as u32);
        colours = imageops::resize(&colours, width, height, FilterType::CatmullRom);
    }
    (colours, done)
}

fn apart_deg(a: [f64; 2], b: [f64; 2]) -> f64 {
    let [a, b] = [a, b].map(|p| nightfix::sphere::sky_to_vector(p[0], p[1]));
    let chord: f64 = (0..3).map(|i| (a[i] - b[i]).powi(2)).sum();
    2.0 * (chord.sqrt() / 2.0).asin().to_degrees()
}

/// Sixty pictures: none wrong, at most one not solved.
#[test]
fn pictures_developed_at_random_are_solved() {
    const PICTURES: u64 = 60;
    let sky = Sky::embedded().unwrap();
    let folder = support::folder();
    let (mut wrong, mut unsolved) = (Vec::new(), Vec::new());
    for seed in 0..PICTURES {
        let mut random = Random::new(seed);
        let (spec, field) = field(&mut random, seed);
        let (picture, done) = developed(&field, &mut random);
        let ending = if random.chance(0.6) { "jpg" } else { "png" };
        let path = folder.path().join(format!("picture-{seed}.{ending}"));
        picture.save(&path).unwrap();
        let frame = Frame::open(&path).unwrap();
        let outcome = solve(&frame, &sky, &Request::default()).unwrap();
        let what = format!("{seed}, {:.1} deg, {}", spec.width_deg, done.join(", "));
        let Some(solution) = outcome.solution else {
            unsolved.push(what);
            continue;
        };
        let truth = &field.truth;
        let off_px = apart_deg(
            [solution.centre_ra_deg, solution.centre_dec_deg],
            [truth.ra_deg, truth.dec_deg],
        ) / (truth.scale_arcsec_per_px / 3600.0);
        if !(off_px < 3.0) {
            wrong.push(format!("{what}: {off_px:.1} px off"));
        }
    }
    eprintln!("unsolved of {PICTURES}: {unsolved:?}");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(unsolved.len() <= 1, "{}", unsolved.join("\n"));
}

/// Solves the picture; its JSON, with the overlay drawn beside it.
fn answer(path: &Path) -> serde_json::Value {
    let overlay = path.with_extension("overlay.png");
    let output = run::nightfix()
        .args(["solve", "--json", "--overlay"])
        .args([&overlay, path])
        .output()
        .unwrap();
    assert!(image::open(&overlay).is_ok());
    serde_json::from_slice(&output.stdout).unwrap()
}

/// An exposure beside a copy of itself, developed otherwise: stars match in one of both, and nothing
/// is claimed for the other. One by itself needs no caution.
#[test]
fn of_two_pictures_side_by_side_one_part_is_proven() {
    let folder = support::folder();
    let spec = FieldSpec {
        top_down: true,
        ..FieldSpec::new(84.0, -3.0, 8.0)
    };
    let field = render(&spec).unwrap();
    let (width, height) = (spec.width_px as u32, spec.height_px as u32);
    let of = |white: f64| {
        GrayImage::from_fn(width, height, |x, y| {
            let count = f64::from(field.pixels[(y * width + x) as usize]);
            Luma([(255.0 * ((count - 700.0) / white).clamp(0.0, 1.0).sqrt()) as u8])
        })
    };
    const GAP: u32 = 40;
    let mut both = GrayImage::from_pixel(2 * width + GAP, height, Luma([255]));
    imageops::replace(&mut both, &of(6_000.0), 0, 0);
    imageops::replace(&mut both, &of(20_000.0), i64::from(width + GAP), 0);

    let alone = folder.path().join("alone.png");
    of(6_000.0).save(&alone).unwrap();
    let one = answer(&alone);
    assert_eq!(one["status"], "solved", "{one}");
    assert!(one["matched_part_px"].is_null(), "{one}");

    let pair = folder.path().join("pair.png");
    both.save(&pair).unwrap();
    let two = answer(&pair);
    assert_eq!(two["status"], "solved", "{two}");
    let part: Vec<f64> = serde_json::from_value(two["matched_part_px"].clone()).unwrap();
    let (width, gap) = (f64::from(width), f64::from(GAP));
    let left = part[0] > 0.0 && part[1] <= width + 1.0;
    let right = part[0] >= width + gap && part[1] <= 2.0 * width + gap + 1.0;
    assert!(left || right, "{part:?}");
    let cautions = two["cautions"].to_string();
    assert!(cautions.contains("part of the frame only"), "{cautions}");
}
