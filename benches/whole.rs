//! Time of the whole job, pixels in memory to position, on rendered frames of 1, 8 and 24
//! megapixels, 3 degrees wide; the answer is checked.

#[path = "rendered/mod.rs"]
mod rendered;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use nightfix::search::{Commanded, Request};
use nightfix::sky::Sky;
use nightfix::solve::solve;
use std::hint::black_box;
use std::time::Duration;

fn whole(c: &mut Criterion) {
    let sky = Sky::embedded().expect("the built-in star-index");
    let mut group = c.benchmark_group("whole");
    group.sample_size(10);
    group.warm_up_time(Duration::from_secs(1));
    group.measurement_time(Duration::from_secs(4));
    for (size, width_px) in [("1 MP", 1224), ("8 MP", 3465), ("24 MP", 6000)] {
        let (frame, truth) = rendered::frame(3.0, width_px);
        let near = Commanded {
            ra_deg: truth.ra_deg + 0.5,
            dec_deg: truth.dec_deg - 0.5,
        };
        for (start, starts) in [("near", vec![near]), ("blind", Vec::new())] {
            let request = Request {
                starts,
                ..Request::default()
            };
            group.throughput(Throughput::Elements((frame.width * frame.height) as u64));
            group.bench_function(format!("{size}, {start}"), |b| {
                b.iter(|| {
                    let outcome = solve(black_box(&frame), &sky, &request).expect("sound");
                    let solution = outcome.solution.as_ref().expect("solved");
                    let centre = [solution.centre_ra_deg, solution.centre_dec_deg];
                    assert!(rendered::off_px(centre, &truth) < 1.0);
                    outcome
                })
            });
        }
    }
    group.finish();
}

criterion_group!(benches, whole);
criterion_main!(benches);
