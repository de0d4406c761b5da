//! Lenses of more than 62 degrees and fisheyes, painted by the laws of their distances as the FITS paper
//! gives them (Calabretta & Greisen 2002, A&A 395, 1077, section 5.1), without the projections of the
//! solver: solved blind, with the WCS in the law of the lens and stars at the edge where it puts them.
//! Frames that show no sky stay unsolved. `benches/wide_lenses.py` has astropy paint many more.

use nightfix::frame::{Clues, Frame, Pixels};
use nightfix::search::Request;
use nightfix::sky::{Sky, SkyRegion};
use nightfix::solve::{Outcome, solve};

const WIDTH: usize = 1200;
const HEIGHT: usize = 800;
const AT_DEG: [f64; 2] = [318.0, 21.0];
const TURN_DEG: f64 = 37.0;

/// Angle from the axis to distance from it, in focal lengths.
type Law = fn(f64) -> f64;

/// SplitMix64 (Steele, Lea & Flood 2014).
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// Unit vectors east, north and towards a position.
fn axes([ra_deg, dec_deg]: [f64; 2]) -> [[f64; 3]; 3] {
    let (sa, ca) = ra_deg.to_radians().sin_cos();
    let (sd, cd) = dec_deg.to_radians().sin_cos();
    [
        [-sa, ca, 0.0],
        [-sd * ca, -sd * sa, cd],
        [cd * ca, cd * sa, sd],
    ]
}

/// Where a lens shows a direction, 0-based pixels.
fn place(vector: [f64; 3], law: Law, focal_px: f64) -> [f64; 2] {
    let [east, north, ahead] =
        axes(AT_DEG).map(|axis| (0..3).map(|i| axis[i] * vector[i]).sum::<f64>());
    let radius_px = focal_px * law(ahead.acos());
    // Position angle, north through east; on the picture east is to the left.
    let turn = east.atan2(north) + TURN_DEG.to_radians();
    [
        (WIDTH as f64 - 1.0) / 2.0 - radius_px * turn.sin(),
        (HEIGHT as f64 - 1.0) / 2.0 - radius_px * turn.cos(),
    ]
}

/// A picture with stars at these places, the first ones brighter.
fn picture(places: &[[f64; 2]], seed: u64) -> Frame {
    let mut random = Random(seed);
    let noise = |random: &mut Random| (0..4).map(|_| random.uniform()).sum::<f64>() - 2.0;
    let mut light: Vec<f64> = (0..WIDTH * HEIGHT)
        .map(|_| 30.0 + 5.0 * noise(&mut random))
        .collect();
    for (rank, [x, y]) in places.iter().enumerate() {
        let peak = 200.0 / (1.0 + 0.1 * rank as f64).sqrt();
        for dy in -6..=6_i32 {
            for dx in -6..=6_i32 {
                let (i, j) = (x.round() as i32 + dx, y.round() as i32 + dy);
                if (0..WIDTH as i32).contains(&i) && (0..HEIGHT as i32).contains(&j) {
                    let r2 = (f64::from(i) - x).powi(2) + (f64::from(j) - y).powi(2);
                    light[j as usize * WIDTH + i as usize] += peak * (-r2 / 3.4).exp();
                }
            }
        }
    }
    Frame {
        path: "painted".into(),
        width: WIDTH,
        height: HEIGHT,
        pixels: Pixels::U8(
            light
                .iter()
                .map(|v| v.round().clamp(0.0, 255.0) as u8)
                .collect(),
        ),
        mosaic_stated: None,
        first_row_on_top: true,
        orientation: 1,
        nonlinear: true,
        clues: Clues::default(),
    }
}

/// The brightest stars within 89 degrees of the axis, brightest first, and where they are shown.
fn shown(sky: &Sky, law: Law, focal_px: f64, count: usize) -> Vec<([f64; 3], [f64; 2])> {
    let mut region = SkyRegion::default();
    let [.., ahead] = axes(AT_DEG);
    let stars = region
        .cone(sky, 0, ahead, 89_f64.to_radians(), 3000, 0.0)
        .unwrap();
    let inside = |[x, y]: [f64; 2]| {
        (4.0..WIDTH as f64 - 5.0).contains(&x) && (4.0..HEIGHT as f64 - 5.0).contains(&y)
    };
    stars
        .iter()
        .map(|star| (star.vector, place(star.vector, law, focal_px)))
        .filter(|(_, at)| inside(*at))
        .take(count)
        .collect()
}

fn solved(sky: &Sky, frame: &Frame) -> Outcome {
    solve(frame, sky, &Request::default()).unwrap()
}

/// Paints, solves, and compares with the stars that were painted.
fn check(name: &str, law: Law, longer_deg: f64, count: usize) {
    let sky = Sky::embedded().unwrap();
    let focal_px = WIDTH as f64 / 2.0 / law((longer_deg / 2.0).to_radians());
    let stars = shown(&sky, law, focal_px, count);
    let places: Vec<[f64; 2]> = stars.iter().map(|(_, at)| *at).collect();
    let outcome = solved(&sky, &picture(&places, 5));
    let title = format!("{name}, {longer_deg} deg, {} stars", stars.len());
    let solution = outcome
        .solution
        .unwrap_or_else(|| panic!("{title}: not solved"));
    let mut off: Vec<f64> = stars
        .iter()
        .filter_map(|(vector, at)| {
            let [x, y] = solution.wcs.vector_to_pixel(*vector)?;
            Some((x - 1.0 - at[0]).hypot(y - 1.0 - at[1]))
        })
        .collect();
    off.sort_by(f64::total_cmp);
    assert_eq!(off.len(), stars.len(), "{title}");
    let most = off[off.len() * 9 / 10];
    assert!(most < 1.0, "{title}: nine of ten stars within {most} px");
    let matched = solution.matched.len();
    assert!(10 * matched > 7 * stars.len(), "{title}: {matched} matched");
    let field = solution.field_deg[0] / longer_deg;
    assert!(
        (field - 1.0).abs() < 0.02,
        "{title}: {:?}",
        solution.field_deg
    );
}

#[test]
fn straight_lines_to_a_hundred_degrees() {
    check("gnomonic", f64::tan, 75.0, 120);
    check("gnomonic", f64::tan, 100.0, 60);
}

#[test]
fn fisheyes() {
    check("equidistant", |angle| angle, 100.0, 60);
    check("equidistant", |angle| angle, 178.0, 150);
    check(
        "stereographic",
        |angle| 2.0 * (angle / 2.0).tan(),
        140.0,
        60,
    );
    check("equisolid", |angle| 2.0 * (angle / 2.0).sin(), 150.0, 40);
}

#[test]
fn what_shows_no_sky_is_no_fisheye() {
    let sky = Sky::embedded().unwrap();
    for seed in 0..4 {
        let mut random = Random(100 + seed);
        let count = [30, 60, 120, 300][seed as usize];
        let places: Vec<[f64; 2]> = (0..count)
            .map(|_| {
                [
                    random.uniform() * WIDTH as f64,
                    random.uniform() * HEIGHT as f64,
                ]
            })
            .collect();
        assert!(solved(&sky, &picture(&places, seed)).solution.is_none());
    }
}
