//! Stars that a catalogue lists twice are in a deep star-index once, also where the parts of the
//! sky meet in which it is built, and after indexes are merged.

use index_builder::catalogue::Input;
use index_builder::deep::{Needs, Order, Progress, Region, build};
use index_builder::synthetic::CSV_HEAD;
use star_index::StarIndex;
use star_index::write::cell_of;
use std::fmt::Write as _;
use std::path::Path;

struct Silent;

impl Progress for Silent {
    fn read(&self, _: u64) {}
    fn pass(&self, _: &'static str, _: u64) {}
    fn step(&self) {}
}

fn vector([ra_deg, dec_deg]: [f64; 2]) -> [f64; 3] {
    let ((sa, ca), (sd, cd)) = (
        ra_deg.to_radians().sin_cos(),
        dec_deg.to_radians().sin_cos(),
    );
    [cd * ca, cd * sa, sd]
}

/// Right ascension at which the cell of a depth ends, from `ra_deg` on, at a declination.
fn border(mut ra_deg: f64, dec_deg: f64, depth: u8) -> f64 {
    let cell = |ra: f64| cell_of(vector([ra, dec_deg]), depth);
    let first = cell(ra_deg);
    let mut step = 1.0;
    while step > 1e-9 {
        if cell(ra_deg + step) == first {
            ra_deg += step;
        } else {
            step /= 2.0;
        }
    }
    ra_deg
}

/// A star that does not move.
fn row(table: &mut String, [ra, dec]: [f64; 2], mag: f64) {
    writeln!(table, "0,2000.0,{ra:.8},{dec:.8},0,0,{mag:.4}").unwrap();
}

/// Two stars `arcsec` apart along the parallel, one on either side of `at`.
fn pair(table: &mut String, at: [f64; 2], arcsec: f64, mags: [f64; 2]) {
    for (side, mag) in [-0.5, 0.5].into_iter().zip(mags) {
        let ra = at[0] + side * arcsec / 3600.0 / at[1].to_radians().cos();
        row(table, [ra, at[1]], mag);
    }
}

/// Faint stars all around a place, so that it has quads.
fn surroundings(table: &mut String, at: [f64; 2]) {
    for k in 0..60 {
        let along = |by: f64| 4.0 * (f64::from(k) * by).fract() - 2.0;
        let [ra, dec] = [at[0] + along(0.618_034), at[1] + along(0.414_214)];
        row(table, [ra, dec], 10.0 + 0.05 * f64::from(k));
    }
}

fn built(out: &Path, inputs: &[&Path], region: &Region) -> StarIndex {
    let inputs: Vec<Input> = inputs.iter().map(|p| Input::new(p.to_path_buf())).collect();
    let order = Order {
        out,
        inputs: &inputs,
        needs: &Needs::of("1..2".parse().unwrap()),
        region,
        faintest_mag: f64::INFINITY,
        bright: &[],
        memory_bytes: 100_000_000,
        origin: "made up",
    };
    build(&order, &Silent).unwrap();
    StarIndex::open(out).unwrap()
}

/// Stars of a magnitude within an arcminute of a place.
fn stars_at(index: &StarIndex, at: [f64; 2], mags: [f64; 2]) -> usize {
    let mut count = 0;
    for (tier, info) in index.tiers().iter().enumerate() {
        let stars = index.cells(tier, 0, 12 << (2 * info.depth)).unwrap();
        for star in stars.iter() {
            let chord2: f64 = (0..3)
                .map(|i| (star.vector()[i] - vector(at)[i]).powi(2))
                .sum();
            let mag = f64::from(star.mag_centi()) / 100.0;
            let near = chord2.sqrt() < (1.0_f64 / 60.0).to_radians();
            count += usize::from(near && mags.contains(&mag));
        }
    }
    count
}

#[test]
fn a_pair_of_equal_magnitude_is_one_star_wherever_parts_meet() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("stars.csv");
    let mut text = format!("{CSV_HEAD}\n");
    // Parts of the sky are cells of depth 2; finer ones end inside a part.
    let mut expected = Vec::new();
    for (dec, depth) in [(3.0, 2), (55.0, 2), (-70.0, 2), (-3.0, 6), (20.0, 9)] {
        for (k, (arcsec, mags, left)) in [
            (4.0, [0.77, 0.77], 1),
            (20.0, [8.13, 8.13], 1),
            (4.0, [9.01, 9.02], 2),
            (40.0, [7.5, 7.5], 2),
            (4.0, [13.2, 13.2], 1),
            (20.0, [13.3, 13.3], 2),
        ]
        .into_iter()
        .enumerate()
        {
            let dec = dec + 0.25 * k as f64;
            let at = [border(100.0, dec, depth), dec];
            pair(&mut text, at, arcsec, mags);
            expected.push((at, mags, left));
        }
        surroundings(&mut text, [border(100.0, dec, depth), dec]);
    }
    std::fs::write(&table, text).unwrap();
    let out = folder.path().join("deep.nfsky");
    let index = built(&out, &[&table], &Region::default());
    for (at, mags, left) in expected {
        assert_eq!(stars_at(&index, at, mags), left, "{at:?}, {mags:?}");
    }
}

/// The circles of two regional indexes cut through a pair: each holds one of it, both together one.
#[test]
fn merged_indexes_hold_a_cut_pair_once() {
    let folder = tempfile::tempdir().unwrap();
    let place = |name: &str| folder.path().join(name);
    let at = [200.0, 10.0];
    let mut text = format!("{CSV_HEAD}\n");
    pair(&mut text, at, 6.0, [8.4, 8.4]);
    surroundings(&mut text, at);
    std::fs::write(place("stars.csv"), text).unwrap();
    let parts = [-1.0, 1.0].map(|side| {
        let out = place(&format!("part{side}.nfsky"));
        let centre = [at[0] + side / at[1].to_radians().cos(), at[1]];
        // The great circle is a little shorter than the way along the parallel.
        let region = Region::within(1.0, &[centre]);
        let index = built(&out, &[&place("stars.csv")], &region);
        assert_eq!(stars_at(&index, at, [8.4; 2]), 1);
        out
    });
    let merged = built(
        &place("merged.nfsky"),
        &[&parts[0], &parts[1]],
        &Region::default(),
    );
    assert_eq!(stars_at(&merged, at, [8.4; 2]), 1);
}
