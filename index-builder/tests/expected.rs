//! What is said beforehand about an index, against the index that comes of it.

use index_builder::catalogue::Input;
use index_builder::deep::{Needs, Order, Progress, Region, build};
use index_builder::expected::expected;
use index_builder::synthetic::{CSV_HEAD, SyntheticSky, write_csv};
use std::collections::BTreeSet;
use std::io::Write;

struct Silent;

impl Progress for Silent {
    fn read(&self, _: u64) {}
    fn pass(&self, _: &'static str, _: u64) {}
    fn step(&self) {}
}

/// Builds from a made-up sky that fills every cell; the stars and bytes expected and found.
fn built(fields: &str, radius_deg: f64, of_deg: &[[f64; 2]]) -> [[u64; 2]; 2] {
    let folder = tempfile::tempdir().unwrap();
    let [table, out] = ["sky.csv", "sky.nfsky"].map(|name| folder.path().join(name));
    let sky = SyntheticSky::new(400_000_000, 1).unwrap();
    let cells: BTreeSet<u64> = of_deg
        .iter()
        .flat_map(|[ra, dec]| {
            let [lon, lat, radius] = [*ra, *dec, radius_deg].map(f64::to_radians);
            // The depth of the made-up sky's cells, 1.8 deg wide.
            let near = cdshealpix::nested::cone_coverage_approx(5, lon, lat, radius);
            near.flat_iter().collect::<Vec<_>>()
        })
        .collect();
    let mut file = std::io::BufWriter::new(std::fs::File::create(&table).unwrap());
    writeln!(file, "{CSV_HEAD}").unwrap();
    for cell in cells {
        write_csv(&sky.stars(cell), &mut file).unwrap();
    }
    file.flush().unwrap();
    let needs = Needs::of(fields.parse().unwrap());
    let summary = build(
        &Order {
            out: &out,
            inputs: &[Input::new(table)],
            needs: &needs,
            region: &Region::within(radius_deg, of_deg),
            faintest_mag: f64::INFINITY,
            bright: &[],
            memory_bytes: 100_000_000,
            origin: "made up",
        },
        &Silent,
    )
    .unwrap();
    let said = expected(&needs, radius_deg, of_deg);
    [
        [said.stars, said.index_bytes],
        [summary.stars, summary.file_bytes],
    ]
}

#[test]
fn the_size_said_beforehand_is_that_of_the_index() {
    for (fields, radius_deg, of_deg) in [
        ("0.2..1", 1.0, &[[132.85, 11.81]][..]),
        ("0.2..1", 4.0, &[[132.85, 11.81]][..]),
        (
            "0.1..0.3",
            1.0,
            &[[10.0, 41.0], [83.8, -5.4], [350.0, 61.0]],
        ),
        ("0.5..0.5", 3.0, &[[200.0, 89.0]]),
    ] {
        let [said, found] = built(fields, radius_deg, of_deg);
        println!("{fields} within {radius_deg} deg: said {said:?}, found {found:?}");
        for (said, found) in said.into_iter().zip(found) {
            let ratio = said as f64 / found as f64;
            assert!((0.9..1.4).contains(&ratio), "{fields}: {said}, {found}");
        }
    }
}
