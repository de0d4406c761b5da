//! Frames made unsolvable on purpose, each in one way: the diagnosis names it and its measure.

use crate::star_field::{Canvas, Random, Star, scatter};
use nightfix::diagnosis::Cause;
use nightfix::frame::Frame;
use nightfix::search::{Commanded, Request};
use nightfix::sky::Sky;
use nightfix::solve::{Outcome, solve};

const WIDTH: usize = 900;
const HEIGHT: usize = 700;
const SKY: f64 = 1100.0;
const NOISE: f64 = 14.0;
const CEILING: f64 = 65_535.0;

fn outcome(frame: &Frame, request: &Request) -> Outcome {
    let sky = Sky::embedded().expect("the star-index in the program");
    let outcome = solve(frame, &sky, request).expect("a sound star-index");
    assert!(outcome.solution.is_none(), "scattered stars are no sky");
    outcome
}

fn cause(frame: &Frame) -> Cause {
    outcome(frame, &Request::default())
        .diagnosis
        .expect("an unsolved frame has one")
}

fn canvas() -> Canvas {
    Canvas::new(WIDTH, HEIGHT, SKY)
}

fn stars(count: usize, seed: u64) -> Vec<Star> {
    scatter(WIDTH, HEIGHT, count, 2500.0, 60.0, &mut Random(seed))
}

fn finished(mut canvas: Canvas, seed: u64) -> Frame {
    canvas.noise(NOISE, &mut Random(seed));
    canvas.frame(CEILING)
}

#[test]
fn a_cap_left_on() {
    for seed in 0..3 {
        assert_eq!(cause(&finished(canvas(), seed)), Cause::NoStars);
    }
}

#[test]
fn too_short() {
    let mut canvas = canvas();
    for star in stars(5, 41) {
        canvas.star(star, 1.5);
    }
    assert_eq!(cause(&finished(canvas, 42)), Cause::FewStars { found: 5 });
}

#[test]
fn trails_with_their_length_and_direction() {
    for (length, turn_deg) in [(45.0, 20.0_f64), (90.0, 115.0), (160.0, 175.0)] {
        let mut canvas = canvas();
        for star in stars(60, 43) {
            let brighter = Star {
                flux: 25.0 * star.flux,
                ..star
            };
            canvas.drifted_star(brighter, 1.5, length, turn_deg.to_radians());
        }
        match cause(&finished(canvas, 44)) {
            Cause::Trailed {
                length_px,
                angle_deg,
            } => {
                // A star's own width lengthens its trail, noise shortens it.
                assert!(
                    (0.8..1.3).contains(&(length_px / length)),
                    "{length}: {length_px}"
                );
                let off = (angle_deg - turn_deg + 90.0).rem_euclid(180.0) - 90.0;
                assert!(off.abs() < 8.0, "{turn_deg}: {angle_deg}");
            }
            other => panic!("{length} px: {other:?}"),
        }
    }
}

#[test]
fn rings_far_out_of_focus_with_their_width() {
    for outer in [25.0, 45.0] {
        let mut canvas = canvas();
        for star in stars(25, 45) {
            let brighter = Star {
                flux: 60.0 * star.flux,
                ..star
            };
            canvas.defocused_star(brighter, outer, 0.4 * outer);
        }
        match cause(&finished(canvas, 46)) {
            Cause::OutOfFocus { width_px } => {
                let ratio = width_px / (2.0 * outer);
                assert!((0.7..1.5).contains(&ratio), "{outer}: {width_px}");
            }
            other => panic!("{outer} px: {other:?}"),
        }
    }
}

#[test]
fn burnt_out_and_twilight() {
    let mut burnt = Canvas::new(WIDTH, HEIGHT, 70_000.0);
    burnt.noise(200.0, &mut Random(47));
    let full = burnt.frame(CEILING);
    assert!(matches!(cause(&full), Cause::Overexposed { full_share } if full_share > 0.9));
    // A 14-bit converter: its full scale is not that of the file's pixels.
    let mut twilight = Canvas::new(WIDTH, HEIGHT, 13_000.0);
    twilight.noise(60.0, &mut Random(48));
    twilight.data[77] = 16_383.0;
    match cause(&twilight.frame(16_383.0)) {
        Cause::BrightSky { fill } => assert!((fill - 0.79).abs() < 0.01, "{fill}"),
        other => panic!("{other:?}"),
    }
}

/// Blobs of light of many sizes, and three stars between them.
#[test]
fn clouds() {
    let mut canvas = canvas();
    canvas.nebula(900.0, 60.0, &mut Random(49));
    for star in stars(3, 50) {
        canvas.star(star, 1.5);
    }
    let found = cause(&finished(canvas, 51));
    assert!(matches!(found, Cause::Cloud { .. }), "{found:?}");
}

/// Offsets of rows or columns, as a read-out makes them, `scatter` times the noise.
fn banded(canvas: &mut Canvas, along_rows: bool, scatter: f64, seed: u64) {
    let mut random = Random(seed);
    let offsets: Vec<f64> = (0..WIDTH.max(HEIGHT))
        .map(|_| scatter * NOISE * random.normal())
        .collect();
    for (k, v) in canvas.data.iter_mut().enumerate() {
        *v += offsets[if along_rows { k / WIDTH } else { k % WIDTH }];
    }
}

/// Rows and columns that stand off are no trails, and hide neither stars nor what they lack.
#[test]
fn banding_is_no_trail() {
    for along_rows in [false, true] {
        let mut empty = canvas();
        banded(&mut empty, along_rows, 1.0, 60);
        assert_eq!(cause(&finished(empty, 61)), Cause::NoStars, "{along_rows}");

        let mut starry = canvas();
        banded(&mut starry, along_rows, 1.0, 62);
        for star in stars(60, 63) {
            starry.star(star, 1.5);
        }
        let found = cause(&finished(starry, 64));
        assert!(
            matches!(found, Cause::NoMatch { .. }),
            "{along_rows}: {found:?}"
        );
    }
}

/// Trails are found beside banding in their own direction, and have their own length.
#[test]
fn trails_along_banded_columns() {
    let mut canvas = canvas();
    banded(&mut canvas, false, 0.7, 65);
    for star in stars(40, 66) {
        let brighter = Star {
            flux: 25.0 * star.flux,
            ..star
        };
        canvas.drifted_star(brighter, 1.5, 80.0, 0.5 * std::f64::consts::PI);
    }
    match cause(&finished(canvas, 67)) {
        Cause::Trailed {
            length_px,
            angle_deg,
        } => {
            assert!((0.8..1.3).contains(&(length_px / 80.0)), "{length_px}");
            assert!((angle_deg - 90.0).abs() < 4.0, "{angle_deg}");
        }
        other => panic!("{other:?}"),
    }
}

/// An amplifier glows in a corner, at the side of the frame too, and falls off exponentially.
#[test]
fn the_glow_of_an_amplifier_is_no_cloud() {
    for (x0, y0, reach) in [
        (0.0, 0.0, 90.0),
        (WIDTH as f64, 0.0, 200.0),
        (0.0, 0.6 * HEIGHT as f64, 120.0),
    ] {
        for stars_in_it in [0, 4] {
            let mut canvas = canvas();
            canvas.glow(|x, y| 40.0 * NOISE * (-(x - x0).hypot(y - y0) / reach).exp());
            let middle = [
                (350.0, 300.0),
                (520.0, 180.0),
                (610.0, 470.0),
                (420.0, 520.0),
            ];
            for (x, y) in &middle[..stars_in_it] {
                let star = Star {
                    x: *x,
                    y: *y,
                    flux: 4000.0,
                };
                canvas.star(star, 1.5);
            }
            let expected = match stars_in_it {
                0 => Cause::NoStars,
                found => Cause::FewStars { found },
            };
            assert_eq!(cause(&finished(canvas, 68)), expected, "{x0} {y0} {reach}");
        }
    }
}

/// Bad columns, hot pixels and tracks of particles around three stars.
#[test]
fn only_stars_count_as_few_stars() {
    let mut canvas = canvas();
    for star in [(150.0, 160.0), (480.0, 390.0), (700.0, 520.0)] {
        let star = Star {
            x: star.0,
            y: star.1,
            flux: 6000.0,
        };
        canvas.star(star, 1.5);
    }
    let mut random = Random(69);
    for (column, from) in [(100, 0), (333, 250), (610, 0), (805, 400)] {
        for y in from..HEIGHT {
            canvas.data[y * WIDTH + column] += 25.0 * NOISE;
        }
    }
    for _ in 0..25 {
        let (x, y) = (
            40.0 + 800.0 * random.uniform(),
            40.0 + 600.0 * random.uniform(),
        );
        let turn = std::f64::consts::TAU * random.uniform();
        for k in 0..(4.0 + 16.0 * random.uniform()) as usize {
            let (x, y) = (x + k as f64 * turn.cos(), y + k as f64 * turn.sin());
            canvas.data[y as usize * WIDTH + x as usize] += 60.0 * NOISE;
        }
        let hot = (random.uniform() * (WIDTH * HEIGHT) as f64) as usize;
        canvas.data[hot] += 200.0 * NOISE;
    }
    assert_eq!(cause(&finished(canvas, 70)), Cause::FewStars { found: 3 });
}

/// Discs and rings so faint that no pixel of them stands out of the noise, beside hot pixels: seen,
/// and measured within a sixth.
#[test]
fn faint_rings_and_discs() {
    for (outer, inner, in_noise) in [
        (20.0, 0.0, 1.5),
        (30.0, 12.0, 1.0),
        (45.0, 0.0, 0.7),
        (60.0, 20.0, 0.7),
    ] {
        let mut canvas = canvas();
        for k in 0..8 {
            let (i, j) = (f64::from(k % 4), f64::from(k / 4));
            let (x0, y0) = (120.0 + 215.0 * i + 20.0 * j, 180.0 + 330.0 * j + 25.0 * i);
            let brightness = in_noise * NOISE * (1.0 + 0.25 * f64::from(k));
            canvas.glow(|x, y| {
                let r = (x - x0).hypot(y - y0);
                // Edges one pixel wide.
                let within = |radius: f64| (radius - r + 0.5).clamp(0.0, 1.0);
                let hole = if inner > 0.0 { within(inner) } else { 0.0 };
                brightness * (within(outer) - hole)
            });
        }
        let mut random = Random(71);
        for _ in 0..40 {
            let hot = (random.uniform() * (WIDTH * HEIGHT) as f64) as usize;
            canvas.data[hot] += 100.0 * NOISE;
        }
        match cause(&finished(canvas, 72)) {
            Cause::OutOfFocus { width_px } => {
                let ratio = width_px / (2.0 * outer);
                assert!((0.83..1.2).contains(&ratio), "{outer}: {width_px}");
            }
            other => panic!("{outer}: {other:?}"),
        }
    }
}

/// Fractal clouds: equal power per octave from the frame's size down to 20 pixels.
#[test]
fn mottled_light_is_cloud_and_no_discs() {
    for seed in 80..84 {
        let mut random = Random(seed);
        let mut canvas = canvas();
        for octave in 0..5 {
            let sigma = 200.0 / f64::from(1 << octave);
            for _ in 0..6 * (1 << octave) {
                let (x0, y0) = (
                    WIDTH as f64 * random.uniform(),
                    HEIGHT as f64 * random.uniform(),
                );
                let height = 0.08 * SKY * random.normal() * (sigma / 200.0).sqrt();
                canvas.glow(|x, y| {
                    height * (-0.5 * ((x - x0).powi(2) + (y - y0).powi(2)) / (sigma * sigma)).exp()
                });
            }
        }
        let found = cause(&finished(canvas, seed));
        assert!(matches!(found, Cause::Cloud { .. }), "{seed}: {found:?}");
    }
}

/// Twilight, brighter towards one side.
#[test]
fn a_sky_of_a_third_of_the_range_hides_the_stars() {
    let mut twilight = Canvas::new(WIDTH, HEIGHT, 20_000.0);
    twilight.glow(|x, _| 3.0 * x);
    twilight.noise(90.0, &mut Random(73));
    match cause(&twilight.frame(CEILING)) {
        Cause::BrightSky { fill } => {
            let drawn = (20_000.0 + 1.5 * WIDTH as f64) / CEILING;
            assert!((fill - drawn).abs() < 0.01, "{fill}");
        }
        other => panic!("{other:?}"),
    }
}

/// One bright pixel near 4095 says nothing of the range of a sky of 1100.
#[test]
fn one_hot_pixel_is_no_full_scale() {
    let mut canvas = canvas();
    canvas.data[12_345] = 4_060.0;
    assert_eq!(cause(&finished(canvas, 74)), Cause::NoStars);
}

fn scattered() -> Frame {
    let mut canvas = canvas();
    for star in stars(80, 52) {
        canvas.star(star, 1.5);
    }
    finished(canvas, 53)
}

#[test]
fn scattered_stars_match_nothing() {
    match cause(&scattered()) {
        Cause::NoMatch {
            found,
            scale_claimed: false,
            ..
        } => assert!((60..=90).contains(&found), "{found}"),
        other => panic!("{other:?}"),
    }
}

/// 1 arcsec per pixel makes 0.25 x 0.19 deg: 1.2 of the 23.6 stars per square degree that
/// Tycho-2 has to magnitude 11 on average (973,051 on the sky).
#[test]
fn the_index_is_too_shallow_for_a_small_field() {
    let request = Request {
        scales_arcsec_per_px: vec![1.0],
        ..Request::default()
    };
    match outcome(&scattered(), &request).diagnosis {
        Some(Cause::IndexTooShallow {
            field_deg,
            expected,
            magnitude,
            near_deg,
        }) => {
            assert_eq!(near_deg, None);
            assert!((field_deg[0] - 0.25).abs() < 1e-9);
            assert!((expected - 23.66 * 0.25 * 700.0 / 3600.0).abs() < 0.02);
            // Ten times as many stars lie some 2.2 to 3 magnitudes fainter.
            assert!((13.2..14.2).contains(&magnitude), "{magnitude}");
        }
        other => panic!("{other:?}"),
    }
}

/// In the Milky Way the same field holds more stars than on average, and an index need not go
/// as deep.
#[test]
fn the_depth_needed_depends_on_the_place() {
    let needed = |ra_deg, dec_deg| {
        let request = Request {
            starts: vec![Commanded { ra_deg, dec_deg }],
            scales_arcsec_per_px: vec![1.0],
            within_deg: Some(2.0),
            ..Request::default()
        };
        match outcome(&scattered(), &request).diagnosis {
            Some(Cause::IndexTooShallow { magnitude, .. }) => magnitude,
            other => panic!("{other:?}"),
        }
    };
    // The Milky Way in Cygnus, and the north galactic pole (12h51m +27.1, IAU 1958).
    let (milky_way, pole) = (needed(305.0, 38.0), needed(192.86, 27.13));
    assert!(milky_way + 0.8 < pole, "{milky_way} {pole}");
}

/// A picture of 8 bits, as of a light that varies by `uneven` parts over some hundred pixels.
fn picture(level: f64, uneven: f64, draw: impl FnOnce(&mut Canvas), seed: u64) -> Frame {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.0);
    let mut random = Random(seed);
    let waves: Vec<[f64; 4]> = (0..12)
        .map(|_| {
            let [length, turn] = [90.0 + 200.0 * random.uniform(), 6.3 * random.uniform()];
            let k = std::f64::consts::TAU / length;
            [
                k * turn.cos(),
                k * turn.sin(),
                6.3 * random.uniform(),
                length / 290.0,
            ]
        })
        .collect();
    for (i, value) in canvas.data.iter_mut().enumerate() {
        let (x, y) = ((i % WIDTH) as f64, (i / WIDTH) as f64);
        let wave = |[a, b, phase, part]: &[f64; 4]| part * (a * x + b * y + phase).sin();
        *value = level * (1.0 + uneven * waves.iter().map(wave).sum::<f64>() / 2.5);
    }
    draw(&mut canvas);
    canvas.noise(1.5, &mut Random(seed + 1));
    let pixels = canvas
        .data
        .iter()
        .map(|v| v.round().clamp(0.0, 255.0) as u8);
    let pixels = nightfix::frame::Pixels::U8(pixels.collect());
    Frame {
        nonlinear: true,
        ..crate::star_field::frame_of(WIDTH, HEIGHT, pixels)
    }
}

#[test]
fn a_picture_by_day_is_bright() {
    for seed in 0..3 {
        let found = cause(&picture(115.0, 0.3, |_| {}, 60 + seed));
        assert!(
            matches!(found, Cause::BrightSky { fill } if fill > 0.3),
            "{found:?}"
        );
    }
}

/// As bright in the middle of its values as a dim day, a quarter of it as dark as the sky of a night.
#[test]
fn a_bright_nebula_is_no_bright_sky() {
    for seed in 0..3 {
        let found = cause(&picture(78.0, 0.9, |_| {}, 65 + seed));
        assert!(matches!(found, Cause::Cloud { found: 0 }), "{found:?}");
    }
}

#[test]
fn a_picture_without_stars_shows_none() {
    for seed in 0..3 {
        let found = cause(&picture(35.0, 0.4, |_| {}, 70 + seed));
        assert!(matches!(found, Cause::Cloud { found: 0 }), "{found:?}");
    }
}

#[test]
fn a_crowd_is_called_one() {
    let crowd = |canvas: &mut Canvas| {
        for star in scatter(WIDTH, HEIGHT, 30_000, 60.0, 2.0, &mut Random(81)) {
            canvas.star(star, 1.3);
        }
    };
    match cause(&picture(30.0, 0.0, crowd, 80)) {
        Cause::NoMatch { suspects, .. } => {
            assert_eq!(suspects[0], Some(nightfix::diagnosis::Suspect::Crowded));
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn bloated_stars_make_a_narrow_field() {
    let bloated = |canvas: &mut Canvas| {
        for star in scatter(WIDTH, HEIGHT, 40, 9000.0, 30.0, &mut Random(91)) {
            canvas.star(star, 5.0);
        }
    };
    match cause(&picture(20.0, 0.0, bloated, 90)) {
        Cause::NoMatch { suspects, .. } => assert!(
            matches!(suspects[0], Some(nightfix::diagnosis::Suspect::Narrow { fwhm_px }) if fwhm_px > 9.0),
            "{suspects:?}"
        ),
        other => panic!("{other:?}"),
    }
}

/// 8 mm in front of a sensor of 60 mm: wider than the whole sky through any fisheye.
#[test]
fn a_claim_beyond_every_fisheye_is_too_wide() {
    let request = Request {
        scales_arcsec_per_px: vec![1700.0],
        ..Request::default()
    };
    let found = outcome(&scattered(), &request).diagnosis;
    assert!(
        matches!(found, Some(Cause::TooWide { field_deg }) if (field_deg - 425.0).abs() < 1.0),
        "{found:?}"
    );
}
