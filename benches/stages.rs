//! Time of the stages after detection, on a rendered frame 1.5 degrees wide; answers are checked.

#[path = "rendered/mod.rs"]
mod rendered;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use kiddo::{ImmutableKdTree, SquaredEuclidean};
use nightfix::Deadline;
use nightfix::detect::{Detections, detect};
use nightfix::fit::{self, Display, Epoch};
use nightfix::quads::{FrameQuad, Lens, QuadMaker, QuadTable, Tolerance};
use nightfix::search::{Commanded, Request, search};
use nightfix::sky::{Sky, SkyRegion};
use star_index::quad::unpack;
use std::hint::black_box;
use std::time::Duration;

/// The quads of a first look: 20 stars in all ways, 60 with their neighbours.
fn frame_quads(detections: &Detections) -> Vec<FrameQuad> {
    let tolerance = Tolerance {
        position_px: 1.2,
        distortion: 0.0007,
        largest_radius: 0.02,
    };
    let size = [detections.width, detections.height];
    QuadMaker::new(&detections.stars, size, Lens::Flat, tolerance)
        .all_of_first(20, 0)
        .neighbours_of_first(60, 7, 20)
        .finish()
}

fn quads(c: &mut Criterion) {
    let sky = Sky::embedded().expect("the built-in star-index");
    let index = &sky.indexes()[0];
    let (frame, _) = rendered::frame(1.5, 1200);
    let detections = detect(&frame);
    let mut group = c.benchmark_group("quads");
    group.sample_size(10);
    group.measurement_time(Duration::from_secs(3));
    group.bench_function("make and sort into the table", |b| {
        b.iter(|| {
            let table = QuadTable::new(frame_quads(black_box(&detections)));
            assert!(table.len() > 4000, "{} quads", table.len());
            table
        })
    });

    let table = QuadTable::new(frame_quads(&detections));
    let tiles = sky.tiles(|_, _| true);
    let codes = |at: &nightfix::sky::SkyTile| index.tile(at.band, at.tile).expect("sound");
    let total: usize = tiles.iter().map(|t| codes(t).codes().count()).sum();
    assert!(total > 1_000_000, "{total} quads");
    group.throughput(Throughput::Elements(total as u64));
    group.bench_function("whole star-index past the table, one thread", |b| {
        b.iter(|| {
            let mut matches = 0_u64;
            for tile in &tiles {
                table.scan(codes(tile).codes(), |_, _| matches += 1);
            }
            assert!(matches > 0);
            matches
        })
    });
    group.finish();
    against_a_tree(
        c,
        &table,
        &frame_quads(&detections),
        tiles
            .iter()
            .flat_map(|t| codes(t).codes().collect::<Vec<_>>()),
    );
}

/// The same question answered by a k-d tree of the frame's quads, over some of the codes: what
/// the sieves are worth. Both find the same pairs.
fn against_a_tree(
    c: &mut Criterion,
    table: &QuadTable,
    quads: &[FrameQuad],
    codes: impl Iterator<Item = u64>,
) {
    let codes: Vec<u64> = codes.step_by(100).collect();
    let points: Vec<[f32; 4]> = quads.iter().map(|q| q.code).collect();
    let tree = ImmutableKdTree::new_from_slice(&points).expect("points");
    // The tree asks for a ball: that around the largest box.
    let half_side = quads.iter().fold(0.0_f32, |m, q| m.max(q.radius));
    let radius2 = 4.0 * half_side * half_side;
    let with_tree = || {
        let mut matches = 0_u64;
        for &packed in &codes {
            let code = unpack(packed);
            let near = tree
                .query(&code)
                .within::<SquaredEuclidean<f32>>(radius2)
                .unsorted()
                .execute();
            for neighbour in near {
                let quad = &quads[neighbour.item as usize];
                let inside = (0..4).all(|k| (quad.code[k] - code[k]).abs() <= quad.radius);
                matches += u64::from(inside);
            }
        }
        matches
    };
    let with_table = || {
        let mut matches = 0_u64;
        table.scan(codes.iter().copied(), |_, _| matches += 1);
        matches
    };
    assert_eq!(with_table(), with_tree());
    let mut group = c.benchmark_group("quads against a tree");
    group.sample_size(10);
    group.throughput(Throughput::Elements(codes.len() as u64));
    group.bench_function("table", |b| b.iter(with_table));
    group.bench_function("k-d tree", |b| b.iter(with_tree));
    group.finish();
}

fn searches(c: &mut Criterion) {
    let sky = Sky::embedded().expect("the built-in star-index");
    let (frame, truth) = rendered::frame(1.5, 1200);
    let detections = detect(&frame);
    let mut group = c.benchmark_group("search");
    group.sample_size(10);
    group.measurement_time(Duration::from_secs(3));
    for (name, north_deg) in [
        ("commanded 0.1 deg off", Some(0.1)),
        ("commanded 5 deg off", Some(5.0)),
        ("blind", None),
    ] {
        let start = north_deg.map(|north_deg| Commanded {
            ra_deg: truth.ra_deg,
            dec_deg: truth.dec_deg + north_deg,
        });
        let request = Request {
            starts: start.into_iter().collect(),
            ..Request::default()
        };
        group.bench_function(name, |b| {
            b.iter(|| {
                let found =
                    search(black_box(&detections), &sky, &request, Deadline::NONE).expect("sound");
                assert!(found.accepted);
                found
            })
        });
    }
    group.finish();
}

fn fits(c: &mut Criterion) {
    let sky = Sky::embedded().expect("the built-in star-index");
    let (frame, truth) = rendered::frame(1.5, 1200);
    let detections = detect(&frame);
    let found = search(&detections, &sky, &Request::default(), Deadline::NONE).expect("sound");
    assert!(found.accepted);
    let best = found.best.expect("accepted");
    let camera = &best.evidence.camera;
    let display = Display {
        up: [0.0, 1.0],
        right: [1.0, 0.0],
    };
    let mut group = c.benchmark_group("fit");
    group.sample_size(20);
    group.measurement_time(Duration::from_secs(3));
    group.bench_function("all stars of the frame", |b| {
        b.iter(|| {
            let mut region = SkyRegion::default();
            let reach = fit::reach_rad(camera);
            let middle = camera.axes[2];
            let stars = region
                .cone(&sky, best.index, middle, reach, fit::FIT_STARS, 0.0)
                .expect("sound");
            let solution = fit::fit(
                black_box(&detections),
                &best.evidence,
                stars,
                display,
                -20.0,
                Epoch::Known { jyear: 2000.0 },
            )
            .expect("a fit");
            let centre = [solution.centre_ra_deg, solution.centre_dec_deg];
            assert!(rendered::off_px(centre, &truth) < 1.0);
            solution
        })
    });
    group.finish();
}

criterion_group!(benches, quads, searches, fits);
criterion_main!(benches);
