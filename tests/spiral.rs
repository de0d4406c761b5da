//! A search near the commanded position reads little of the star-index, and reads more the
//! farther off the mount is.

use nightfix::detect::{Detections, detect};
use nightfix::frame::{Clues, Frame, Pixels};
use nightfix::search::search;
use nightfix::sky::Sky;
use nightfix::solve::{Commanded, Request, SearchOrder, SearchReport};
use sample_fields::{FieldSpec, render};

const CENTRE_DEG: [f64; 2] = [92.4, 23.8];

fn detections() -> Detections {
    let field = render(&FieldSpec::new(CENTRE_DEG[0], CENTRE_DEG[1], 1.5)).unwrap();
    detect(&Frame {
        path: "rendered".into(),
        width: field.truth.width_px,
        height: field.truth.height_px,
        pixels: Pixels::U16(field.pixels),
        mosaic_stated: None,
        first_row_on_top: false,
        orientation: 1,
        nonlinear: false,
        clues: Clues::default(),
    })
}

/// What it takes to solve with these starts; the sky is opened anew, so that nothing is counted
/// as read before.
fn effort(detections: &Detections, starts: Vec<Commanded>) -> SearchReport {
    let sky = Sky::embedded().unwrap();
    let request = Request {
        starts,
        ..Request::default()
    };
    let found = search(detections, &sky, &request, None).unwrap();
    assert!(found.accepted);
    found.report
}

#[test]
fn effort_grows_with_the_error_of_the_commanded_position() {
    let detections = detections();
    let efforts = [0.1, 2.0, 5.0, 10.0].map(|north_deg| {
        let start = Commanded {
            ra_deg: CENTRE_DEG[0],
            dec_deg: CENTRE_DEG[1] + north_deg,
        };
        let report = effort(&detections, vec![start]);
        eprintln!(
            "{north_deg} deg off: {} cells, {} bytes, radius {:.2} deg, {} candidates",
            report.cells, report.index_bytes, report.radius_deg, report.candidates
        );
        assert_eq!(report.order, SearchOrder::Spiral);
        report
    });
    for pair in efforts.windows(2) {
        assert!(pair[0].cells < pair[1].cells);
        assert!(pair[0].index_bytes < pair[1].index_bytes);
        assert!(pair[0].radius_deg <= pair[1].radius_deg);
    }
    let blind = effort(&detections, Vec::new());
    eprintln!(
        "whole sky: {} cells, {} bytes",
        blind.cells, blind.index_bytes
    );
    assert_eq!(blind.order, SearchOrder::WholeSky);
    // A blind search ends early with some luck: the comparison is with all that could be read.
    let whole = Sky::embedded().unwrap().tiles_outward(None, |_| true).len() as u64;
    assert!(efforts[0].cells * 20 < whole, "of {whole}");
    assert!(efforts[1].cells * 10 < whole, "of {whole}");
    assert!(efforts[0].index_bytes * 10 < blind.index_bytes);
}
