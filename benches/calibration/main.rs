//! Is the stated chance of a false match true? Searches detection lists that show no piece of the
//! sky, and counts how often a pose looks as good as stated. And is what shows the sky found?
//!
//! ```text
//! cargo bench --bench calibration -- [near|guess|widest] UP-TO RAW-FILE [INDEX...]
//! cargo bench --bench calibration -- fields KIND UP-TO [FIRST]
//! ```
//!
//! The first form searches the lists below the number `UP-TO` that are not yet in `RAW-FILE`, and
//! counts all that are: interrupted, it goes on when it is run again. With `near` each search has a
//! commanded position at a random place and a claimed scale, and ends 15 degrees from there; with
//! `guess` it is the quick look that a night takes around the frame before, at a random place and
//! scale; with `widest` it is blind and asks the lenses wider than 68 degrees and fisheyes; without
//! any it is blind with the usual lenses. Star-indexes named are searched beside the one in the program.
//! NIGHTFIX_REAL_FRAMES names a folder of real frames, whose detections are shuffled for a part of
//! the lists.
//!
//! A line of `RAW-FILE`: number, shape, detections, candidates, log10 of the lowest chance that
//! acceptance was decided on. A chance p is honest where at most a share p of the lists falls below
//! it.
//!
//! The second form draws fields of the real sky (kinds: open, sparse, near, wide, covered) and says
//! how many are found, and how many wrongly. Results are in `CALIBRATION.md`.

mod fields;
mod lists;
mod random;

use lists::{SHAPES, Shape};
use nightfix::Deadline;
use nightfix::detect::{Detections, detect};
use nightfix::frame::Frame;
use nightfix::search::{Commanded, Found, Lenses, Request, SearchError, SearchReport, search};
use nightfix::sky::Sky;
use nightfix::solve::Guess;
use random::Random;
use rayon::prelude::*;
use std::error::Error;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// Lists of a run that names no number: enough to see that the program works.
const FEW: u64 = 24;
/// Lists between two lines of progress, searched on all cores.
const PIECE: u64 = 200;

/// Which of the program's searches is calibrated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mode {
    Blind,
    Near,
    Guess,
    Widest,
}

impl Mode {
    /// The lowest chance met for list `number`, by this search.
    fn search(self, number: u64, list: &Detections, sky: &Sky) -> Result<Found, SearchError> {
        let mut random = Random::new(number ^ 0x6e65_6172);
        let [ra_deg, dec_deg] = random.on_sky();
        // Fields of half a degree to some tens of degrees on the sensors used here.
        let scale_arcsec_per_px = random.log_between(2.0, 100.0);
        let mut request = Request::default();
        match self {
            Mode::Blind => {}
            Mode::Widest => request.lenses = Lenses::Widest,
            Mode::Near => {
                request.starts = vec![Commanded { ra_deg, dec_deg }];
                request.within_deg = Some(15.0);
                request.scales_arcsec_per_px = vec![scale_arcsec_per_px];
            }
            Mode::Guess => {
                let guess = Guess {
                    ra_deg,
                    dec_deg,
                    scale_arcsec_per_px,
                };
                let mut found = Found::after(SearchReport::default());
                guess.look(&mut found, list, sky, &request, &mut |_, _| true)?;
                return Ok(found);
            }
        }
        search(list, sky, &request, Deadline::NONE)
    }
}

/// One list searched.
#[derive(Debug, Clone)]
struct Row {
    number: u64,
    shape: Shape,
    detections: usize,
    candidates: u64,
    lowest: f64,
}

impl Row {
    fn line(&self) -> String {
        let Row {
            number,
            shape,
            detections,
            candidates,
            lowest,
        } = self;
        format!("{number},{shape:?},{detections},{candidates},{lowest:.4}")
    }

    fn of_line(line: &str) -> Option<Row> {
        let mut words = line.split(',');
        let mut next = || words.next();
        Some(Row {
            number: next()?.parse().ok()?,
            shape: {
                let name = next()?;
                *SHAPES.iter().find(|s| format!("{s:?}") == name)?
            },
            detections: next()?.parse().ok()?,
            candidates: next()?.parse().ok()?,
            lowest: next()?.parse().ok()?,
        })
    }
}

/// A line for the rows that `holds` picks, if it picks any.
fn report(title: &str, rows: &[Row], holds: impl Fn(&Row) -> bool) {
    let mut values: Vec<f64> = rows.iter().filter(|r| holds(r)).map(|r| r.lowest).collect();
    if values.is_empty() {
        return;
    }
    values.sort_by(f64::total_cmp);
    let lists = values.len() as f64;
    let cells: Vec<String> = (1..=7)
        .map(|decade| {
            let stated = -f64::from(decade);
            let count = values.partition_point(|&v| v < stated);
            match count {
                0 => "0".to_owned(),
                _ => format!(
                    "{count} ({:.2})",
                    count as f64 / lists / 10_f64.powf(stated)
                ),
            }
        })
        .collect();
    println!(
        "| {title} | {lists} | {:.2} | {} |",
        values[0],
        cells.join(" | ")
    );
}

fn tables(rows: &[Row]) {
    println!("| lists | number | lowest | -1 | -2 | -3 | -4 | -5 | -6 | -7 |");
    println!("| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |");
    report("all", rows, |_| true);
    for shape in SHAPES {
        report(&format!("{shape:?}"), rows, |r| r.shape == shape);
    }
    for (low, high) in [(4, 8), (9, 14), (15, 29), (30, 59), (60, 150)] {
        report(&format!("{low} to {high} detections"), rows, |r| {
            (low..=high).contains(&r.detections)
        });
    }
}

/// Detections of the frames under a folder that can be read.
fn real_frames(folder: &Path) -> Vec<Detections> {
    let mut paths: Vec<PathBuf> = walkdir::WalkDir::new(folder)
        .into_iter()
        .filter_map(|entry| Some(entry.ok()?.into_path()))
        .collect();
    paths.sort();
    let frames = paths.iter().filter_map(|path| Frame::open(path).ok());
    frames
        .map(|frame| detect(&frame))
        .filter(|found| found.stars.len() >= 8)
        .collect()
}

fn one_list(
    number: u64,
    mode: Mode,
    real: &[Detections],
    sky: &Sky,
) -> Result<Row, Box<dyn Error + Send + Sync>> {
    let (shape, list) = lists::list(number, real);
    let found = mode
        .search(number, &list, sky)
        .map_err(|e| sky.error(e.index, &e.error))?;
    if found.accepted {
        println!("list {number} was ACCEPTED: {:.2}", found.log10_chance);
    }
    Ok(Row {
        number,
        shape,
        detections: list.stars.len(),
        candidates: found.report.candidates,
        lowest: found.log10_chance.min(99.0),
    })
}

fn no_sky(mut words: Vec<String>) -> Result<(), Box<dyn Error + Send + Sync>> {
    let mode = match words.first().map(String::as_str) {
        Some("near") => Mode::Near,
        Some("guess") => Mode::Guess,
        Some("widest") => Mode::Widest,
        _ => Mode::Blind,
    };
    if mode != Mode::Blind {
        words.remove(0);
    }
    let mut words = words.into_iter();
    let up_to = words.next().map_or(Ok(FEW), |w| w.parse())?;
    let raw_path = words.next();
    let mut sky = Sky::embedded()?;
    for index in words {
        sky.add(Path::new(&index))?;
    }
    let real = match std::env::var_os("NIGHTFIX_REAL_FRAMES") {
        Some(folder) => real_frames(Path::new(&folder)),
        None => Vec::new(),
    };
    println!("{} real frames to shuffle", real.len());
    let text = raw_path
        .as_ref()
        .and_then(|path| std::fs::read_to_string(path).ok());
    let mut rows: Vec<Row> = text
        .iter()
        .flat_map(|t| t.lines())
        .filter_map(Row::of_line)
        .collect();
    let known: std::collections::HashSet<u64> = rows.iter().map(|row| row.number).collect();
    let left: Vec<u64> = (0..up_to).filter(|n| !known.contains(n)).collect();
    let begin = Instant::now();
    for piece in left.chunks(PIECE as usize) {
        let new: Vec<_> = piece
            .par_iter()
            .map(|&number| one_list(number, mode, &real, &sky))
            .collect::<Result<_, _>>()?;
        if let Some(path) = &raw_path {
            let mut file = std::fs::OpenOptions::new()
                .create(true)
                .append(true)
                .open(path)?;
            let lines: Vec<String> = new.iter().map(Row::line).collect();
            writeln!(file, "{}", lines.join("\n"))?;
        }
        rows.extend(new);
        eprintln!(
            "{} lists, {:.0} s",
            rows.len(),
            begin.elapsed().as_secs_f64()
        );
    }
    tables(&rows);
    Ok(())
}

/// What became of a field.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Fate {
    TooFew,
    Unsolved,
    Right,
    Wrong,
}

fn with_sky(words: &[String]) -> Result<(), Box<dyn Error + Send + Sync>> {
    let [kind, up_to, rest @ ..] = words else {
        return Err("fields KIND UP-TO [FIRST]".into());
    };
    let kind = fields::Kind::named(kind).ok_or("no such kind of fields")?;
    let first = rest.first().map_or(Ok(0), |w| w.parse::<u64>())?;
    let sky = Sky::embedded()?;
    let begin = Instant::now();
    let results: Vec<(u64, Fate)> = (first..up_to.parse::<u64>()?)
        .into_par_iter()
        .map(|number| {
            let Some(field) = fields::field(number, kind, &sky).ok().flatten() else {
                return (number, Fate::TooFew);
            };
            let Ok(found) = search(&field.list, &sky, &field.request, Deadline::NONE) else {
                return (number, Fate::Unsolved);
            };
            let result = match found.best.filter(|_| found.accepted) {
                None => Fate::Unsolved,
                Some(best) if fields::is_right(&field, best.evidence.camera.axes[2]) => Fate::Right,
                Some(_) => Fate::Wrong,
            };
            (number, result)
        })
        .collect();
    let count = |result: Fate| results.iter().filter(|r| r.1 == result).count();
    let shown = results.len() - count(Fate::TooFew);
    println!(
        "{kind:?}: {} of {shown} found, {} wrong, {:.0} s",
        count(Fate::Right),
        count(Fate::Wrong),
        begin.elapsed().as_secs_f64()
    );
    let unsolved = results
        .iter()
        .filter(|r| matches!(r.1, Fate::Unsolved | Fate::Wrong));
    let numbers: Vec<String> = unsolved.map(|r| r.0.to_string()).collect();
    println!("not found: {}", numbers.join(" "));
    Ok(())
}

fn main() -> Result<(), Box<dyn Error + Send + Sync>> {
    // Cargo adds --bench.
    let words: Vec<String> = std::env::args()
        .skip(1)
        .filter(|w| !w.starts_with("--"))
        .collect();
    match words.first().map(String::as_str) {
        Some("fields") => with_sky(&words[1..]),
        _ => no_sky(words),
    }
}
