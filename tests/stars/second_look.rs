//! A frame whose stars fit nowhere at first, since a nebula hides them from the plain background.

use crate::star_field::{Canvas, Random};
use nightfix::Deadline;
use nightfix::detect::{Background, detect};
use nightfix::frame::Frame;
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
