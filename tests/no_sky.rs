//! Detection lists: those that show no piece of the sky are never taken for one, and those that
//! show a small piece of it are found. The lists are those of `benches/calibration`, which has the
//! long run.

#[path = "../benches/calibration/fields.rs"]
mod fields;
#[path = "../benches/calibration/lists.rs"]
mod lists;
#[path = "../benches/calibration/random.rs"]
mod random;

use fields::{Kind, field, is_right};
use nightfix::Deadline;
use nightfix::search::{Request, search};
use nightfix::sky::Sky;
use rayon::prelude::*;

/// Blind, since a blind search has the most candidates; of those of each shape the ones that take
/// little time.
#[test]
fn lists_that_show_no_sky_are_not_accepted() {
    const MOST_STARS: usize = 30;
    let sky = Sky::embedded().unwrap();
    let stated: Vec<(lists::Shape, f64)> = (0..200_u64)
        .into_par_iter()
        .map(|number| lists::list(number, &[]))
        .filter(|(_, list)| list.stars.len() <= MOST_STARS)
        .map(|(shape, list)| {
            let found = search(&list, &sky, &Request::default(), Deadline::NONE).unwrap();
            assert!(!found.accepted, "{shape:?}");
            (shape, found.log10_chance)
        })
        .collect();
    for shape in &lists::SHAPES[..5] {
        let of_shape = stated.iter().filter(|s| s.0 == *shape);
        let (count, below) = of_shape.fold((0, 0), |(count, below), s| {
            (count + 1, below + usize::from(s.1 < -2.0))
        });
        // Stated under 1 in 100: one of some twenty lists would be one too many already.
        assert!(count >= 15, "{shape:?}: {count} lists");
        assert_eq!(below, 0, "{shape:?}");
    }
}

/// Three quarters of the frame behind a tree, a roof, the slit of a dome: eight stars or more show.
/// Three quarters of the frame behind a tree, a roof, the slit of a dome: eight stars or more show.
/// Of the other kinds some lists show five stars or four, which prove nothing.
#[test]
fn fields_that_show_stars_enough_are_found() {
    for (name, up_to, least) in [
        ("covered", 60, 0.98),
        ("wide", 30, 0.98),
        ("narrow", 30, 0.95),
        ("near", 60, 0.85),
        ("sparse", 60, 0.75),
    ] {
        let kind = Kind::named(name).unwrap();
        let [found, of] = count(kind, up_to);
        println!("{name}: {found} of {of}");
        assert!(10 * of >= 9 * up_to as usize, "{name}: {of} fields");
        assert!(found as f64 >= least * of as f64, "{name}: {found} of {of}");
    }
}

/// How many of the first `up_to` fields that show stars enough are found where they are.
fn count(kind: Kind, up_to: u64) -> [usize; 2] {
    let sky = Sky::embedded().unwrap();
    let results: Vec<bool> = (0..up_to)
        .into_par_iter()
        .filter_map(|number| field(number, kind, &sky).unwrap())
        .map(|field| {
            let found = search(&field.list, &sky, &field.request, Deadline::NONE).unwrap();
            let best = found.best.filter(|_| found.accepted);
            best.is_some_and(|best| {
                let direction = best.evidence.camera.axes[2];
                assert!(is_right(&field, direction), "{kind:?} at a wrong place");
                true
            })
        })
        .collect();
    [
        results.iter().filter(|found| **found).count(),
        results.len(),
    ]
}
