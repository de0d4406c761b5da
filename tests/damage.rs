//! Files of every format, cut short at many places and with bits turned: whatever comes of it, it
//! comes soon, takes little memory and is no panic.

#[path = "support/cfitsio.rs"]
mod cfitsio;
mod support;

use nightfix::frame::Frame;
use std::alloc::{GlobalAlloc, Layout, System};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};
use support::{HEIGHT, WIDTH, fits_u16, folder, gzip, noise, put};

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
const LIMIT: Duration = Duration::from_secs(5);

/// Largest memory that a small damaged file may claim: what an undamaged one of 256 MiB may
/// expand to, and its pixels.
const LIMIT_BYTES: usize = 800 << 20;

fn tiles(algorithm: i32, bitpix: i32) -> Vec<u8> {
    let folder = folder();
    let path = folder.path().join("tiles.fits");
    let values: Vec<f64> = support::sky()
        .iter()
        .map(|v| f64::from(*v % 1000) / 2.0)
        .collect();
    cfitsio::write(
        &path,
        &cfitsio::Picture {
            bitpix,
            axes: &[WIDTH as i64, HEIGHT as i64],
            tile: &[30, 10],
            algorithm,
            dither: 1,
            values: &values,
        },
    );
    std::fs::read(&path).expect("just written")
}

fn formats() -> Vec<(&'static str, Vec<u8>)> {
    let clues = [
        "RA      = '05 34 31.9'",
        "DEC     = '+22 00 52'",
        "DATE-OBS= '2017-12-19T18:33:43.317-0700'",
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
    ];
    vec![
        ("fits", fits_u16(&clues)),
        ("gzip", gzip(&fits_u16(&[]))),
        ("rice", tiles(cfitsio::RICE_1, 16)),
        ("rice-float", tiles(cfitsio::RICE_1, -32)),
        ("gzip-1", tiles(cfitsio::GZIP_1, 32)),
        ("gzip-2", tiles(cfitsio::GZIP_2, -32)),
        ("png", support::png_u16()),
        ("jpeg", support::jpeg()),
        ("tiff", support::tiff_u16()),
        ("tiff-float", support::tiff_f32()),
    ]
}

/// Opens; checks time, memory and the message.
fn survive(folder: &Path, bytes: &[u8], what: &str) -> bool {
    let path = put(folder, "frame", bytes);
    PEAK.store(NOW.load(Ordering::Relaxed), Ordering::Relaxed);
    let start = NOW.load(Ordering::Relaxed);
    let began = Instant::now();
    let result = Frame::open(&path);
    assert!(began.elapsed() < LIMIT, "{what}: {:?}", began.elapsed());
    let taken = PEAK.load(Ordering::Relaxed).saturating_sub(start);
    assert!(taken < LIMIT_BYTES, "{what}: {taken} bytes");
    match result {
        Ok(frame) => {
            assert!(frame.width * frame.height > 0);
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

/// One test, since it counts the memory of the whole process.
#[test]
fn damaged_files_of_every_format() {
    let folder = folder();
    for (format, good) in formats() {
        assert!(survive(folder.path(), &good, format), "{format} undamaged");
        let mut cuts = 0;
        for step in 0..80 {
            let cut = good.len() * step / 80;
            let what = format!("{format} cut at {cut}");
            cuts += usize::from(survive(folder.path(), &good[..cut], &what));
        }
        // Only fill at the end may be missing.
        assert!(cuts <= 40, "{format}: {cuts} of 80 cuts went unnoticed");
        let mut random = noise(99);
        let mut next = || random.next().unwrap_or(0) as usize;
        for round in 0..600 {
            let mut bad = good.clone();
            for _ in 0..1 + round % 4 {
                // Headers first of all: that is where sizes are.
                let span = if round % 2 == 0 {
                    good.len()
                } else {
                    good.len().min(3000)
                };
                let at = next() % span;
                bad[at] ^= 1 << (next() % 8);
            }
            survive(folder.path(), &bad, &format!("{format} round {round}"));
        }
    }
}
