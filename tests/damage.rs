//! Files of every format, cut short at many places and damaged in every way: whatever comes of it,
//! it comes soon, takes little memory and is no panic.

#[path = "support/cfitsio.rs"]
mod cfitsio;
#[path = "support/mutate.rs"]
mod mutate;
mod support;

use mutate::{Mutator, sign_png};
use nightfix::fit::Wcs;
use nightfix::frame::{Frame, Pixels};
use nightfix::report::header::write_wcs;
use std::alloc::{GlobalAlloc, Layout, System};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};
use support::{HEIGHT, WIDTH, fits, fits_u16, gzip, put};

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

/// Memory may be this many times what the file honestly needs.
const LIMIT_RATIO: usize = 4;

/// Buffers that do not depend on the file: readers', inflaters', one piece of a row per thread.
const FLOOR_BYTES: usize = 2 << 20;

/// What a compressed file may at most expand to before it is known to be damaged: the reach of
/// deflate, or 4 MiB, which nobody minds.
const DENSEST: usize = 1100;
const SMALL_BYTES: usize = 4 << 20;

/// How a good file becomes a damaged one.
#[derive(Clone, Copy, PartialEq)]
enum Way {
    /// Its bytes are damaged.
    Bytes,
    /// The bytes inside are damaged, then packed by gzip.
    InsideGzip,
    /// Its bytes are damaged, then the chunks' checksums made right.
    SignedPng,
}

/// A format to be damaged.
struct Kind {
    name: &'static str,
    good: Vec<u8>,
    way: Way,
    /// Decoded in a child process, which takes milliseconds.
    slow: bool,
}

fn tiles(algorithm: i32, bitpix: i32) -> Vec<u8> {
    let folder = support::folder();
    let path = folder.path().join("tiles.fits");
    let values: Vec<f64> = support::sky()
        .iter()
        .map(|v| f64::from(*v % 1000) / if bitpix < 0 { 2.0 } else { 1.0 })
        .collect();
    let tile = if algorithm == cfitsio::HCOMPRESS_1 {
        [WIDTH as i64, HEIGHT as i64]
    } else {
        [30, 10]
    };
    cfitsio::write(
        &path,
        &cfitsio::Picture {
            bitpix,
            axes: &[WIDTH as i64, HEIGHT as i64],
            tile: &tile,
            algorithm,
            dither: 1,
            values: &values,
        },
    );
    std::fs::read(&path).expect("just written")
}

fn formats() -> Vec<Kind> {
    let clues = [
        "RA      = '05 34 31.9'",
        "DEC     = '+22 00 52'",
        "OBJCTRA = 5.57553",
        "OBJCTDEC= 22.0145",
        "DATE-OBS= '2017-12-19T18:33:43.317-0700'",
        "EXPTIME = 60.0",
        "SITELONG= '-116:51:48.00'",
        "SITELAT = '+33:24:24.00'",
        "LST     = '17:04:23'",
        "CTYPE1  = 'RA---TAN'",
        "CTYPE2  = 'DEC--TAN'",
        "CRVAL1  = 83.6",
        "CRVAL2  = 22.0",
        "CRPIX1  = 20",
        "CRPIX2  = 20",
        "CDELT1  = -0.001",
        "CDELT2  = 0.001",
        "FOCALLEN= 400",
        "XPIXSZ  = 3.8",
        "HIERARCH OBS NAME = 'a long&'",
        "CONTINUE  ' text'",
    ];
    let plane: Vec<u8> = support::sky()
        .iter()
        .flat_map(|v| f32::from(*v).to_be_bytes())
        .collect();
    let cube = fits(-32, &[WIDTH, HEIGHT, 3], &clues[..2], &plane.repeat(3));
    let first = fits(-32, &[3, WIDTH, HEIGHT], &clues[..2], &plane.repeat(3));
    let kind = |name, good, way| Kind {
        name,
        good,
        way,
        slow: false,
    };
    let mut kinds = vec![
        kind("fits", fits_u16(&clues), Way::Bytes),
        kind("fits-cube", cube, Way::Bytes),
        kind("fits-colour-first", first, Way::Bytes),
        kind("gzip", gzip(&fits_u16(&[])), Way::Bytes),
        kind("inside-gzip", fits_u16(&clues), Way::InsideGzip),
        kind("rice", tiles(cfitsio::RICE_1, 16), Way::Bytes),
        kind("rice-float", tiles(cfitsio::RICE_1, -32), Way::Bytes),
        kind(
            "rice-inside-gzip",
            tiles(cfitsio::RICE_1, 16),
            Way::InsideGzip,
        ),
        kind("gzip-1", tiles(cfitsio::GZIP_1, 32), Way::Bytes),
        kind("gzip-2", tiles(cfitsio::GZIP_2, -32), Way::Bytes),
        kind("png", support::png_u16(), Way::Bytes),
        kind("png-signed", support::png_u16(), Way::SignedPng),
        kind("jpeg", support::jpeg(), Way::Bytes),
        kind("tiff", support::tiff_u16(), Way::Bytes),
        kind("tiff-float", support::tiff_f32(), Way::Bytes),
    ];
    for (name, algorithm) in [
        ("plio", cfitsio::PLIO_1),
        ("hcompress", cfitsio::HCOMPRESS_1),
    ] {
        kinds.push(Kind {
            slow: true,
            ..kind(name, tiles(algorithm, 16), Way::Bytes)
        });
    }
    kinds
}

/// Serves PLIO_1 and HCOMPRESS_1, which are decoded in a child process.
fn use_program_as_helper() {
    nightfix::frame::isolated::set_helper_program(env!("CARGO_BIN_EXE_nightfix").into());
}

/// The worst of many inputs.
#[derive(Default)]
struct Worst {
    time: Duration,
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
        }
    }

    /// Opens; checks time, memory, pixels, clues and the message. True where it opened.
    fn survive(&mut self, bytes: &[u8], what: &str) -> bool {
        put(self.folder.path(), "frame", bytes);
        let start = NOW.load(Ordering::Relaxed);
        PEAK.store(start, Ordering::Relaxed);
        let began = Instant::now();
        let result = Frame::open(&self.path);
        let time = began.elapsed();
        let taken = PEAK.load(Ordering::Relaxed).saturating_sub(start);
        let need = bytes.len()
            + match &result {
                Ok(frame) => pixel_bytes(frame),
                Err(_) => (DENSEST * bytes.len())
                    .min(SMALL_BYTES)
                    .max(pixel_need(bytes.len())),
            };
        let ratio = taken.saturating_sub(FLOOR_BYTES) as f64 / need as f64;
        self.worst.inputs += 1;
        self.worst.time = self.worst.time.max(time);
        self.worst.ratio = self.worst.ratio.max(ratio);
        self.worst.bytes = self.worst.bytes.max(taken);
        if time >= LIMIT || taken > LIMIT_RATIO * need + FLOOR_BYTES {
            let kept = std::env::temp_dir().join("damaged-frame");
            std::fs::write(&kept, bytes).expect("room for a small file");
            panic!(
                "{what}: {time:?}, {taken} bytes for a need of {need}: {}",
                kept.display()
            );
        }
        match result {
            Ok(frame) => {
                self.worst.opened += 1;
                check(&frame, what);
                true
            }
            Err(error) => {
                let text = error.to_string();
                assert_eq!(text.lines().count(), 1, "{what}: {text}");
                assert!(text.contains("frame: "), "{what}: {text}");
                false
            }
        }
    }
}

/// What a file that was refused may have claimed: as much as its bytes can expand to.
fn pixel_need(length: usize) -> usize {
    DENSEST * length
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

/// Puts keywords into damaged headers: refused in one line, or readable again with those values.
fn damage_and_write(bench: &mut Bench, rounds: usize) {
    let wcs = Wcs {
        crpix: [27.0, 21.0],
        crval: [83.5, 22.25],
        cd: [[-0.001, 0.0], [0.0, 0.001]],
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
    damage_and_write(&mut bench, 300);
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
    damage_and_write(&mut bench, inputs / 100);
    let worst = &bench.worst;
    eprintln!(
        "{} damaged files in {:.0} s, {} of them opened; worst: {:.3} s, {:.2} MB, memory {:.2} times \
         the need above {} KiB",
        worst.inputs,
        began.elapsed().as_secs_f64(),
        worst.opened,
        worst.time.as_secs_f64(),
        worst.bytes as f64 / 1e6,
        worst.ratio,
        FLOOR_BYTES >> 10,
    );
    assert!(worst.inputs >= inputs);
}

/// One good file of each format into the folder NIGHTFIX_SEEDS: seeds for the fuzzers.
#[test]
#[ignore = "writes files"]
fn write_seeds() {
    let folder = std::env::var_os("NIGHTFIX_SEEDS").expect("NIGHTFIX_SEEDS names a folder");
    for kind in formats() {
        let bytes = match kind.way {
            Way::InsideGzip => gzip(&kind.good),
            _ => kind.good,
        };
        put(Path::new(&folder), kind.name, &bytes);
    }
}
