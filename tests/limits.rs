//! The program itself under siege: files of every format damaged in every way, and small files that
//! claim to be large, each read under a limit on memory. Whatever they hold, the program ends with
//! one of its documented statuses, by itself, and soon where it is given a time limit.
//!
//! On Linux only: elsewhere systems do not keep to a limit on address space.
#![cfg(target_os = "linux")]

#[path = "support/bombs.rs"]
mod bombs;
#[path = "support/cfitsio.rs"]
mod cfitsio;
#[path = "support/dng.rs"]
mod dng;
#[path = "support/formats.rs"]
mod formats;
#[path = "support/mutate.rs"]
mod mutate;
mod run;
mod support;

use bombs::bombs;
use formats::{Kind, Way, formats};
use mutate::{Mutator, sign_png};
use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use support::{gzip, put};

/// Address space of the program at rest: itself with the star-index inside, libraries, one stack,
/// and the 64 MB that the heap of the thread which waits for signals reserves and does not use.
const AT_REST: usize = 264 << 20;

/// The same of a night: the heaps of its threads reserve address space of their own.
const NIGHT_AT_REST: usize = AT_REST + (350 << 20);

/// What a file of at most 10 MB may take beyond that and its honest size.
const BEYOND: usize = 400_000_000;

/// Longest time that one file may take, a busy machine included.
const LIMIT: Duration = Duration::from_secs(60);

/// Time limit of a search where damage may have left stars that fit nowhere, seconds.
const SEARCH_S: &str = "4";

/// Files that are given to one process.
const TOGETHER: usize = 10;

/// The statuses that the help lists, but for a fault of the program itself (70), a wrong command
/// line (64) and what has nothing to do with frames (69, 73, 130).
const STATUSES: [i32; 5] = [0, 1, 65, 66, 75];

/// One test at a time: some of them look at the clock.
static ALONE: Mutex<()> = Mutex::new(());

fn alone() -> MutexGuard<'static, ()> {
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// How the program ended.
struct Ended {
    status: Option<i32>,
    time: Duration,
    /// Most memory that it held, as the system counted it until shortly before its end, kB.
    memory_kb: u64,
    /// What it was ended by, and what it said last.
    said: String,
    printed: String,
}

impl Ended {
    /// What is wrong with that for files of this honest size, if anything.
    fn complaint(&self, honest: usize, longest: Duration) -> Option<String> {
        let known = self.status.is_some_and(|s| STATUSES.contains(&s));
        let small = self.memory_kb < ((honest + BEYOND) >> 10) as u64;
        let ended = format!(
            "{} after {:.1?}, {} kB",
            self.said, self.time, self.memory_kb
        );
        (!known || !small || self.time > longest).then_some(ended)
    }
}

/// Runs the program under a limit of `bytes` of address space; `folder` is for what it says.
fn limited<S: AsRef<OsStr>>(
    folder: &Path,
    bytes: usize,
    arguments: impl IntoIterator<Item = S>,
) -> Ended {
    let program = run::nightfix();
    let (out, errors) = (folder.join("out.txt"), folder.join("errors.txt"));
    let mut shell = Command::new("sh");
    shell
        .args(["-c", "ulimit -v \"$0\" && exec \"$@\""])
        .arg((bytes >> 10).to_string())
        .arg(program.get_program())
        .args(arguments)
        .stdout(File::create(&out).expect("room for a file"))
        .stderr(File::create(&errors).expect("room for a file"));
    for (name, value) in program.get_envs() {
        match value {
            Some(value) => shell.env(name, value),
            None => shell.env_remove(name),
        };
    }
    let begin = Instant::now();
    let mut child = shell.spawn().expect("a shell starts");
    let mut memory_kb = 0;
    let status = loop {
        memory_kb = memory_kb.max(peak_kb(child.id()));
        if let Some(status) = child.try_wait().expect("a child of this process") {
            break status;
        }
        std::thread::sleep(Duration::from_millis(2));
    };
    let text =
        |path| String::from_utf8_lossy(&std::fs::read(path).unwrap_or_default()).into_owned();
    let errors = text(errors);
    Ended {
        status: status.code(),
        time: begin.elapsed(),
        memory_kb,
        said: format!("{status}: {}", errors.lines().last().unwrap_or_default()),
        printed: text(out),
    }
}

/// Most memory that a process has held so far; 0 where it is gone.
fn peak_kb(process: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.trim().strip_suffix(" kB")?.parse().ok())
        .unwrap_or(0)
}

/// What came of many files.
#[derive(Default)]
struct Siege {
    files: usize,
    statuses: BTreeMap<i32, usize>,
    slowest: (Duration, String),
    largest: (u64, String),
    wrong: Vec<String>,
}

impl Siege {
    /// Solves the files together; keeps them where something is wrong with how that ended.
    fn lay(&mut self, folder: &Path, paths: &[PathBuf], honest: usize, more: &[&str]) {
        let mut arguments: Vec<&OsStr> = ["solve", "--threads", "1"].map(OsStr::new).to_vec();
        arguments.extend(more.iter().map(OsStr::new));
        arguments.extend(paths.iter().map(|p| p.as_os_str()));
        let ended = limited(folder, AT_REST + BEYOND + honest, arguments);
        let what = paths[0].file_name().unwrap_or_default().to_string_lossy();
        self.note(&ended, &what, paths.len());
        if let Some(wrong) = ended.complaint(honest, LIMIT * paths.len() as u32) {
            let kept = std::env::temp_dir().join(format!("siege-{what}"));
            let _ = std::fs::create_dir(&kept);
            for path in paths {
                let _ = std::fs::copy(path, kept.join(path.file_name().unwrap_or_default()));
            }
            eprintln!("{what}: {wrong}: {}", kept.display());
            self.wrong
                .push(format!("{what}: {wrong}: {}", kept.display()));
        }
    }

    fn note(&mut self, ended: &Ended, what: &str, files: usize) {
        self.files += files;
        *self.statuses.entry(ended.status.unwrap_or(-1)).or_default() += 1;
        self.slowest = std::mem::take(&mut self.slowest).max((ended.time, what.to_owned()));
        self.largest = std::mem::take(&mut self.largest).max((ended.memory_kb, what.to_owned()));
    }

    fn finish(&self) {
        eprintln!(
            "{} files; processes by exit status (-1: a signal): {:?}; slowest {:.2?} ({}); most \
             memory {:.1} MB ({})",
            self.files,
            self.statuses,
            self.slowest.0,
            self.slowest.1,
            self.largest.0 as f64 / 1e3,
            self.largest.1
        );
        assert!(self.wrong.is_empty(), "{:#?}", self.wrong);
    }
}

/// The seeds of the fuzz targets, and a demonstration frame of each format.
fn seeds() -> Vec<Kind> {
    let frames = [
        ("fits-frame", "01-power-cut.fits"),
        ("gzip-frame", "03-guide-camera.fits.gz"),
        ("png-frame", "04-finder.png"),
        ("jpeg-frame", "05-piggyback.jpg"),
        ("tiff-frame", "06-star-diagonal.tif"),
    ];
    let frames = frames.map(|(name, file)| Kind {
        name,
        good: std::fs::read(run::sample(file)).expect("a demonstration frame"),
        way: Way::Bytes,
        slow: true,
    });
    formats().into_iter().chain(frames).collect()
}

/// The name by which `nightfix night` takes a file for a frame.
fn name_of(number: usize, kind: &Kind) -> String {
    let extension = match kind.name {
        name if name.starts_with("png") => "png",
        name if name.starts_with("jpeg") => "jpg",
        name if name.starts_with("webp") => "webp",
        "bzip2" => "fits.bz2",
        name if name.starts_with("tiff") => "tif",
        name if name.starts_with("dng") => "dng",
        name if name.contains("gzip") && !name.contains("gzip-1") && !name.contains("gzip-2") => {
            "fits.gz"
        }
        _ => "fits",
    };
    format!("{number:04}-{}.{extension}", kind.name)
}

/// Files of all formats, each damaged; every tenth is a large one.
fn damaged(count: usize, seed: u64) -> impl Iterator<Item = (String, Vec<u8>)> {
    let kinds = seeds();
    let large: Vec<usize> = (0..kinds.len())
        .filter(|k| kinds[*k].name.ends_with("-frame"))
        .collect();
    let small = kinds.len() - large.len();
    let mut mutator = Mutator::new(seed);
    (0..count).map(move |number| {
        let kind = match number % 10 {
            9 => &kinds[large[number / 10 % large.len()]],
            _ => &kinds[number % small],
        };
        let other = &kinds[mutator.below(small)].good;
        let mut bad = mutator.mutate(&kind.good, other);
        match kind.way {
            Way::Bytes => {}
            Way::InsideGzip => bad = gzip(&bad),
            Way::SignedPng => sign_png(&mut bad),
        }
        (name_of(number, kind), bad)
    })
}

/// Has the program solve `count` damaged files, several at a time.
fn solve_damaged(count: usize, seed: u64) {
    let mut siege = Siege::default();
    let mut files = damaged(count, seed).peekable();
    while files.peek().is_some() {
        let folder = support::folder();
        let paths: Vec<PathBuf> = files
            .by_ref()
            .take(TOGETHER)
            .map(|(name, bytes)| put(folder.path(), &name, &bytes))
            .collect();
        siege.lay(folder.path(), &paths, 0, &["--time-limit", SEARCH_S]);
    }
    siege.finish();
    assert_eq!(siege.files, count);
}

/// Every frame of a night's folder has its line.
fn assert_all_named(folder: &Path, ended: &Ended) {
    for file in std::fs::read_dir(folder).expect("a folder").flatten() {
        let name = file.file_name().to_string_lossy().into_owned();
        let named = name == "nightfix.journal" || ended.printed.contains(&name);
        assert!(named, "{name} is not in {}", ended.printed);
    }
}

/// A night of damaged files: every one is accounted for, and again when the command is repeated.
fn night_of_damaged(count: usize, seed: u64) {
    let (folder, beside) = (support::folder(), support::folder());
    for (name, bytes) in damaged(count, seed) {
        put(folder.path(), &name, &bytes);
    }
    let night = || {
        let words = [
            "night",
            "--lines",
            "--threads",
            "1",
            "--time-limit",
            SEARCH_S,
        ];
        let mut arguments: Vec<&OsStr> = words.iter().map(OsStr::new).collect();
        arguments.push(folder.path().as_os_str());
        limited(beside.path(), NIGHT_AT_REST + BEYOND, arguments)
    };
    let mut siege = Siege::default();
    let (first, second) = (night(), night());
    for ended in [&first, &second] {
        siege.note(ended, "a night", count);
        let wrong = ended.complaint(0, LIMIT * count as u32);
        siege.wrong.extend(wrong);
        assert_all_named(folder.path(), ended);
    }
    siege.finish();
    assert_eq!(first.status, second.status);
}

#[test]
fn no_small_file_takes_more_than_its_share_of_memory() {
    let _alone = alone();
    let folder = support::folder();
    let mut siege = Siege::default();
    for bomb in bombs() {
        assert!(bomb.bytes.len() < 10_000_000, "{}", bomb.name);
        let path = put(folder.path(), bomb.name, &bomb.bytes);
        siege.lay(folder.path(), std::slice::from_ref(&path), bomb.honest, &[]);
        std::fs::remove_file(path).expect("just written");
    }
    siege.finish();
}

/// A night with bombs in its folder ends, and so does the next one.
#[test]
fn a_night_outlives_what_is_in_its_folder() {
    let _alone = alone();
    let (folder, beside) = (support::folder(), support::folder());
    let bombs: Vec<_> = bombs().into_iter().filter(|b| b.honest == 0).collect();
    for bomb in &bombs {
        put(folder.path(), bomb.name, &bomb.bytes);
    }
    let good = run::sample("01-power-cut.fits");
    std::fs::copy(good, folder.path().join("zz.fits")).expect("room for a frame");
    for round in 0..2 {
        let words = ["night", "--lines", "--threads", "1"].map(OsStr::new);
        let arguments = words.into_iter().chain([folder.path().as_os_str()]);
        let ended = limited(beside.path(), NIGHT_AT_REST + BEYOND, arguments);
        assert_eq!(ended.complaint(0, LIMIT), None, "round {round}");
        assert_all_named(folder.path(), &ended);
        let solved = |l: &str| l.starts_with("solved") && l.contains("zz.fits");
        assert!(
            ended.printed.lines().any(solved),
            "round {round}: {}",
            ended.printed
        );
    }
}

#[test]
fn every_seed_of_the_fuzz_targets_is_read_within_the_limit() {
    let _alone = alone();
    let folder = support::folder();
    let mut siege = Siege::default();
    for (number, kind) in seeds().into_iter().enumerate() {
        let bytes = match kind.way {
            Way::InsideGzip => gzip(&kind.good),
            _ => kind.good.clone(),
        };
        let path = put(folder.path(), &name_of(number, &kind), &bytes);
        siege.lay(folder.path(), &[path], 0, &["--time-limit", SEARCH_S]);
    }
    siege.finish();
    // Undamaged, each of them is read.
    assert!(
        siege.statuses.keys().all(|s| [0, 1].contains(s)),
        "{:?}",
        siege.statuses
    );
}

#[test]
fn a_hundred_damaged_files_through_the_program() {
    let _alone = alone();
    solve_damaged(100, 18);
    night_of_damaged(40, 19);
}

/// The long run: NIGHTFIX_SIEGE files (default 3,000), most by `solve`, a tenth as a night.
///
/// `cargo test --release --test limits -- --ignored --nocapture three_thousand`
#[test]
#[ignore = "takes minutes: run it by its name with --ignored"]
fn three_thousand_damaged_files_through_the_program() {
    let _alone = alone();
    let files: usize = std::env::var("NIGHTFIX_SIEGE")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(3000);
    let night = files / 10;
    solve_damaged(files - night, 1);
    night_of_damaged(night, 2);
}

/// True where a limit is overrun by no more than a tenth and one step of work, which is no more
/// than a quarter of the `whole` of such frames.
fn is_kept(limit: Duration, time: Duration, whole: Duration) -> bool {
    time < limit.mul_f64(1.1) + whole / 4 + Duration::from_millis(300)
}

/// The largest pictures that small files can hold, with less time than they take to be read.
#[test]
fn a_time_limit_ends_reading_and_detection() {
    /// Frames that are done sooner tell nothing.
    const LEAST: Duration = Duration::from_millis(600);
    let _alone = alone();
    let folder = support::folder();
    let mut told = 0;
    // A JPEG's picture is decoded in one piece.
    let large = |b: &bombs::Bomb| b.honest > 0 && !b.name.ends_with("jpg");
    for bomb in bombs().into_iter().filter(large) {
        let path = put(folder.path(), bomb.name, &bomb.bytes);
        let memory = AT_REST + BEYOND + bomb.honest;
        let solve = |more: &[&str]| {
            let mut arguments: Vec<&OsStr> = ["solve", "--threads", "1"].map(OsStr::new).to_vec();
            arguments.extend(more.iter().map(OsStr::new));
            arguments.push(path.as_os_str());
            limited(folder.path(), memory, arguments)
        };
        let whole = solve(&[]).time;
        if whole < LEAST {
            continue;
        }
        for share in [0.1, 0.5] {
            let limit = whole.mul_f64(share);
            // Something else may take the processor meanwhile, but not three times in a row.
            let once = |_| solve(&["--time-limit", &limit.as_secs_f64().to_string()]);
            let ended = (0..3).map(once).min_by_key(|ended| ended.time);
            let ended = ended.expect("three runs");
            let what = format!(
                "{} of {whole:?}: {:?} {}",
                bomb.name, ended.time, ended.said
            );
            assert!(is_kept(limit, ended.time, whole), "{limit:?} {what}");
            assert_eq!(ended.status, Some(75), "{limit:?} {what}");
            told += 1;
        }
    }
    assert!(told > 0, "no frame took {LEAST:?}");
}

/// A child that decodes ends when its parent does, whatever it is at, and has a limit of its own.
#[cfg(feature = "camera-raw")]
#[test]
fn a_decoding_child_does_not_outlive_its_parent() {
    const SIDE: usize = 400;
    let _alone = alone();
    let values: Vec<u16> = support::noise(5)
        .take(SIDE * SIDE)
        .map(|n| (n % 1000) as u16)
        .collect();
    let input = dng::Dng::mosaic(SIDE, SIDE, &values).file().0;
    let mut child = run::nightfix()
        .args(["--decode-in-isolation", "500000000", "37"])
        .arg(input.len().to_string())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the command starts");
    let mut stdin = child.stdin.take().expect("a pipe");
    stdin.write_all(&input).expect("the child listens");
    // Nobody reads what it has to say: it waits at its full pipe.
    std::thread::sleep(Duration::from_millis(500));
    assert!(child.try_wait().expect("a child").is_none());
    let limits = std::fs::read_to_string(format!("/proc/{}/limits", child.id()));
    let limits = limits.expect("this system lists them");
    let cpu = limits.lines().find(|l| l.starts_with("Max cpu time"));
    assert!(cpu.is_some_and(|l| l.contains("37")), "{limits}");
    drop(stdin);
    let begin = Instant::now();
    while child.try_wait().expect("a child").is_none() {
        if begin.elapsed() > Duration::from_secs(10) {
            let _ = child.kill();
            panic!("the child outlived its parent");
        }
        std::thread::sleep(Duration::from_millis(5));
    }
}
