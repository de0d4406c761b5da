//! Tile-compressed FITS against the C library (cfitsio 3.49): it writes, both read.

#[path = "support/cfitsio.rs"]
mod cfitsio;
mod support;

use cfitsio::{GZIP_1, GZIP_2, HCOMPRESS_1, PLIO_1, Picture, RICE_1};
use nightfix::frame::{Frame, Pixels};
use support::{HEIGHT, WIDTH, folder, sky};

/// Serves PLIO_1 and HCOMPRESS_1, which are decoded in a child process.
fn use_program_as_helper() {
    nightfix::frame::isolated::set_helper_program(env!("CARGO_BIN_EXE_nightfix").into());
}

fn values(frame: &Frame) -> Vec<f64> {
    match &frame.pixels {
        Pixels::U8(p) => p.iter().map(|v| f64::from(*v)).collect(),
        Pixels::U16(p) => p.iter().map(|v| f64::from(*v)).collect(),
        Pixels::F32(p) => p.iter().map(|v| f64::from(*v)).collect(),
    }
}

/// Writes, reads with both, compares; `tolerance` covers the step from double to single.
fn compare(picture: &Picture, tolerance: f64) {
    let folder = folder();
    let path = folder.path().join("tiles.fits");
    cfitsio::write(&path, picture);
    let expected = cfitsio::read(&path, WIDTH * HEIGHT);
    let frame = Frame::open(&path)
        .unwrap_or_else(|e| panic!("{} {}: {e}", picture.algorithm, picture.bitpix));
    assert_eq!((frame.width, frame.height), (WIDTH, HEIGHT));
    for (i, (found, expected)) in values(&frame).iter().zip(&expected).enumerate() {
        let same = found.is_nan() == expected.is_nan()
            && (expected.is_nan() || (found - expected).abs() <= tolerance);
        assert!(
            same,
            "algorithm {} bitpix {} dither {} pixel {i}: {found}, not {expected}",
            picture.algorithm, picture.bitpix, picture.dither
        );
    }
}

const AXES: [i64; 2] = [WIDTH as i64, HEIGHT as i64];
const ROW: [i64; 2] = [WIDTH as i64, 1];
const BLOCK: [i64; 2] = [20, 13];
const WHOLE: [i64; 2] = AXES;

#[test]
fn integers_without_loss() {
    let sky: Vec<f64> = sky().iter().map(|v| f64::from(*v % 250)).collect();
    let deep: Vec<f64> = sky.iter().map(|v| v * 70_001.0 - 9e6).collect();
    for algorithm in [RICE_1, GZIP_1, GZIP_2] {
        for tile in [ROW, BLOCK, WHOLE] {
            for (bitpix, values) in [(8, &sky), (16, &sky), (32, &sky), (32, &deep)] {
                let picture = Picture {
                    bitpix,
                    axes: &AXES,
                    tile: &tile,
                    algorithm,
                    dither: 0,
                    values,
                };
                // Differences of single precision at 9 million.
                compare(&picture, 1.0);
            }
        }
    }
}

#[test]
fn unsigned_16_bit_stays_16_bit() {
    let values: Vec<f64> = sky().iter().map(|v| f64::from(*v)).collect();
    let folder = folder();
    let path = folder.path().join("tiles.fits");
    // 20 is the C library's code for unsigned 16-bit.
    let picture = Picture {
        bitpix: 20,
        axes: &AXES,
        tile: &ROW,
        algorithm: RICE_1,
        dither: 0,
        values: &values,
    };
    cfitsio::write(&path, &picture);
    match Frame::open(&path).map(|f| f.pixels) {
        Ok(Pixels::U16(pixels)) => assert_eq!(pixels, sky()),
        other => panic!("{other:?}"),
    }
}

#[test]
fn floating_point_with_and_without_dither() {
    let mut values: Vec<f64> = sky().iter().map(|v| f64::from(*v) / 3.0).collect();
    values[100] = f64::NAN;
    values[200] = 0.0;
    for algorithm in [RICE_1, GZIP_1, GZIP_2] {
        for tile in [ROW, BLOCK, WHOLE] {
            for bitpix in [-32, -64] {
                for dither in [-1, 0, 1, 2] {
                    if algorithm == RICE_1 && dither == 0 {
                        // Needs quantisation.
                        continue;
                    }
                    let picture = Picture {
                        bitpix,
                        axes: &AXES,
                        tile: &tile,
                        algorithm,
                        dither,
                        values: &values,
                    };
                    compare(&picture, 2e-3);
                }
            }
        }
    }
}

#[test]
fn rare_algorithms_are_decoded_by_a_child() {
    use_program_as_helper();
    let values: Vec<f64> = sky().iter().map(|v| f64::from(*v % 250)).collect();
    for algorithm in [PLIO_1, HCOMPRESS_1] {
        let picture = Picture {
            bitpix: 16,
            axes: &AXES,
            tile: &WHOLE,
            algorithm,
            dither: 0,
            values: &values,
        };
        compare(&picture, 0.0);
    }
}

/// The C library dies or errs on many of these; the program must only say so.
#[test]
fn damage_kills_only_the_child() {
    use_program_as_helper();
    let folder = folder();
    let path = folder.path().join("tiles.fits");
    let values: Vec<f64> = sky().iter().map(|v| f64::from(*v % 250)).collect();
    let picture = Picture {
        bitpix: 16,
        axes: &AXES,
        tile: &WHOLE,
        algorithm: HCOMPRESS_1,
        dither: 0,
        values: &values,
    };
    cfitsio::write(&path, &picture);
    let good = std::fs::read(&path).expect("just written");
    let data = good.len() - 2880;
    let mut refused = 0;
    for (i, random) in support::noise(3).take(40).enumerate() {
        let mut bad = good.clone();
        for at in 0..8 {
            bad[data + (random as usize + 97 * at) % 1500] ^= 1 << (i % 8);
        }
        let path = support::put(folder.path(), "bad.fits", &bad);
        refused += usize::from(Frame::open(&path).is_err());
    }
    assert!(refused > 0, "no damage was noticed at all");
}

#[test]
fn colour_planes_are_averaged() {
    let plane: Vec<f64> = sky().iter().map(|v| f64::from(*v % 250)).collect();
    let cube: Vec<f64> = [1.0, 2.0, 6.0]
        .iter()
        .flat_map(|k| plane.iter().map(move |v| v * k))
        .collect();
    let axes = [AXES[0], AXES[1], 3];
    for tile in [[53, 1, 1], [20, 13, 1], [20, 13, 2], [53, 41, 3]] {
        let folder = folder();
        let path = folder.path().join("cube.fits");
        let picture = Picture {
            bitpix: 16,
            axes: &axes,
            tile: &tile,
            algorithm: GZIP_1,
            dither: 0,
            values: &cube,
        };
        cfitsio::write(&path, &picture);
        let frame = Frame::open(&path).unwrap_or_else(|e| panic!("{e}"));
        let expected: Vec<f64> = plane.iter().map(|v| v * 3.0).collect();
        assert_eq!(values(&frame), expected);
        assert_eq!(frame.mosaic_stated, Some(false));
    }
}
