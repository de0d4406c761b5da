//! Opening frames: every format, real frames where there are some, names that look like
//! something else, and files that are not what they claim.

mod support;

use nightfix::frame::{Frame, FrameError, Pixels};
use std::path::{Path, PathBuf};
use support::{HEIGHT, UNSIGNED, WIDTH, fits, fits_u16, folder, gzip, put, sky, unit};

/// Real frames below the folder that `NIGHTFIX_REAL_FRAMES` names.
fn real_frames() -> Vec<PathBuf> {
    let Some(folder) = std::env::var_os("NIGHTFIX_REAL_FRAMES") else {
        eprintln!("NIGHTFIX_REAL_FRAMES names no folder: real frames are NOT tested");
        return Vec::new();
    };
    let mut frames = Vec::new();
    for part in ["night", "single"] {
        let part = PathBuf::from(&folder).join(part);
        for entry in std::fs::read_dir(&part).into_iter().flatten().flatten() {
            frames.push(entry.path());
        }
    }
    assert!(!frames.is_empty(), "NIGHTFIX_REAL_FRAMES holds no frames");
    frames.sort();
    frames
}

fn open(path: &Path) -> Frame {
    Frame::open(path).unwrap_or_else(|e| panic!("{e}"))
}

fn count(pixels: &Pixels) -> usize {
    match pixels {
        Pixels::U8(p) => p.len(),
        Pixels::U16(p) => p.len(),
        Pixels::F32(p) => p.len(),
    }
}

#[test]
fn real_frames_open() {
    for path in real_frames() {
        let frame = open(&path);
        assert_eq!(
            count(&frame.pixels),
            frame.width * frame.height,
            "{}",
            path.display()
        );
        let is_fits = path
            .extension()
            .is_some_and(|e| !e.eq_ignore_ascii_case("jpeg"));
        if is_fits {
            assert!(!frame.clues.positions.is_empty(), "{}", path.display());
            assert!(frame.clues.mid_jd_utc.is_some(), "{}", path.display());
            assert!(frame.clues.site.is_some(), "{}", path.display());
        }
    }
}

/// The numbers of a plane as floating point.
fn values(frame: &Frame) -> Vec<f32> {
    match &frame.pixels {
        Pixels::U8(p) => p.iter().map(|v| f32::from(*v)).collect(),
        Pixels::U16(p) => p.iter().map(|v| f32::from(*v)).collect(),
        Pixels::F32(p) => p.clone(),
    }
}

fn opened(bytes: &[u8]) -> Frame {
    let folder = folder();
    open(&put(folder.path(), "frame", bytes))
}

#[test]
fn every_type_of_pixel() {
    let axes = [WIDTH, HEIGHT];
    let expected: Vec<f32> = sky().iter().map(|v| f32::from(*v)).collect();
    let bytes = |f: &dyn Fn(u16) -> Vec<u8>| -> Vec<u8> { sky().into_iter().flat_map(f).collect() };
    let cases: [(i32, Vec<u8>); 4] = [
        (32, bytes(&|v| i32::from(v).to_be_bytes().to_vec())),
        (64, bytes(&|v| i64::from(v).to_be_bytes().to_vec())),
        (-32, bytes(&|v| f32::from(v).to_be_bytes().to_vec())),
        (-64, bytes(&|v| f64::from(v).to_be_bytes().to_vec())),
    ];
    for (bitpix, data) in cases {
        let frame = opened(&fits(bitpix, &axes, &[], &data));
        assert_eq!((frame.width, frame.height), (WIDTH, HEIGHT));
        assert_eq!(values(&frame), expected, "BITPIX {bitpix}");
        let small = matches!(frame.pixels, Pixels::U16(_));
        assert_eq!(small, bitpix > 0, "integers that fit 16 bits stay there");
    }
    let frame = opened(&fits_u16(&[]));
    assert!(matches!(&frame.pixels, Pixels::U16(p) if *p == sky()));
    let bytes: Vec<u8> = sky().iter().map(|v| (v % 256) as u8).collect();
    let frame = opened(&fits(8, &axes, &[], &bytes));
    assert!(matches!(&frame.pixels, Pixels::U8(p) if *p == bytes));
}

#[test]
fn signed_scaled_and_blank() {
    let axes = [WIDTH, HEIGHT];
    let mut stored: Vec<i16> = (0..WIDTH * HEIGHT).map(|i| i as i16 - 1000).collect();
    stored[5] = -32768;
    let data: Vec<u8> = stored.iter().flat_map(|v| v.to_be_bytes()).collect();
    let frame = opened(&fits(
        16,
        &axes,
        &["BSCALE  = 0.5", "BZERO   = 100", "BLANK   = -32768"],
        &data,
    ));
    let found = values(&frame);
    assert!(found[5].is_nan());
    // BZERO + BSCALE * stored (FITS 4.0, equation 3).
    assert_eq!(found[0], 100.0 - 500.0);
    assert_eq!(found[1001], 100.0 + 0.5);
    let frame = opened(&fits(16, &axes, &[], &data));
    assert_eq!(values(&frame)[5], -32768.0);
}

#[test]
fn blank_in_floating_point_is_not_a_number() {
    let mut sky: Vec<f32> = sky().iter().map(|v| f32::from(*v)).collect();
    (sky[1], sky[2]) = (f32::NAN, f32::INFINITY);
    let data: Vec<u8> = sky.iter().flat_map(|v| v.to_be_bytes()).collect();
    let found = values(&opened(&fits(-32, &[WIDTH, HEIGHT], &[], &data)));
    assert!(found[0].is_finite() && found[1].is_nan() && found[2].is_nan());
}

#[test]
fn colour_planes_are_averaged_and_series_are_not() {
    let plane = |k: u16| {
        sky()
            .into_iter()
            .flat_map(move |v| ((v % 1000 * k) ^ 0x8000).to_be_bytes())
    };
    let cube: Vec<u8> = [1, 2, 6].into_iter().flat_map(plane).collect();
    let frame = opened(&fits(16, &[WIDTH, HEIGHT, 3], &UNSIGNED, &cube));
    let expected: Vec<f32> = sky().iter().map(|v| f32::from(v % 1000 * 3)).collect();
    assert_eq!(values(&frame), expected);
    assert_eq!(frame.mosaic_stated, Some(false));
    let series: Vec<u8> = [1, 2, 3, 4, 5].into_iter().flat_map(plane).collect();
    let frame = opened(&fits(16, &[WIDTH, HEIGHT, 5], &UNSIGNED, &series));
    let expected: Vec<f32> = sky().iter().map(|v| f32::from(v % 1000)).collect();
    assert_eq!(values(&frame), expected);
    assert_eq!(frame.clues.remarks.len(), 1);
}

#[test]
fn the_image_may_be_in_an_extension() {
    let data: Vec<u8> = sky()
        .iter()
        .flat_map(|v| (v ^ 0x8000).to_be_bytes())
        .collect();
    let primary = unit(
        &[
            "SIMPLE  = T",
            "BITPIX  = 8",
            "NAXIS   = 0",
            "EXTEND  = T",
            "RA      = 100.5",
            "DEC     = 20.0",
        ],
        &[],
    );
    let table = unit(
        &[
            "XTENSION= 'BINTABLE'",
            "BITPIX  = 8",
            "NAXIS   = 2",
            "NAXIS1  = 4",
            "NAXIS2  = 3",
            "PCOUNT  = 0",
            "GCOUNT  = 1",
            "TFIELDS = 1",
            "TFORM1  = 'J'",
        ],
        &[0; 12],
    );
    let image = unit(
        &[
            "XTENSION= 'IMAGE'",
            "BITPIX  = 16",
            "NAXIS   = 2",
            "NAXIS1  = 53",
            "NAXIS2  = 41",
            "PCOUNT  = 0",
            "GCOUNT  = 1",
            "BZERO   = 32768",
            "BAYERPAT= 'RGGB'",
            "ROWORDER= 'TOP-DOWN'",
        ],
        &data,
    );
    for file in [
        [&primary[..], &table, &image].concat(),
        gzip(&[&primary[..], &image].concat()),
    ] {
        let frame = opened(&file);
        assert!(matches!(&frame.pixels, Pixels::U16(p) if *p == sky()));
        assert_eq!(frame.mosaic_stated, Some(true));
        assert!(frame.first_row_on_top);
        assert_eq!(frame.clues.positions[0].ra_deg, 100.5);
    }
}

/// Colours pixel by pixel, the first axis: as some converters of photographs write them.
#[test]
fn the_colour_axis_may_come_first() {
    let sky = sky();
    let words: Vec<u8> = sky
        .iter()
        .flat_map(|v| [1, 2, 6].map(|k| ((v % 1000 * k) ^ 0x8000).to_be_bytes()))
        .flatten()
        .collect();
    let frame = opened(&fits(16, &[3, WIDTH, HEIGHT], &UNSIGNED, &words));
    let expected: Vec<f32> = sky.iter().map(|v| f32::from(v % 1000 * 3)).collect();
    assert_eq!((frame.width, frame.height), (WIDTH, HEIGHT));
    assert_eq!(values(&frame), expected);
    assert_eq!(frame.mosaic_stated, Some(false));
    // In 0 to 1, with a blank pixel.
    let reals: Vec<u8> = sky
        .iter()
        .enumerate()
        .flat_map(|(i, v)| {
            [1.0, 2.0, 6.0].map(|k| {
                if i == 7 {
                    f32::NAN
                } else {
                    f32::from(*v) * k / 65536.0
                }
            })
        })
        .flat_map(f32::to_be_bytes)
        .collect();
    let found = values(&opened(&fits(-32, &[3, WIDTH, HEIGHT], &[], &reals)));
    assert!(found[7].is_nan());
    assert_eq!(found[8], f32::from(sky[8]) * 3.0 / 65536.0);
    // A single plane with an axis of length one before it, or two behind it.
    let plane: Vec<u8> = sky
        .iter()
        .flat_map(|v| (v ^ 0x8000).to_be_bytes())
        .collect();
    for axes in [&[1, WIDTH, HEIGHT][..], &[WIDTH, HEIGHT, 1, 1]] {
        let frame = opened(&fits(16, axes, &UNSIGNED, &plane));
        assert!(
            matches!(&frame.pixels, Pixels::U16(p) if *p == sky),
            "{axes:?}"
        );
    }
}

/// What stands first in the file is a picture only by its form: a spectrum, a stamp.
#[test]
fn the_first_picture_counts_not_the_first_array() {
    let words: Vec<u8> = sky()
        .iter()
        .flat_map(|v| (v ^ 0x8000).to_be_bytes())
        .collect();
    let image = unit(
        &[
            "XTENSION= 'IMAGE   '",
            "BITPIX  = 16",
            "NAXIS   = 2",
            "NAXIS1  = 53",
            "NAXIS2  = 41",
            "PCOUNT  = 0",
            "GCOUNT  = 1",
            "BZERO   = 32768",
        ],
        &words,
    );
    for first in [
        fits(-32, &[500], &[], &[0; 2000]),
        fits(8, &[4, 4], &[], &[0; 16]),
    ] {
        let frame = opened(&[&first[..], &image].concat());
        assert!(matches!(&frame.pixels, Pixels::U16(p) if *p == sky()));
    }
}

/// Headers and files that are not filled up as they should be.
#[test]
fn sloppy_writers() {
    let good = fits_u16(&["RA      = '05 34 31.9'", "DEC     = '+22 00 52'"]);
    let end = good
        .windows(3)
        .position(|w| w == b"END")
        .expect("an END card");
    let is_sky = |bytes: &[u8], what: &str| {
        let frame = opened(bytes);
        assert!(
            matches!(&frame.pixels, Pixels::U16(p) if *p == sky()),
            "{what}"
        );
        assert!(
            (frame.clues.positions[0].ra_deg - 83.632_917).abs() < 1e-5,
            "{what}"
        );
    };
    let data = 2880 + 2 * WIDTH * HEIGHT;
    is_sky(&good[..data], "last block not filled");
    is_sky(
        &[&good[..end + 80], &good[2880..data]].concat(),
        "header not filled",
    );
    for fill in [b"\0", b"\r", b"\n"] {
        let mut bytes = good.clone();
        for byte in &mut bytes[..2880] {
            if *byte == b' ' {
                *byte = fill[0];
            }
        }
        // The blanks within the texts have to stay.
        let text = good
            .windows(10)
            .position(|w| w == b"05 34 31.9")
            .expect("the text");
        bytes[text..text + 10].copy_from_slice(b"05 34 31.9");
        let text = good
            .windows(9)
            .position(|w| w == b"+22 00 52")
            .expect("the text");
        bytes[text..text + 9].copy_from_slice(b"+22 00 52");
        is_sky(&bytes, "filled with something else");
    }
    let mut bytes = good.clone();
    bytes[..2880].make_ascii_lowercase();
    bytes[..6].copy_from_slice(b"SIMPLE");
    bytes[end..end + 3].copy_from_slice(b"END");
    is_sky(&bytes, "lower case");
    let mut lines = good.clone();
    for card in lines[..end].chunks_exact_mut(80) {
        card[78..].copy_from_slice(b"\r\n");
    }
    is_sky(&lines, "line ends in the cards");
}

#[test]
fn rasters() {
    let frame = opened(&support::png_u16());
    assert!(matches!(&frame.pixels, Pixels::U16(p) if *p == sky()));
    assert!(frame.first_row_on_top && !frame.nonlinear && frame.orientation == 1);
    let frame = opened(&support::tiff_u16());
    assert!(matches!(&frame.pixels, Pixels::U16(p) if *p == sky()));
    let frame = opened(&support::tiff_f32());
    assert_eq!(values(&frame)[3], f32::from(sky()[3]) / 4.0);
    let frame = opened(&support::jpeg());
    assert_eq!(count(&frame.pixels), WIDTH * HEIGHT);
    assert!(frame.nonlinear);
}

/// The format is in the content, the name is only a name.
#[test]
fn names_are_taken_literally() {
    let folder = folder();
    let mut names = vec![
        "M31 (1)[2].fits",
        "cube.fits[1:10,1:10]",
        "a+b+1.fits",
        "-frame.fits",
        "--help",
        "Schnee & Eule \u{2744} \u{65e5}\u{672c}.fits",
        "picture.jpg",
        "no extension",
        "semi;colon'quote.fits",
        "50%20.fits.gz",
        "~.fits",
    ];
    if cfg!(unix) {
        names.extend([
            "ftp:host.fits",
            "mem:",
            "a|b",
            "star*?.fits",
            "new\nline.fits",
        ]);
        std::fs::create_dir_all(folder.path().join("http:/example.org")).expect("a folder");
        names.push("http:/example.org/frame.fits");
    }
    for name in names {
        let path = put(folder.path(), name, &fits_u16(&[]));
        let frame = open(&path);
        assert!(
            matches!(&frame.pixels, Pixels::U16(p) if *p == sky()),
            "{name}"
        );
        assert_eq!(frame.path, path);
    }
}

#[test]
fn empty_skies_open() {
    let nan: Vec<u8> = (0..WIDTH * HEIGHT)
        .flat_map(|_| f32::NAN.to_be_bytes())
        .collect();
    let frame = opened(&fits(-32, &[WIDTH, HEIGHT], &[], &nan));
    assert!(values(&frame).iter().all(|v| v.is_nan()));
    let frame = opened(&fits(
        16,
        &[WIDTH, HEIGHT],
        &[],
        &vec![0; 2 * WIDTH * HEIGHT],
    ));
    assert!(values(&frame).iter().all(|v| *v == 0.0));
    // Two megapixels of nothing shrink a thousandfold and are no bomb.
    let zeros = vec![0; 4_000_000];
    opened(&gzip(&fits(16, &[2000, 1000], &[], &zeros)));
}

/// What went wrong with these bytes; checks that it is one line that names the file.
fn refused(bytes: &[u8]) -> FrameError {
    let folder = folder();
    let path = put(folder.path(), "frame", bytes);
    let error = match Frame::open(&path) {
        Err(error) => error,
        Ok(frame) => panic!("opened as {} x {}", frame.width, frame.height),
    };
    let text = error.to_string();
    assert!(text.starts_with(&path.display().to_string()), "{text}");
    assert!(text.lines().count() == 1 && text.len() < 400, "{text}");
    assert!(text.contains(": "), "no way out: {text}");
    error
}

fn assert_damaged(bytes: &[u8], word: &str) {
    let error = refused(bytes);
    assert!(matches!(error, FrameError::Damaged { .. }), "{error}");
    assert!(error.to_string().contains(word), "{error}");
}

#[test]
fn bad_files_are_told_in_one_line() {
    assert_damaged(b"", "empty");
    assert!(matches!(
        refused(b"hello world, I am text"),
        FrameError::NotReadable { .. }
    ));
    assert!(matches!(
        refused(&gzip(b"a text")),
        FrameError::NotReadable { .. }
    ));
    let header = |cards: &[&str]| unit(cards, &[]);
    assert_damaged(
        &header(&["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0"]),
        "no image",
    );
    assert_damaged(&fits(16, &[1, 500], &[], &[0; 1000]), "too small");
    assert_damaged(&fits(16, &[500, 1], &[], &[0; 1000]), "too small");
    assert_damaged(&fits(16, &[500], &[], &[0; 1000]), "single row");
    assert_damaged(&fits(17, &[50, 50], &[], &[0; 5000]), "BITPIX");
    assert_damaged(&fits(16, &[50, 50, 0], &[], &[]), "no image");
    assert_damaged(&fits(16, &[1_000_000, 1_000_000], &[], &[]), "1000000");
    assert_damaged(&fits(16, &[30_000, 30_000], &[], &[]), "ends before");
    assert_damaged(
        &fits(16, &[usize::MAX >> 1, usize::MAX >> 1], &[], &[]),
        "more than any",
    );
    assert_damaged(
        &header(&[
            "SIMPLE  = T",
            "BITPIX  = 16",
            "NAXIS   = 2",
            "NAXIS1  = -5",
            "NAXIS2  = 5",
        ]),
        "NAXIS1",
    );
    assert_damaged(
        &header(&["SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 55"]),
        "NAXIS2",
    );
    assert_damaged(
        &header(&["SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 99999"]),
        "NAXIS",
    );
    assert_damaged(&fits_u16(&[])[..500], "header");
    assert_damaged(&fits_u16(&[])[..2000], "ends before");
    assert_damaged(&fits_u16(&[])[..2880 + 2000], "ends after row 18 of 41");
    assert_damaged(
        &b"SIMPLE  = T"
            .iter()
            .copied()
            .chain([b' '; 100_000])
            .collect::<Vec<_>>(),
        "header",
    );
    // A claim of a gigabyte and a half in three kilobytes.
    assert_damaged(&gzip(&fits(16, &[30_000, 25_000], &[], &[])), "expand");
    let half = |bytes: Vec<u8>| bytes[..bytes.len() / 2].to_vec();
    for bytes in [gzip(&fits_u16(&[])), support::png_u16(), support::jpeg()] {
        assert!(matches!(refused(&half(bytes)), FrameError::Damaged { .. }));
    }
    refused(&half(support::tiff_u16()));
}

#[test]
fn gzip_checksum_is_compared() {
    let mut bytes = gzip(&fits_u16(&[]));
    let at = bytes.len() - 6;
    bytes[at] ^= 1;
    assert_damaged(&bytes, "gzip");
}

#[test]
fn what_is_no_file() {
    let folder = folder();
    for path in [
        folder.path().join("missing.fits"),
        folder.path().to_owned(),
        PathBuf::new(),
    ] {
        let error = match Frame::open(&path) {
            Err(error @ FrameError::NotReadable { .. }) => error.to_string(),
            other => panic!("{:?}", other.map(|f| f.width)),
        };
        assert_eq!(error.lines().count(), 1);
    }
}

#[test]
fn opening_leaves_the_file_alone() {
    let folder = folder();
    let bytes = fits_u16(&[]);
    let path = put(folder.path(), "frame.fits", &bytes);
    let mut permissions = std::fs::metadata(&path).expect("there").permissions();
    permissions.set_readonly(true);
    std::fs::set_permissions(&path, permissions).expect("allowed");
    open(&path);
    assert_eq!(std::fs::read(&path).expect("there"), bytes);
}
