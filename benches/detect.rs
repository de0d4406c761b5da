//! Time to find the stars of rendered frames of 1, 8 and 24 megapixels; the answer is checked.

#[path = "../tests/stars/star_field.rs"]
mod star_field;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use nightfix::detect::detect;
use star_field::{Canvas, Random, scatter};
use std::hint::black_box;

fn sizes(c: &mut Criterion) {
    let mut group = c.benchmark_group("detect");
    group.sample_size(20);
    for (name, width, height) in [
        ("1 MP", 1224, 816),
        ("8 MP", 3464, 2310),
        ("24 MP", 6000, 4000),
    ] {
        let mut random = Random(1);
        let mut canvas = Canvas::new(width, height, 1000.0);
        let count = width * height / 4000;
        let stars = scatter(width, height, count, 1500.0, 12.0, &mut random);
        for s in &stars {
            canvas.star(*s, 1.3);
        }
        canvas.noise(20.0, &mut random);
        let frame = canvas.frame(65535.0);
        group.throughput(Throughput::Elements((width * height) as u64));
        group.bench_function(name, |b| {
            b.iter(|| {
                let found = detect(black_box(&frame));
                let right = found.stars[..100]
                    .iter()
                    .filter(|d| {
                        stars
                            .iter()
                            .any(|s| (s.x - d.x_px).hypot(s.y - d.y_px) < 1.0)
                    })
                    .count();
                assert!(right >= 97, "{right} of the first 100 are stars");
            });
        });
    }
    group.finish();
}

criterion_group!(benches, sizes);
criterion_main!(benches);
