//! Is the stated chance of a false match true? Searches scrambled detection lists, which show no
//! piece of the sky, and counts how often a pose looks as good as stated.
//!
//! ```text
//! cargo bench --bench calibration -- LISTS [FIRST] [RAW-FILE]
//! ```
//!
//! List number n is the same in every run, so that a long run can be done in parts: `FIRST` is
//! the number of the first list, and the raw values are appended to `RAW-FILE`, one line a list:
//! number, detections, candidates, the best pose's log10 chance at the end, the lowest that
//! acceptance was decided on. Results are in `CALIBRATION.md`.
//!
//! A chance p is honest where at most a share p of the lists falls below it. All lists together
//! share one constant: chance = constant * trials / likelihood ratio. The one printed brings
//! observed over stated as close to 1 as it can for stated chances of 10^-0.5 to 10^-3.

use nightfix::detect::{Detection, Detections};
use nightfix::search::search;
use nightfix::sky::Sky;
use nightfix::solve::Request;
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
    }
}

/// Share of `sorted` below `threshold`, and the count.
fn below(sorted: &[f64], threshold: f64) -> (usize, f64) {
    let count = sorted.partition_point(|&v| v < threshold);
    (count, count as f64 / sorted.len().max(1) as f64)
}

/// Stated chances at which a constant is judged, log10.
fn judged() -> impl Iterator<Item = f64> {
    (1..=6).map(|half| -0.5 * f64::from(half))
}

/// The constant (log10) whose worst ratio of observed to stated, either way, is the smallest.
/// Thresholds that fewer than ten lists reach are left out of account.
fn best_constant(sorted: &[f64]) -> f64 {
    let worst = |log_constant: f64| {
        judged()
            .filter_map(|stated| {
                let (count, share) = below(sorted, stated - log_constant);
                (count >= 10).then(|| (share.log10() - stated).abs())
            })
            .fold(0.0, f64::max)
    };
    let judgeable = |c: f64| below(sorted, -0.5 - c).0 >= 10;
    (-300..=100)
        .map(|step| f64::from(step) / 100.0)
        .filter(|&c| judgeable(c))
        .min_by(|&a, &b| worst(a).total_cmp(&worst(b)))
        .unwrap_or(0.0)
}

fn report(title: &str, values: &[f64]) {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    println!("\n{title}, {} lists, as it stands:", sorted.len());
    println!("| log10 stated | lists below | observed | observed / stated |");
    println!("| ---: | ---: | ---: | ---: |");
    for half in (-6..=4).rev() {
        let stated = 0.5 * f64::from(half);
        row(&sorted, stated, stated);
    }
    let log_constant = best_constant(&sorted);
    println!(
        "best constant {:.3} (log10 {log_constant:.2}); with it:",
        10_f64.powf(log_constant)
    );
    println!("| log10 stated | lists below | observed | observed / stated |");
    println!("| ---: | ---: | ---: | ---: |");
    for stated in judged() {
        row(&sorted, stated, stated - log_constant);
    }
}

fn row(sorted: &[f64], stated: f64, threshold: f64) {
    let (count, share) = below(sorted, threshold);
    let ratio = share / 10_f64.powf(stated);
    println!("| {stated:.1} | {count} | {share:.5} | {ratio:.3} |");
}

fn main() -> Result<(), Box<dyn Error>> {
    // Cargo adds --bench.
    let mut words = std::env::args().skip(1).filter(|w| !w.starts_with("--"));
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
        let found = search(&detections, &sky, &Request::default(), None)
            .map_err(|e| sky.error(e.index, &e.error))?;
        let tried = found.report.candidates;
        // Without any candidate nothing can be mistaken: never below any threshold.
        let chance = found
            .best
            .map_or(f64::INFINITY, |best| best.log10_chance(tried));
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
