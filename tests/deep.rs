//! A regional star-index made from a catalogue file, and real narrow frames solved with it.

use index_builder::catalogue::Input;
use index_builder::deep::{Fields, Needs, Order, Progress, Region, Summary, build};
use nightfix::frame::Frame;
use nightfix::sky::Sky;
use nightfix::solve::{Request, solve};
use nightfix::sphere::{angle_between, sky_to_vector};
use std::path::{Path, PathBuf};

struct Silent;

impl Progress for Silent {
    fn read(&self, _: u64) {}
    fn pass(&self, _: &'static str, _: u64) {}
    fn step(&self) {}
}

/// Builds an index of what lies within 1 deg of a position.
fn regional(out: &Path, input: Input, at_deg: [f64; 2], fields: &str) -> Summary {
    let fields: Fields = fields.parse().unwrap();
    let order = Order {
        out,
        inputs: &[input],
        needs: &Needs::of(fields),
        region: &Region::within(1.0, &[at_deg]),
        faintest_mag: f64::INFINITY,
        bright: &[],
        memory_bytes: 100_000_000,
        origin: "test",
    };
    build(&order, &Silent).unwrap()
}

/// The plate of a cluster, half a degree wide, nothing known but its pixels, not even its date;
/// the stars are those of Gaia DR3 moved to J2000 by the catalogue service that was asked. Where
/// it points was fitted independently (`truth.json` beside the frames).
#[test]
fn a_real_plate_of_half_a_degree_is_solved_with_a_regional_index() {
    let real = std::env::var_os("NIGHTFIX_REAL_FRAMES").map(PathBuf::from);
    let Some(folder) = real.filter(|folder| folder.join("m67-gaia-1deg.csv").is_file()) else {
        eprintln!("\nskipped: NIGHTFIX_REAL_FRAMES names no folder with m67-gaia-1deg.csv");
        return;
    };
    let work = tempfile::tempdir().unwrap();
    let out = work.path().join("m67.nfsky");
    let columns = "ra=_RAJ2000:deg,dec=_DEJ2000:deg,pmra=pmRA:mas/yr,pmdec=pmDE:mas/yr,mag=Gmag";
    let input = Input {
        path: folder.join("m67-gaia-1deg.csv"),
        columns: Some(columns.parse().unwrap()),
        epoch_jyear: Some(2000.0),
    };
    let summary = regional(&out, input, [132.85, 11.81], "0.2..1");
    assert!(summary.stars > 2000 && summary.file_bytes < 1_000_000);
    // Nothing but the index is left.
    assert_eq!(std::fs::read_dir(work.path()).unwrap().count(), 1);

    let mut sky = Sky::embedded().unwrap();
    sky.add(&out).unwrap();
    let frame = Frame::open(&folder.join("single/plate-m67.fits")).unwrap();
    let outcome = solve(&frame, &sky, &Request::default()).unwrap();
    let solution = outcome.solution.expect("solved");
    let truth = sky_to_vector(132.83404, 11.8118);
    let found = sky_to_vector(solution.centre_ra_deg, solution.centre_dec_deg);
    let off_px = angle_between(truth, found).to_degrees() * 3600.0 / 1.7006;
    assert!(off_px < 2.0, "{off_px} px");
    println!("\nreal frames: 1");
}
