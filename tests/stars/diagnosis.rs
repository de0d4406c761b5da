//! Frames made unsolvable on purpose, each in one way: the diagnosis names it and its measure.

use crate::star_field::{Canvas, Random, Star, scatter};
use nightfix::diagnosis::Cause;
use nightfix::frame::Frame;
use nightfix::sky::Sky;
use nightfix::solve::{Commanded, Outcome, Request, solve};

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
        } => assert!((60..=90).contains(&found), "{found}"),
        other => panic!("{other:?}"),
    }
}

/// 1 arcsec per pixel makes 0.25 x 0.19 deg: 1.2 of the 23.7 stars per square degree that
/// Tycho-2 has to magnitude 11 on average (976,026 on the sky).
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
