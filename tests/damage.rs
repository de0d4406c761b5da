//! Files of every format, cut short at many places and damaged in every way: whatever comes of it,
//! it comes soon, takes little memory and is no panic.

#[path = "support/cfitsio.rs"]
mod cfitsio;
#[path = "support/dng.rs"]
mod dng;
#[path = "support/formats.rs"]
mod formats;
#[path = "support/good_index.rs"]
mod good_index;
#[path = "support/index_file.rs"]
mod index_file;
#[path = "support/mutate.rs"]
mod mutate;
mod support;

use formats::{Way, formats};
use good_index::good_of;
use mutate::{Mutator, sign_png};
use nightfix::frame::{Frame, Pixels};
use nightfix::projection::Projection;
use nightfix::report::header::write_wcs;
use nightfix::wcs::Wcs;
use star_index::StarIndex;
use std::alloc::{GlobalAlloc, Layout, System};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};
use support::{gzip, put};

/// Counts what is allocated.
struct Counting;

static NOW: AtomicUsize = AtomicUsize::new(0);
static PEAK: AtomicUsize = AtomicUsize::new(0);

// SAFETY: everything is passed on to the system's allocator.
#[allow(unsafe_code)]
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count(layout.size());
        unsafe { System.alloc(layout) }
    }
    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        count(layout.size());
        unsafe { System.alloc_zeroed(layout) }
    }
    unsafe fn dealloc(&self, block: *mut u8, layout: Layout) {
        NOW.fetch_sub(layout.size(), Ordering::Relaxed);
        unsafe { System.dealloc(block, layout) }
    }
}

fn count(bytes: usize) {
    let now = NOW.fetch_add(bytes, Ordering::Relaxed) + bytes;
    PEAK.fetch_max(now, Ordering::Relaxed);
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// Longest time that a small damaged file may take; a busy machine included.
const LIMIT: Duration = Duration::from_secs(10);

/// Stars of the star-index that is damaged.
const INDEX_STARS: usize = 4000;
/// Memory may be this many times what the file honestly needs.
const LIMIT_RATIO: usize = 4;

/// Buffers that do not depend on the file: readers', inflaters', one piece of a row per thread, and the
/// block of a file packed by bzip2, four bytes for each of its 900,000.
const FLOOR_BYTES: usize = (2 << 20) + 4 * 900_000;

/// What a byte of a compressed file may at most expand to before it is known to be damaged: the
/// reach of deflate ...
const DENSEST: usize = 1100;
/// ... and of WebP, whose arithmetic coder takes a fraction of a bit for a block of 16 x 16 pixels with
/// nothing in it (RFC 6386, section 9.11).
const DENSEST_WEBP: usize = 20_000;

/// The run ends with this many faults.
const MOST_FAULTS: usize = 20;

/// Serves camera raw files, which are decoded in a child process.
fn use_program_as_helper() {
    #[cfg(feature = "camera-raw")]
    nightfix::itself::set_program(env!("CARGO_BIN_EXE_nightfix").into(), Vec::new());
}

/// The worst of many inputs.
#[derive(Default)]
struct Worst {
    time: Duration,
    /// Which input took that.
    slowest: String,
    /// Memory over need, the floor taken off.
    ratio: f64,
    /// Memory taken by a file that opened or not, bytes.
    bytes: usize,
    opened: usize,
    inputs: usize,
}

/// Where files are damaged: in memory where the system offers that.
struct Bench {
    folder: tempfile::TempDir,
    path: PathBuf,
    worst: Worst,
    /// What went wrong, with the file kept.
    faults: Vec<String>,
}

impl Bench {
    fn new() -> Bench {
        let in_memory = Path::new("/dev/shm");
        let folder = if in_memory.is_dir() {
            tempfile::tempdir_in(in_memory)
        } else {
            tempfile::tempdir()
        };
        let folder = folder.expect("a temporary folder");
        let path = folder.path().join("frame");
        Bench {
            folder,
            path,
            worst: Worst::default(),
            faults: Vec::new(),
        }
    }

    /// Has `job` read a file of these bytes; checks time and memory and that it is no panic. The
    /// job tells how many bytes the file honestly needs, and what it made of it.
    fn watch<T>(
        &mut self,
        bytes: &[u8],
        what: &str,
        job: impl FnOnce(&Path) -> (usize, T),
    ) -> Option<T> {
        put(self.folder.path(), "frame", bytes);
        let start = NOW.load(Ordering::Relaxed);
        PEAK.store(start, Ordering::Relaxed);
        let began = Instant::now();
        let done = catch_unwind(AssertUnwindSafe(|| job(&self.path)));
        let time = began.elapsed();
        let taken = PEAK.load(Ordering::Relaxed).saturating_sub(start);
        let worst = &mut self.worst;
        worst.inputs += 1;
        if time > worst.time {
            (worst.time, worst.slowest) = (time, what.to_owned());
        }
        worst.bytes = worst.bytes.max(taken);
        let Ok((need, made)) = done else {
            self.fault(bytes, what, "panicked");
            return None;
        };
        let ratio = taken.saturating_sub(FLOOR_BYTES) as f64 / need as f64;
        worst.ratio = worst.ratio.max(ratio);
        if time >= LIMIT || taken > LIMIT_RATIO * need + FLOOR_BYTES {
            let said = format!("{time:?}, {taken} bytes for a need of {need}");
            self.fault(bytes, what, &said);
        }
        Some(made)
    }

    fn fault(&mut self, bytes: &[u8], what: &str, said: &str) {
        let kept = std::env::temp_dir().join(format!("damaged-{}", what.replace(' ', "-")));
        std::fs::write(&kept, bytes).expect("room for a small file");
        let fault = format!("{what}: {said}: {}", kept.display());
        eprintln!("{fault}");
        self.faults.push(fault);
        assert!(self.faults.len() < MOST_FAULTS, "{:#?}", self.faults);
    }

    /// Fails where anything went wrong.
    fn finish(&self) {
        assert!(self.faults.is_empty(), "{:#?}", self.faults);
    }

    /// Opens; checks pixels, clues and the message. True where it opened.
    fn survive(&mut self, bytes: &[u8], what: &str) -> bool {
        let opened = self.watch(bytes, what, |path| match Frame::open(path) {
            Ok(frame) => {
                check(&frame, what);
                (bytes.len() + pixel_bytes(&frame), true)
            }
            Err(error) => {
                let text = error.to_string();
                assert_eq!(text.lines().count(), 1, "{what}: {text}");
                assert!(text.contains("frame: "), "{what}: {text}");
                (bytes.len() + most_expanded(bytes), false)
            }
        });
        let opened = opened.unwrap_or(false);
        self.worst.opened += usize::from(opened);
        opened
    }

    /// Opens a star-index and reads all of it; the number of pieces that could be read.
    fn survive_index(&mut self, bytes: &[u8], what: &str) -> usize {
        let read = self.watch(bytes, what, |path| {
            let read = StarIndex::open(path).map_or(0, |index| index_file::read_all(&index));
            (bytes.len(), read)
        });
        read.unwrap_or(0)
    }
}

/// What a file that was refused may have claimed: as much as its bytes can expand to.
fn most_expanded(bytes: &[u8]) -> usize {
    let is_webp = bytes.get(8..12) == Some(b"WEBP");
    bytes.len() * if is_webp { DENSEST_WEBP } else { DENSEST }
}

fn pixel_bytes(frame: &Frame) -> usize {
    match &frame.pixels {
        Pixels::U8(p) => p.len(),
        Pixels::U16(p) => 2 * p.len(),
        Pixels::F32(p) => 4 * p.len(),
    }
}

/// What must hold for every frame that opens.
fn check(frame: &Frame, what: &str) {
    let pixels = match &frame.pixels {
        Pixels::U8(p) => p.len(),
        Pixels::U16(p) => p.len(),
        Pixels::F32(p) => p.len(),
    };
    assert_eq!(pixels, frame.width * frame.height, "{what}");
    assert!(pixels > 0, "{what}");
    for clue in &frame.clues.positions {
        assert!((0.0..360.0).contains(&clue.ra_deg), "{what}: {clue:?}");
        assert!((-90.0..=90.0).contains(&clue.dec_deg), "{what}: {clue:?}");
    }
    for clue in &frame.clues.scales {
        assert!(
            clue.arcsec_per_px > 0.0 && clue.arcsec_per_px.is_finite(),
            "{what}: {clue:?}"
        );
    }
    if let Some(site) = frame.clues.site {
        assert!(
            (-90.0..=90.0).contains(&site.latitude_deg),
            "{what}: {site:?}"
        );
        assert!(
            (-180.0..=180.0).contains(&site.longitude_deg),
            "{what}: {site:?}"
        );
    }
    for remark in &frame.clues.remarks {
        assert_eq!(remark.lines().count(), 1, "{what}: {remark:?}");
    }
}

/// Damages files of all formats `rounds` times each (slow ones a hundredth of that).
fn damage(bench: &mut Bench, rounds: usize, seed: u64) {
    let kinds = formats();
    for (number, kind) in kinds.iter().enumerate() {
        let mut mutator = Mutator::new(seed + number as u64);
        let rounds = if kind.slow { rounds / 100 } else { rounds };
        for round in 0..rounds {
            let other = &kinds[mutator.below(kinds.len())].good;
            let mut bad = mutator.mutate(&kind.good, other);
            match kind.way {
                Way::Bytes => {}
                Way::InsideGzip => bad = gzip(&bad),
                Way::SignedPng => sign_png(&mut bad),
            }
            bench.survive(&bad, &format!("{} round {round}", kind.name));
        }
    }
}

/// Damages a star-index, with its checksums made right again every other time.
fn damage_index(bench: &mut Bench, rounds: usize, seed: u64) {
    let good = good_of(INDEX_STARS);
    let whole = bench.survive_index(&good, "star-index");
    let mut mutator = Mutator::new(seed);
    let (mut noticed, mut read) = (0, 0);
    for round in 0..rounds {
        let mut bad = mutator.mutate(&good, &good);
        let signed = round % 2 == 0;
        if signed {
            index_file::sign(&mut bad, &good);
        }
        let pieces = bench.survive_index(&bad, &format!("star-index round {round}"));
        if !signed && bad != good {
            // The checksums miss nothing: at least one block, with all in it, is left out.
            assert!(pieces < whole, "round {round}: {pieces} of {whole}");
            noticed += 1;
        } else {
            read += usize::from(pieces > 0);
        }
    }
    assert!(
        noticed > rounds / 3 && read > rounds / 5,
        "{noticed} {read} of {rounds}"
    );
}

/// Puts keywords into damaged headers: refused in one line, or readable again with those values.
fn damage_and_write(bench: &mut Bench, rounds: usize) {
    let wcs = Wcs {
        crpix: [27.0, 21.0],
        crval: [83.5, 22.25],
        cd: [[-0.001, 0.0], [0.0, 0.001]],
        projection: Projection::Gnomonic,
        sip: None,
    };
    let kinds = formats();
    let mut mutator = Mutator::new(17);
    let mut written = 0;
    for round in 0..rounds {
        let other = &kinds[mutator.below(kinds.len())].good;
        let bad = mutator.mutate(&kinds[0].good, other);
        put(bench.folder.path(), "frame", &bad);
        match write_wcs(&bench.path, &wcs, &[]) {
            Ok(path) if path == bench.path => {
                written += 1;
                let again = Frame::open(&path);
                // A file cut short may still take keywords.
                if let Ok(frame) = again {
                    assert!(!frame.clues.scales.is_empty(), "round {round}");
                    let scale = frame.clues.scales[0].arcsec_per_px;
                    assert!((scale - 3.6).abs() < 1e-9, "round {round}: {scale}");
                }
            }
            Ok(_) => {}
            Err(error) => assert_eq!(error.to_string().lines().count(), 1, "round {round}"),
        }
    }
    assert!(
        written > rounds / 10,
        "{written} of {rounds} could be written"
    );
}

/// One test, since it counts the memory of the whole process.
#[test]
fn damaged_files_of_every_format() {
    use_program_as_helper();
    let mut bench = Bench::new();
    for kind in formats() {
        let name = kind.name;
        let whole = match kind.way {
            Way::InsideGzip => gzip(&kind.good),
            _ => kind.good,
        };
        assert!(bench.survive(&whole, name), "{name} undamaged");
        let mut cuts = 0;
        for step in 0..80 {
            let cut = whole.len() * step / 80;
            cuts += usize::from(bench.survive(&whole[..cut], &format!("{name} cut at {cut}")));
        }
        // Only fill at the end may be missing.
        assert!(cuts <= 40, "{name}: {cuts} of 80 cuts went unnoticed");
    }
    damage(&mut bench, 400, 99);
    damage_index(&mut bench, 400, 7);
    damage_and_write(&mut bench, 300);
    bench.finish();
}

/// The long run: NIGHTFIX_MUTATIONS inputs (default a million) over all formats.
///
/// `cargo test --release --test damage -- --ignored --nocapture a_million`
#[test]
#[ignore = "takes a quarter of an hour"]
fn a_million_damaged_files() {
    use_program_as_helper();
    let inputs: usize = std::env::var("NIGHTFIX_MUTATIONS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(1_000_000);
    let kinds = formats();
    let fast = kinds.iter().filter(|k| !k.slow).count();
    let slow = kinds.len() - fast;
    // Rounds so that fast and slow kinds together make the number.
    let rounds = (inputs * 100).div_ceil(fast * 100 + slow);
    let mut bench = Bench::new();
    let began = Instant::now();
    damage(&mut bench, rounds.next_multiple_of(100), 1);
    damage_index(&mut bench, inputs / 100, 2);
    damage_and_write(&mut bench, inputs / 100);
    let worst = &bench.worst;
    eprintln!(
        "{} damaged files in {:.0} s, {} of them opened; worst: {:.3} s ({}), {:.2} MB, memory {:.2} \
         times the need above {} KiB",
        worst.inputs,
        began.elapsed().as_secs_f64(),
        worst.opened,
        worst.time.as_secs_f64(),
        worst.slowest,
        worst.bytes as f64 / 1e6,
        worst.ratio,
        FLOOR_BYTES >> 10,
    );
    bench.finish();
    assert!(worst.inputs >= inputs);
}

/// One good file of each format into the folder NIGHTFIX_SEEDS, below the name of the fuzz target
/// that it is a seed for.
///
/// `NIGHTFIX_SEEDS=fuzz/seeds cargo test --release --test damage -- --ignored write_seeds`
#[test]
#[ignore = "writes files"]
fn write_seeds() {
    let folder = std::env::var_os("NIGHTFIX_SEEDS").expect("NIGHTFIX_SEEDS names a folder");
    let write = |target: &str, name: &str, bytes: &[u8]| {
        let folder = Path::new(&folder).join(target);
        std::fs::create_dir_all(&folder).expect("a folder for seeds");
        put(&folder, name, bytes);
    };
    for kind in formats() {
        let target = match kind.name {
            name if name.starts_with("png") => "png",
            name if name.starts_with("jpeg") => "jpeg",
            name if name.starts_with("webp") => "webp",
            name if name.starts_with("tiff") => "tiff",
            name if name.starts_with("dng") => "raw",
            "fits" | "fits-cube" | "fits-colour-first" | "gzip" | "bzip2" | "inside-gzip" => "fits",
            _ => "tiles",
        };
        if kind.name == "fits" {
            write("clues", "header", &kind.good[..kind.good.len().min(5760)]);
        }
        let bytes = match kind.way {
            Way::InsideGzip => gzip(&kind.good),
            _ => kind.good,
        };
        write(target, kind.name, &bytes);
    }
    write("star_index", "small", &good_of(INDEX_STARS));
    // The first byte chooses the container: 7 is a tree by itself.
    write("exif", "tree", &[&[7], &dng::EXIF.tree()[..]].concat());
    for (number, text) in [
        "05h34m31.9s +22d00m52s",
        "83,633 -22,0145",
        "5:34:31.9, -0:0:52",
    ]
    .into_iter()
    .enumerate()
    {
        write("angle", &number.to_string(), text.as_bytes());
    }
    for (number, text) in [
        "2017-12-19T18:33:43.5-07:00",
        "29/11/51",
        "20 Dec 2017 1:02 PM",
        "58107.065",
    ]
    .into_iter()
    .enumerate()
    {
        write("date", &number.to_string(), text.as_bytes());
    }
}
