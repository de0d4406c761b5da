//! A frame whose stars fit nowhere at first, since a nebula hides them from the plain background.

use crate::star_field::{Canvas, Random, Star, frame_of, scatter};
use nightfix::Deadline;
use nightfix::detect::{Background, Detection, Reading, detect, detect_as};
use nightfix::frame::{Frame, Pixels};
use nightfix::search::{Commanded, Lenses, Request, search};
use nightfix::sky::Sky;
use nightfix::solve::solve;
use sample_fields::{Field, FieldSpec, render};

const EPOCH: f64 = 2026.0;

/// A field of catalogue stars behind hills of light of `steepness` times their size.
fn field(steepness: f64) -> (Field, Frame) {
    let spec = FieldSpec {
        epoch_year: EPOCH,
        seed: 2,
        fwhm_px: 3.0,
        width_px: 900,
        height_px: 600,
        ..FieldSpec::new(56.8, 24.1, 2.5)
    };
    let field = render(&spec).unwrap();
    let mut canvas = Canvas {
        width: field.truth.width_px,
        height: field.truth.height_px,
        data: field.pixels.iter().map(|p| f64::from(*p)).collect(),
    };
    if steepness > 0.0 {
        canvas.ragged_nebula(steepness, &mut Random(spec.seed));
    }
    let frame = canvas.frame(65_535.0);
    (field, frame)
}

#[test]
fn stars_on_a_nebula_are_found_at_the_second_look() {
    let sky = Sky::embedded().unwrap();
    let request = Request {
        epoch_jyear: Some(EPOCH),
        ..Request::default()
    };
    let (field, frame) = field(180.0);
    let first = search(&detect(&frame), &sky, &request, Deadline::NONE).unwrap();
    assert!(!first.accepted, "a harder frame is needed");
    let outcome = solve(&frame, &sky, &request).unwrap();
    let solution = outcome.solution.expect("stars enough on a fine background");
    assert_eq!(outcome.detections.background, Background::Fine);
    let truth = &field.truth;
    let (north, east) = (
        solution.centre_dec_deg - truth.dec_deg,
        (solution.centre_ra_deg - truth.ra_deg) * truth.dec_deg.to_radians().cos(),
    );
    let off_px = 3600.0 * north.hypot(east) / truth.scale_arcsec_per_px;
    assert!(off_px < 1.0, "{off_px} px off");
    // What the first look cost counts as well.
    assert!(outcome.search.candidates > first.report.candidates);
    assert!(outcome.search.cells > first.report.cells);
}

#[test]
fn the_same_stars_are_not_searched_for_twice() {
    let sky = Sky::embedded().unwrap();
    // Nothing to find there.
    let request = Request {
        starts: vec![Commanded {
            ra_deg: 200.0,
            dec_deg: -60.0,
        }],
        within_deg: Some(5.0),
        epoch_jyear: Some(EPOCH),
        ..Request::default()
    };
    let (_, frame) = field(0.0);
    let detections = detect(&frame);
    let first = search(&detections, &sky, &request, Deadline::NONE).unwrap();
    let widest = Request {
        lenses: Lenses::Widest,
        ..request.clone()
    };
    let widest = search(&detections, &sky, &widest, Deadline::NONE).unwrap();
    let outcome = solve(&frame, &sky, &request).unwrap();
    assert!(outcome.solution.is_none());
    assert!(first.report.cells > 0);
    // The middle by itself makes other patterns, and is asked once more, and so are the widest lenses;
    // nothing else is.
    assert_eq!(
        outcome.search.cells,
        2 * first.report.cells + widest.report.cells
    );
    assert!(outcome.search.candidates >= first.report.candidates);
}

/// Stars among twenty times as many hot pixels, through a noise filter that leaves alone what is bright and
/// blurs what is around it, a tone curve, and 8 bits: each hot pixel has a foot as a star has.
fn among_softened_hot_pixels(stars: &[Star], random: &mut Random) -> Frame {
    const NOISE: f64 = 10.0;
    let mut canvas = Canvas::new(800, 600, 0.0);
    for star in stars {
        canvas.star(*star, 1.3);
    }
    for _ in 0..20 * stars.len() {
        let at = (random.uniform() * canvas.data.len() as f64) as usize;
        canvas.data[at] += (150.0 / (1.0 - random.uniform())).min(1_500.0);
    }
    canvas.noise(NOISE, random);
    let soft = canvas.softened(1.2);
    let shown = canvas.data.iter().zip(&soft.data).map(|(sharp, soft)| {
        let keep = (soft / (6.0 * NOISE)).clamp(0.0, 1.0);
        let light = keep * sharp + (1.0 - keep) * soft + 4.0 * NOISE;
        (25.0 * (light / NOISE).max(0.0).asinh()).round().min(255.0) as u8
    });
    let pixels = Pixels::U8(shown.collect());
    Frame {
        nonlinear: true,
        ..frame_of(canvas.width, canvas.height, pixels)
    }
}

#[test]
fn without_points_stars_are_left() {
    let mut random = Random(5);
    let stars = scatter(800, 600, 60, 1_500.0, 20.0, &mut random);
    let frame = among_softened_hot_pixels(&stars, &mut random);
    let counted = |reading| {
        let found = detect_as(&frame, reading, Deadline::NONE).unwrap().stars;
        let near = |d: &&Detection| {
            let apart = |s: &Star| (s.x - d.x_px).hypot(s.y - d.y_px);
            stars.iter().any(|s| apart(s) < 1.5)
        };
        let right = found.iter().filter(near).count();
        [right, found.len() - right]
    };
    let [[right, wrong], [right_without, wrong_without]] =
        [Reading::AsItLooks, Reading::WithoutPoints].map(counted);
    // 59 in place of none, and 97 in place of 638.
    assert!(right < 10, "harder hot pixels are needed: {right}");
    assert!(right_without > 50, "{right_without}");
    assert!(5 * wrong_without < wrong, "{wrong} {wrong_without}");
}
