//! Is the stated chance of a false match true? Searches scrambled detection lists, which show no
//! piece of the sky, and counts how often a pose looks as good as stated.
//!
//! ```text
//! cargo bench --bench calibration -- [near] LISTS [FIRST] [RAW-FILE]
//! ```
//!
//! With `near` each search has a commanded position at a random place and a claimed scale, and
//! ends 15 degrees from there; without, it is blind.
//!
//! List number n is the same in every run, so that a long run can be done in parts: `FIRST` is
//! the number of the first list, and the raw values are appended to `RAW-FILE`, one line a list:
//! number, detections, candidates, the best pose's log10 chance at the end, the lowest that
//! acceptance was decided on. Results are in `CALIBRATION.md`.
//!
//! A chance p is honest where a share p of the lists falls below it.

use nightfix::detect::{Detection, Detections};
use nightfix::search::search;
use nightfix::sky::Sky;
use nightfix::solve::{Commanded, Request};
use std::error::Error;
use std::io::Write;
use std::time::Instant;

/// Lists of a run that names no number: enough to see that the program works.
const FEW: u64 = 20;
/// Common sensor formats, reduced; pixels.
const SIZES: [[usize; 2]; 6] = [
    [1200, 800],
    [1936, 1096],
    [640, 480],
    [1024, 1024],
    [3000, 2000],
    [1280, 960],
];

/// SplitMix64 (Steele, Lea & Flood 2014): any seed is a good seed.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// Detections at uniformly random places, brightest first.
fn scrambled(number: u64) -> Detections {
    let mut random = Random(number.wrapping_mul(0x5851_f42d_4c95_7f2d) ^ 0x6e69_6768);
    let [width, height] = SIZES[(random.next() % SIZES.len() as u64) as usize];
    let count = 15 + (random.next() % 106) as usize;
    let fwhm_px = random.between(1.8, 5.0);
    let stars = (0..count)
        .map(|rank| {
            let snr = 2000.0 * (-5.0 * rank as f64 / count as f64).exp();
            Detection {
                x_px: random.between(-0.5, width as f64 - 0.5),
                y_px: random.between(-0.5, height as f64 - 0.5),
                sigma_px: random.between(0.05, 0.2),
                flux: 100.0 * snr,
                snr,
                fwhm_px,
                elongation: 1.0,
                saturated: false,
            }
        })
        .collect();
    Detections {
        stars,
        width,
        height,
        fwhm_px,
        sky_level: 1000.0,
        sky_noise: 30.0,
        mosaic: false,
        ..Detections::default()
    }
}

/// What a search near a commanded position is asked, for list `number`.
fn near(number: u64) -> Request {
    let mut random = Random(number ^ 0x6e65_6172);
    let ra_deg = random.between(0.0, 360.0);
    let dec_deg = random.between(-1.0, 1.0).asin().to_degrees();
    // Fields of half a degree to some tens of degrees on the sensors above.
    let scale = 10_f64.powf(random.between(0.3, 2.0));
    Request {
        starts: vec![Commanded { ra_deg, dec_deg }],
        within_deg: Some(15.0),
        scales_arcsec_per_px: vec![scale],
        ..Request::default()
    }
}

/// Share of `sorted` below `threshold`, and the count.
fn below(sorted: &[f64], threshold: f64) -> (usize, f64) {
    let count = sorted.partition_point(|&v| v < threshold);
    (count, count as f64 / sorted.len().max(1) as f64)
}

fn report(title: &str, values: &[f64]) {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    println!("\n{title}, {} lists:", sorted.len());
    println!("| log10 stated | lists below | observed | observed / stated |");
    println!("| ---: | ---: | ---: | ---: |");
    for half in (-7..=-1).rev() {
        let stated = 0.5 * f64::from(half);
        row(&sorted, stated);
    }
}

fn row(sorted: &[f64], stated: f64) {
    let (count, share) = below(sorted, stated);
    let ratio = share / 10_f64.powf(stated);
    println!("| {stated:.1} | {count} | {share:.5} | {ratio:.3} |");
}

fn main() -> Result<(), Box<dyn Error>> {
    // Cargo adds --bench.
    let mut words = std::env::args()
        .skip(1)
        .filter(|w| !w.starts_with("--"))
        .peekable();
    let is_near = words.next_if(|word| word == "near").is_some();
    let lists = words.next().map_or(Ok(FEW), |w| w.parse())?;
    let first = words.next().map_or(Ok(0), |w| w.parse::<u64>())?;
    let mut raw = match words.next() {
        Some(path) => Some(
            std::fs::OpenOptions::new()
                .create(true)
                .append(true)
                .open(path)?,
        ),
        None => None,
    };
    let sky = Sky::embedded()?;
    let begin = Instant::now();
    let (mut at_end, mut lowest) = (Vec::new(), Vec::new());
    let mut candidates = 0;
    for number in first..first + lists {
        let detections = scrambled(number);
        let request = if is_near {
            near(number)
        } else {
            Request::default()
        };
        let found =
            search(&detections, &sky, &request, None).map_err(|e| sky.error(e.index, &e.error))?;
        let tried = found.report.candidates;
        let chance = found.log10_chance();
        if found.accepted {
            println!("list {number} was ACCEPTED: log10 chance {chance:.2}");
        }
        if let Some(file) = &mut raw {
            let count = detections.stars.len();
            let low = found.lowest_log10_chance;
            writeln!(file, "{number},{count},{tried},{chance:.4},{low:.4}")?;
        }
        candidates += tried;
        at_end.push(chance);
        lowest.push(found.lowest_log10_chance);
    }
    println!(
        "{lists} lists in {:.0} s, {} candidates a list",
        begin.elapsed().as_secs_f64(),
        candidates / lists.max(1)
    );
    report("chance at the end of the search", &at_end);
    report("lowest chance met, on which acceptance is decided", &lowest);
    Ok(())
}
