//! A regional star-index made from a catalogue file, and real narrow frames solved with it.

use index_builder::catalogue::Input;
use index_builder::deep::{Fields, Needs, Order, Progress, Region, Summary, build};
use nightfix::frame::{Frame, Pixels};
use nightfix::search::Request;
use nightfix::sky::Sky;
use nightfix::solve::solve;
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

/// What the documented command builds of the real extract; `None` where it is not at hand.
fn cluster_index(work: &Path) -> Option<(PathBuf, PathBuf)> {
    let real = std::env::var_os("NIGHTFIX_REAL_FRAMES").map(PathBuf::from);
    let Some(folder) = real.filter(|folder| folder.join("m67-gaia-1deg.csv").is_file()) else {
        eprintln!("\nskipped: NIGHTFIX_REAL_FRAMES names no folder with m67-gaia-1deg.csv");
        return None;
    };
    let out = work.join("m67.nfsky");
    let columns = "ra=_RAJ2000:deg,dec=_DEJ2000:deg,pmra=pmRA:mas/yr,pmdec=pmDE:mas/yr,mag=Gmag";
    let input = Input {
        path: folder.join("m67-gaia-1deg.csv"),
        columns: Some(columns.parse().unwrap()),
        epoch_jyear: Some(2000.0),
    };
    let summary = regional(&out, input, [132.85, 11.81], "0.2..1");
    assert!(summary.stars > 2000 && summary.file_bytes < 1_000_000);
    // Nothing but the index is left.
    assert_eq!(std::fs::read_dir(work).unwrap().count(), 1);
    Some((folder, out))
}

/// What an independent fit says about a real frame (`truth.json` beside the frames).
struct Truth {
    file: String,
    centre_deg: [f64; 2],
    /// Degrees per pixel: FITS convention, pixels as stored.
    cd: [[f64; 2]; 2],
    scale_arcsec: f64,
}

fn narrow_frames(folder: &Path) -> Vec<Truth> {
    const NARROW_DEG: f64 = 1.0;
    let text = std::fs::read_to_string(folder.join("truth.json")).unwrap();
    let list: serde_json::Value = serde_json::from_str(&text).unwrap();
    let truth = |entry: &serde_json::Value| {
        let number = |key: &str| entry[key].as_f64().unwrap();
        let cd = |i: usize, j: usize| entry["cd"][i][j].as_f64().unwrap();
        let scale_arcsec = number("scale_arcsec_per_px");
        let narrower = number("width_px").min(number("height_px"));
        (narrower * scale_arcsec < 3600.0 * NARROW_DEG).then(|| Truth {
            file: entry["file"].as_str().unwrap().to_owned(),
            centre_deg: [number("centre_ra_deg"), number("centre_dec_deg")],
            cd: [[cd(0, 0), cd(0, 1)], [cd(1, 0), cd(1, 1)]],
            scale_arcsec,
        })
    };
    list.as_array().unwrap().iter().filter_map(truth).collect()
}

impl Truth {
    /// Direction of the place this many pixels from the centre: the gnomonic projection undone
    /// (Calabretta & Greisen 2002, equations 14, 15 and 54, 55).
    fn at(&self, [dx, dy]: [f64; 2]) -> [f64; 3] {
        let [x, y] = self.cd.map(|row| (row[0] * dx + row[1] * dy).to_radians());
        let [(sa, ca), (sd, cd)] = self.centre_deg.map(|deg| deg.to_radians().sin_cos());
        let [across, along] = [x, cd - y * sd];
        let vector = [
            along * ca - across * sa,
            along * sa + across * ca,
            sd + y * cd,
        ];
        let length = vector.iter().map(|c| c * c).sum::<f64>().sqrt();
        vector.map(|c| c / length)
    }
}

/// How far from the truth a frame is solved with nothing known but its pixels; `None`: not at all.
fn off_px(frame: &Frame, sky: &Sky, centre: [f64; 3], scale_arcsec: f64) -> Option<f64> {
    let solution = solve(frame, sky, &Request::default()).unwrap().solution?;
    let found = sky_to_vector(solution.centre_ra_deg, solution.centre_dec_deg);
    Some(angle_between(centre, found).to_degrees() * 3600.0 / scale_arcsec)
}

/// Narrow frames of the real set, of which the plate of the cluster lies in the regional index and
/// the others do not: it must not stand in their way.
#[test]
fn real_narrow_frames_are_solved_with_a_regional_index() {
    let work = tempfile::tempdir().unwrap();
    let Some((folder, out)) = cluster_index(work.path()) else {
        return;
    };
    let mut sky = Sky::embedded().unwrap();
    sky.add(&out).unwrap();
    let narrow = narrow_frames(&folder);
    assert!(narrow.len() >= 4);
    for truth in &narrow {
        let frame = Frame::open(&folder.join(&truth.file)).unwrap();
        let off = off_px(&frame, &sky, truth.at([0.0; 2]), truth.scale_arcsec);
        assert!(off.is_some_and(|off| off < 2.0), "{}: {off:?}", truth.file);
    }
    eprintln!("\nreal frames: {}", narrow.len());
}

/// Parts of the real plate of the cluster, 0.2 deg wide: too narrow for the star-index inside the
/// program, which leaves them unsolved, and solved with the regional one.
#[test]
fn parts_of_a_real_plate_are_solved_with_a_regional_index_only() {
    let work = tempfile::tempdir().unwrap();
    let Some((folder, out)) = cluster_index(work.path()) else {
        return;
    };
    const SIZE: usize = 420;
    let embedded = Sky::embedded().unwrap();
    let mut sky = Sky::embedded().unwrap();
    sky.add(&out).unwrap();
    let narrow = narrow_frames(&folder);
    let truth = narrow.iter().find(|t| t.file.ends_with("plate-m67.fits"));
    let truth = truth.expect("the plate's truth");
    let path = folder.join(&truth.file);
    let last = [0, 1].map(|axis| {
        let plate = Frame::open(&path).unwrap();
        [plate.width, plate.height][axis] - SIZE
    });
    for [x, y] in [
        [0, 0],
        [last[0], 0],
        [0, last[1]],
        last,
        last.map(|n| n / 2),
    ] {
        let plate = Frame::open(&path).unwrap();
        let values: Vec<f32> = match &plate.pixels {
            Pixels::U8(p) => p.iter().map(|v| f32::from(*v)).collect(),
            Pixels::U16(p) => p.iter().map(|v| f32::from(*v)).collect(),
            Pixels::F32(p) => p.clone(),
        };
        let rows = values.chunks(plate.width).skip(y).take(SIZE);
        let centre = [(x, plate.width), (y, plate.height)]
            .map(|(first, all)| first as f64 + SIZE as f64 / 2.0 - all as f64 / 2.0);
        let part = Frame {
            pixels: Pixels::F32(rows.flat_map(|row| &row[x..x + SIZE]).copied().collect()),
            width: SIZE,
            height: SIZE,
            ..plate
        };
        let centre = truth.at(centre);
        let without = off_px(&part, &embedded, centre, truth.scale_arcsec);
        assert_eq!(without, None, "part at {x}, {y}");
        let off = off_px(&part, &sky, centre, truth.scale_arcsec);
        println!("part at {x}, {y}: {off:?} px");
        assert!(off.is_some_and(|off| off < 2.0), "{x}, {y}: {off:?}");
    }
    eprintln!("\nreal frames: 5");
}
