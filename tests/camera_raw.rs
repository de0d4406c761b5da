//! Camera raw files: DNG written here with rendered skies in it, damaged ones, and real files
//! where the environment variable NIGHTFIX_RAW_SAMPLES names their folder.
#![cfg(feature = "camera-raw")]

#[path = "support/dng.rs"]
mod dng;
mod run;
#[path = "support/sky_check.rs"]
mod sky_check;
mod support;

use dng::{Dng, EXIF, Exif, SIX};
use nightfix::frame::{Frame, FrameError, Pixels};
use nightfix::search::Request;
use nightfix::sky::Sky;
use nightfix::solve::solve;
use sample_fields::{Channels, Field, FieldSpec, render};
use sky_check::off_px;
use std::path::Path;
use std::time::{Duration, Instant};
use support::{folder, noise, put};

fn use_program_as_helper() {
    nightfix::itself::set_program(env!("CARGO_BIN_EXE_nightfix").into(), Vec::new());
}

fn field(channels: Channels, seed: u64) -> Field {
    render(&FieldSpec {
        channels,
        seed,
        top_down: true,
        rotation_deg: 50.0,
        width_px: 600,
        height_px: 400,
        epoch_year: 2025.98,
        sky_adu: 500.0,
        ..FieldSpec::new(83.6, 22.0, 6.0)
    })
    .unwrap()
}

fn open(bytes: &[u8]) -> Result<Frame, FrameError> {
    use_program_as_helper();
    let folder = folder();
    // The name says nothing of the format.
    Frame::open(&put(folder.path(), "frame.jpg", bytes))
}

/// Solves with nothing known, checks the position.
fn assert_solved(frame: &Frame, field: &Field, what: &str) {
    let sky = Sky::embedded().unwrap();
    let outcome = solve(frame, &sky, &Request::default()).unwrap();
    let solution = outcome
        .solution
        .unwrap_or_else(|| panic!("{what}: unsolved, best {}", outcome.best_log10_chance));
    let off = off_px(&solution, &field.truth);
    assert!(off < 2.0, "{what}: {off} px off");
    let turn = solution.rotation_deg - field.truth.rotation_deg;
    assert!(turn.abs() < 0.1, "{what}: turned by {turn}");
}

#[test]
fn a_mosaic_is_taken_from_the_active_area_above_black() {
    let field = field(Channels::Mosaic, 1);
    let dng = Dng::mosaic(600, 400, &field.pixels);
    let frame = open(&dng.file().0).unwrap();
    assert_eq!((frame.width, frame.height), (600, 400));
    assert_eq!(frame.mosaic_stated, Some(true));
    assert!(frame.first_row_on_top && !frame.nonlinear);
    // The mean of the four black levels of `Dng::mosaic`.
    let expected: Vec<u16> = field.pixels.iter().map(|v| v.saturating_add(518)).collect();
    match &frame.pixels {
        Pixels::U16(found) => {
            let wrong = found
                .iter()
                .zip(&expected)
                .filter(|(f, e)| f != e && **e < 65000);
            assert_eq!(wrong.count(), 0);
        }
        other => panic!("{other:?}"),
    }
    assert_solved(&frame, &field, "mosaic");
}

#[test]
fn a_mosaic_of_six_and_all_colours_per_pixel() {
    let field = field(Channels::Rgb, 2);
    let linear = Dng {
        planes: 3,
        mosaic: &[],
        black: &[200, 300, 400],
        ..Dng::mosaic(600, 400, &field.pixels)
    };
    let frame = open(&linear.file().0).unwrap();
    assert_eq!(frame.mosaic_stated, Some(false));
    assert_solved(&frame, &field, "linear");

    // An active area that begins within the pattern, and one that begins with it.
    for border in [[6, 6, 2, 8], [5, 15, 2, 8]] {
        let light: Vec<u16> = (0..600 * 400)
            .map(|i| field.pixels[3 * i + usize::from(SIX[i / 600 % 6 * 6 + i % 600 % 6])])
            .collect();
        let six = Dng {
            mosaic: &SIX,
            black: &[512; 4],
            border,
            ..Dng::mosaic(600, 400, &light)
        };
        let frame = open(&six.file().0).unwrap();
        assert_eq!(frame.mosaic_stated, Some(true));
        assert_eq!(levels_of_places(&frame), [true; 36], "{border:?}");
        assert_solved(&frame, &field, "six");
    }
}

/// Which places of a 6 x 6 pattern see the same sky as the whole frame, within a tenth of its
/// noise (23 counts here).
fn levels_of_places(frame: &Frame) -> [bool; 36] {
    let Pixels::U16(pixels) = &frame.pixels else {
        panic!("{:?}", frame.pixels);
    };
    let median = |mut values: Vec<u16>| {
        values.sort_unstable();
        f64::from(values[values.len() / 2])
    };
    let whole = median(pixels.clone());
    std::array::from_fn(|place| {
        let here = |i: &usize| i / frame.width % 6 * 6 + i % frame.width % 6 == place;
        let values = (0..pixels.len()).filter(here).map(|i| pixels[i]).collect();
        (median(values) - whole).abs() <= 2.3
    })
}

#[test]
fn camera_data_become_clues() {
    let light = vec![300; 600 * 400];
    let dng = Dng {
        orientation: 6,
        exif: Exif {
            pixel_um_100: 376,
            film_focal_mm: 400,
            ..EXIF
        },
        ..Dng::mosaic(600, 400, &light)
    };
    let frame = open(&dng.file().0).unwrap();
    assert_eq!(frame.orientation, 6);
    let clues = &frame.clues;
    assert_eq!(clues.exposure_s, Some(60.0));
    assert_eq!(clues.focal_length_mm, Some(135.0));
    assert!((clues.pixel_size_um.unwrap() - 3.76).abs() < 1e-9);
    // 18:10:30 UTC on 2025 December 24; Julian date 2461034.257292 (from memory: JD 2461034.0 is
    // noon of that day, 51544.5 + 2400000.5 being that of 2000 January 1).
    assert!((clues.mid_jd_utc.unwrap() - 2_461_034.257_291_67).abs() < 1e-6);
    let site = clues.site.unwrap();
    assert!((site.latitude_deg - 47.5).abs() < 1e-9);
    assert!((site.longitude_deg - 8.25).abs() < 1e-9);
    // 206.265 arcsec per micrometre and millimetre: 3.76 / 135. Film: 43.27 mm over 721 px
    // diagonal is 60 um a pixel.
    let scales: Vec<f64> = clues.scales.iter().map(|s| s.arcsec_per_px).collect();
    assert!((scales[0] - 5.745).abs() < 0.001, "{scales:?}");
    assert!((scales[1] - 30.94).abs() < 0.01, "{scales:?}");
}

/// Whoever took it: a picture in a TIFF is no camera raw file.
#[test]
fn a_picture_with_a_maker_stays_a_picture() {
    let mut file = std::io::Cursor::new(Vec::new());
    let mut encoder = tiff::encoder::TiffEncoder::new(&mut file).unwrap();
    let mut image = encoder
        .new_image::<tiff::encoder::colortype::RGB16>(20, 10)
        .unwrap();
    let directory = image.encoder();
    directory
        .write_tag(tiff::tags::Tag::Make, "Own Maker")
        .unwrap();
    image.write_data(&[700; 600]).unwrap();
    let frame = open(&file.into_inner()).unwrap();
    assert_eq!((frame.width, frame.height), (20, 10));
    assert_eq!(frame.mosaic_stated, Some(false));
}

/// The command says one line and status 65 of files cut short, at any length.
#[test]
fn cut_short() {
    let field = field(Channels::Mosaic, 3);
    let (good, _) = Dng::mosaic(600, 400, &field.pixels).file();
    let folder = folder();
    for step in 1..=20 {
        let cut = good.len() * step / 21;
        let path = put(folder.path(), "cut.dng", &good[..cut]);
        let output = run::solve([&path]);
        let message = run::stderr(&output);
        assert_eq!(output.status.code(), Some(65), "{cut}: {message}");
        assert_eq!(message.lines().count(), 1, "{cut}: {message}");
        assert!(!message.contains("panic"), "{cut}: {message}");
        assert!(message.contains("cut.dng"), "{cut}: {message}");
    }
}

/// The same for files whose directories are in front, as cameras write them: there the pixels
/// are what is missing.
#[test]
fn cut_short_within_the_pixels() {
    let light = vec![300; 600 * 400];
    let dng = Dng::mosaic(600, 400, &light);
    let (good, pixels) = dng.file();
    let front = pixels_last(&good, pixels);
    assert!(open(&front).is_ok());
    for step in 1..20 {
        let cut = front.len() * step / 20;
        match open(&front[..cut]) {
            Err(FrameError::Damaged { .. }) => {}
            other => panic!("{cut} of {}: {other:?}", front.len()),
        }
    }
}

/// Moves the pixels behind everything else.
fn pixels_last(file: &[u8], pixels: std::ops::Range<usize>) -> Vec<u8> {
    let length = file.len();
    let mut moved = file.to_vec();
    // Other places stay as they are: a hole is left where the pixels were.
    moved[pixels.clone()].fill(0);
    moved.extend(&file[pixels.clone()]);
    let old = (pixels.start as u32).to_le_bytes();
    let entry = [&273_u16.to_le_bytes()[..], &[4, 0, 1, 0, 0, 0], &old].concat();
    let at = file
        .windows(entry.len())
        .position(|w| w == entry)
        .expect("where the strip begins");
    moved[at + 8..at + 12].copy_from_slice(&(length as u32).to_le_bytes());
    moved
}

/// Bits turned, mostly in the directories: no panic, no hang, no wrong position.
#[test]
fn bits_turned() {
    let field = field(Channels::Mosaic, 4);
    let (good, pixels) = Dng::mosaic(600, 400, &field.pixels).file();
    let whole = open(&good).unwrap();
    assert_solved(&whole, &field, "whole");
    let sky = Sky::embedded().unwrap();
    let mut random = noise(2025);
    let mut next = |below: usize| random.next().unwrap_or(0) as usize % below;
    let (mut same, mut solved, mut unsolved, mut refused) = (0, 0, 0, 0);
    for round in 0..300 {
        let mut bad = good.clone();
        let mut turned = Vec::new();
        for _ in 0..1 + round % 4 {
            let at = if round % 8 == 0 {
                next(good.len())
            } else {
                pixels.end + next(good.len() - pixels.end)
            };
            let bit = next(8);
            bad[at] ^= 1 << bit;
            turned.push((at, bit));
        }
        let began = Instant::now();
        let opened = open(&bad);
        assert!(began.elapsed() < Duration::from_secs(10), "{turned:?}");
        let frame = match opened {
            Ok(frame) => frame,
            Err(error) => {
                assert_eq!(error.to_string().lines().count(), 1, "{error}");
                refused += 1;
                continue;
            }
        };
        if same_pixels(&frame, &whole) {
            // The turned bits say nothing about them; they were solved once, above.
            same += 1;
            continue;
        }
        let request = Request {
            time_limit: Some(Duration::from_secs(1)),
            ..Request::default()
        };
        let Some(solution) = solve(&frame, &sky, &request).unwrap().solution else {
            unsolved += 1;
            continue;
        };
        solved += 1;
        let off = off_px(&solution, &field.truth);
        let expected = moved_px(&frame, &whole);
        assert!(
            (off - expected).abs() < 2.0,
            "{turned:?}: {off} px off, shows what is {expected} px off"
        );
    }
    eprintln!("of 300: {same} as before, {solved} solved, {unsolved} not, {refused} refused");
    assert!(same > 50 && solved > 10 && refused > 20);
}

fn same_pixels(a: &Frame, b: &Frame) -> bool {
    match (&a.pixels, &b.pixels) {
        (Pixels::U16(p), Pixels::U16(q)) => (a.width, a.height) == (b.width, b.height) && p == q,
        _ => false,
    }
}

/// How far from the centre of `whole` lies what the centre of `frame` shows, pixels: a few turned
/// bits make another active area, or have the pixels begin elsewhere, and then another part of the
/// sky is rightly found.
fn moved_px(frame: &Frame, whole: &Frame) -> f64 {
    // Differences do not depend on the black level.
    let differences = |frame: &Frame| match &frame.pixels {
        Pixels::U16(p) => p
            .windows(3)
            .map(|w| i32::from(w[2]) - i32::from(w[0]))
            .collect(),
        _ => Vec::<i32>::new(),
    };
    let (shown, all) = (differences(frame), differences(whole));
    let (x, y) = (frame.width / 2, frame.height / 2);
    let centre = &shown[y * frame.width + x..][..64.min(frame.width / 4)];
    // Nearest instead of equal: the filters are evened out by what the area as a whole shows.
    let unlike = |w: &[i32]| -> i64 {
        w.iter()
            .zip(centre)
            .map(|(a, b)| i64::from((a - b).abs()))
            .sum()
    };
    let Some(at) = (0..all.len() - centre.len()).min_by_key(|k| unlike(&all[*k..][..centre.len()]))
    else {
        return 0.0;
    };
    let middle = |v: usize, length: usize| v as f64 - (length as f64 - 1.0) / 2.0;
    let east = middle(at % whole.width, whole.width) - middle(x, frame.width);
    let north = middle(at / whole.width, whole.height) - middle(y, frame.height);
    east.hypot(north)
}

/// What other decoders make of a real file.
struct Known {
    file: &'static str,
    size: (usize, usize),
    pixels: [([usize; 2], u16); 8],
}

const KNOWN: [Known; 2] = [
    // Of a 60-megapixel camera, in the source package dngpy 0.1.3 of PyPI (extern/sample_files):
    // mosaic packed as JPEG XL, each colour in a quarter of its own, as tifffile 2026.3.3 with
    // imagecodecs 2026.3.6 (libjxl) decodes it, put in place as DNG 1.7 says
    // (RowInterleaveFactor, ColumnInterleaveFactor).
    Known {
        file: "03_jxl_bayer_raw_integer.dng",
        size: (9600, 6376),
        pixels: [
            ([0, 0], 1029),
            ([1, 0], 2168),
            ([0, 1], 2135),
            ([2001, 100], 2336),
            ([1439, 1279], 1001),
            ([1280, 1440], 907),
            ([9599, 6375], 986),
            ([5001, 3000], 2832),
        ],
    },
    // In the source package libraw_cffi 0.6.0 of PyPI (libraw_cffi/tests): 11 bits a pixel by a
    // tone curve, as rawpy 0.28.0 (LibRaw) decodes it, counted from pixel 8, 8 of its picture.
    Known {
        file: "_DSC2164.ARW",
        size: (5168, 3448),
        pixels: [
            ([0, 0], 578),
            ([1, 0], 684),
            ([0, 1], 664),
            ([2001, 100], 2504),
            ([1439, 1279], 1296),
            ([1280, 1440], 542),
            ([5167, 3447], 542),
            ([3654, 2321], 852),
        ],
    },
];

impl Known {
    fn check(&self, frame: &Frame) {
        let Pixels::U16(pixels) = &frame.pixels else {
            panic!("{} holds integers", self.file);
        };
        assert_eq!((frame.width, frame.height), self.size);
        for ([x, y], expected) in self.pixels {
            // Decoders round each in their way.
            let found = pixels[y * frame.width + x];
            assert!(
                found.abs_diff(expected) <= 1,
                "{x} {y}: {found}, {expected}"
            );
        }
    }
}

/// Real files, whole or damaged: none takes long, is a panic, or has more to say than one line.
/// DEVELOPERS.md says where there are some, and what was seen.
#[test]
fn real_files() {
    let Some(folder) = std::env::var_os("NIGHTFIX_RAW_SAMPLES") else {
        eprintln!("skipped: NIGHTFIX_RAW_SAMPLES names no folder of camera raw files");
        return;
    };
    use_program_as_helper();
    let mut seen = 0;
    for entry in std::fs::read_dir(Path::new(&folder)).unwrap().flatten() {
        let path = entry.path();
        if !path.is_file() {
            continue;
        }
        seen += 1;
        let began = Instant::now();
        let opened = Frame::open(&path);
        let took = began.elapsed();
        assert!(took < Duration::from_secs(10), "{}", path.display());
        match opened {
            Ok(frame) => {
                if let Some(known) = KNOWN.iter().find(|known| path.ends_with(known.file)) {
                    known.check(&frame);
                }
                let exif = (frame.clues.mid_jd_utc, frame.clues.focal_length_mm);
                eprintln!(
                    "{}: {} x {}, mosaic {:?}, {exif:?}, pixel {:?} um, {took:.0?}",
                    path.display(),
                    frame.width,
                    frame.height,
                    frame.mosaic_stated,
                    frame.clues.pixel_size_um,
                );
            }
            Err(error) => {
                let text = error.to_string();
                assert_eq!(text.lines().count(), 1, "{text}");
                eprintln!("{text}, {took:.0?}");
            }
        }
    }
    assert!(seen > 0, "NIGHTFIX_RAW_SAMPLES holds no file");
}
