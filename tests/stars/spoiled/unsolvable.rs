//! Frames of the real sky made unsolvable on purpose: how often the diagnosis names the way.

use super::scene::Scene;
use super::shape::Shape;
use crate::star_field::{Canvas, Random, Star, frame_of};
use nightfix::frame::{Frame, Pixels};
use nightfix::search::Request;
use nightfix::sky::Sky;
use nightfix::solve::solve;
use rayon::prelude::*;

/// Frames of each kind.
const EACH: u64 = 20;
const FULL: f64 = 65_535.0;

/// A frame and what is said of it.
type Made = (Frame, Request);

/// Short name of a cause, and how to make a frame that has it.
type Way = (&'static str, fn(Random) -> Made);

const WAYS: [Way; 9] = [
    ("no-stars", |random| plain(with_stars(random, 0))),
    ("few-stars", |mut random| {
        let count = 2 + (4.0 * random.uniform()) as usize;
        plain(with_stars(random, count))
    }),
    ("trailed", |mut random| {
        let mut shape = Shape::round(3.0);
        let length = 50.0 + 100.0 * random.uniform();
        shape.drift(length, std::f64::consts::PI * random.uniform());
        plain(Scene::new(random, shape, 1, 0.0))
    }),
    ("out-of-focus", |mut random| {
        let mut shape = Shape::round(3.0);
        let outer = 30.0 + 25.0 * random.uniform();
        shape.defocus(outer, 0.4 * outer);
        plain(Scene::new(random, shape, 1, 0.0))
    }),
    ("overexposed", |mut random| {
        let level = FULL * (1.0 + random.uniform());
        lit(clear(random), level)
    }),
    ("bright-sky", |mut random| {
        let level = FULL * (0.55 + 0.3 * random.uniform());
        lit(with_stars(random, 3), level)
    }),
    ("cloud", |mut random| {
        let mut scene = clear(Random((random.uniform() * 1e15) as u64));
        let size = scene.light.height as f64;
        let (wide, fine) = (scene.hills(0.5 * size), scene.hills(0.12 * size));
        scene.dim(|_, _| 0.004);
        let sky = scene.spec.sky_adu;
        scene
            .camera
            .glow(|x, y| sky * (2.0 + 0.8 * wide(x, y) + 0.25 * fine(x, y)).max(0.1));
        plain(scene)
    }),
    ("index-too-shallow", |mut random| {
        let scene = scrambled(&mut random);
        let field_arcsec = 3600.0 * (0.2 + 0.3 * random.uniform());
        let scale = field_arcsec / scene.light.width as f64;
        let (frame, request) = plain(scene);
        let scales_arcsec_per_px = vec![scale];
        (
            frame,
            Request {
                scales_arcsec_per_px,
                ..request
            },
        )
    }),
    ("no-match", |mut random| plain(scrambled(&mut random))),
];

fn clear(random: Random) -> Scene {
    Scene::new(random, Shape::round(3.0), 1, 0.0)
}

/// A field of which only the `count` brightest stars are left.
fn with_stars(random: Random, count: usize) -> Scene {
    let mut scene = clear(random);
    scene.light.data.fill(0.0);
    let random = &mut scene.random;
    scene.camera.hot_pixels(300, 10_000.0, random);
    for star in scene.stars.iter().take(count) {
        scene.shape.paint(&mut scene.light, *star);
    }
    scene
}

/// A field whose stars are somewhere else.
fn scrambled(random: &mut Random) -> Scene {
    let mut scene = clear(Random((random.uniform() * 1e15) as u64));
    scene.light.data.fill(0.0);
    let (width, height) = (scene.light.width as f64, scene.light.height as f64);
    for star in &scene.stars {
        let moved = Star {
            x: width * random.uniform(),
            y: height * random.uniform(),
            ..*star
        };
        scene.shape.paint(&mut scene.light, moved);
    }
    scene
}

fn plain(scene: Scene) -> Made {
    (frame(&scene.exposed().canvas), Request::default())
}

fn lit(mut scene: Scene, level: f64) -> Made {
    scene.light.glow(|_, _| level);
    plain(scene)
}

fn frame(canvas: &Canvas) -> Frame {
    let counts = canvas
        .data
        .iter()
        .map(|v| v.round().clamp(0.0, FULL) as u16);
    frame_of(canvas.width, canvas.height, Pixels::U16(counts.collect()))
}

/// `cargo test --release --test stars -- --ignored --nocapture unsolvable`
#[test]
#[ignore = "takes minutes"]
fn unsolvable_frames_are_told_why() {
    let sky = Sky::embedded().expect("the index inside the program");
    let mut right = 0;
    for (code, make) in WAYS {
        let told: Vec<&str> = (0..EACH)
            .into_par_iter()
            .map(|number| {
                // A frame that solves all the same was not made well enough.
                (0..50)
                    .find_map(|k| {
                        let (frame, request) = make(Random(1000 * number + 17 * k + 5));
                        let outcome = solve(&frame, &sky, &request).expect("an undamaged index");
                        outcome.diagnosis.map(|cause| cause.code())
                    })
                    .expect("a frame without solution in fifty")
            })
            .collect();
        let count = told.iter().filter(|c| **c == code).count();
        let others: Vec<_> = told.iter().filter(|c| **c != code).collect();
        eprintln!("{count} of {EACH}: {code} {others:?}");
        right += count;
    }
    let all = WAYS.len() * EACH as usize;
    eprintln!("{right} of {all}");
    assert!(right * 10 >= all * 9);
}
