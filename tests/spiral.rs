//! A search near the commanded position reads little of the star-index, and reads more the
//! farther off the mount is: cells and bytes grow with every step of the error.
//!
//! One field says little (cells lie as they lie), so several are added up.

#[path = "../benches/rendered/field.rs"]
mod field;

use nightfix::Deadline;
use nightfix::detect::{Detections, detect};
use nightfix::search::{Commanded, Request, SearchOrder, SearchReport, search};
use nightfix::sky::Sky;
use sample_fields::FieldSpec;

const PLACES_DEG: [[f64; 2]; 5] = [
    [92.4, 23.8],
    [200.0, -20.0],
    [300.0, 60.0],
    [130.0, -45.0],
    [56.6, 24.3],
];
const NORTH_DEG: [f64; 5] = [0.1, 2.0, 5.0, 10.0, 14.0];

/// The detections of a field one degree wide: only the smaller quads serve it.
fn detections([ra_deg, dec_deg]: [f64; 2]) -> Detections {
    detect(&field::frame_of(&FieldSpec::new(ra_deg, dec_deg, 1.0)).0)
}

/// What it takes to solve with these starts; the sky is opened anew, so that nothing is counted
/// as read before.
fn effort(detections: &Detections, starts: Vec<Commanded>) -> SearchReport {
    let sky = Sky::embedded().unwrap();
    let request = Request {
        starts,
        ..Request::default()
    };
    let found = search(detections, &sky, &request, Deadline::NONE).unwrap();
    assert!(found.accepted, "{request:?}");
    found.report
}

#[test]
fn effort_grows_with_the_error_of_the_commanded_position() {
    let mut near = [[0_u64; 2]; NORTH_DEG.len()];
    let mut blind = [0_u64; 2];
    for place in PLACES_DEG {
        let detections = detections(place);
        for (sum, north_deg) in near.iter_mut().zip(NORTH_DEG) {
            let start = Commanded {
                ra_deg: place[0],
                dec_deg: place[1] + north_deg,
            };
            let report = effort(&detections, vec![start]);
            assert_eq!(report.order, SearchOrder::Spiral);
            sum[0] += report.cells;
            sum[1] += report.index_bytes;
        }
        let report = effort(&detections, Vec::new());
        assert_eq!(report.order, SearchOrder::WholeSky);
        blind[0] += report.cells;
        blind[1] += report.index_bytes;
    }
    eprintln!("cells and bytes of {} fields:", PLACES_DEG.len());
    for (sum, north_deg) in near.iter().zip(NORTH_DEG) {
        eprintln!("{north_deg} deg off: {sum:?}");
    }
    eprintln!("blind: {blind:?}");

    for k in 0..2 {
        assert!(
            near.is_sorted_by(|less, more| less[k] < more[k]),
            "{near:?}"
        );
        // Bytes are read in blocks of 64 KiB, of an index of 42 MB, which shrinks the advantage of few.
        let less = [500, 25][k];
        assert!(near[0][k] * less < blind[k], "{:?} of {blind:?}", near[0]);
        let farthest = near[near.len() - 1];
        assert!(farthest[k] * 5 < blind[k], "{farthest:?} of {blind:?}");
    }
}
