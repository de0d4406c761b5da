//! Tile-compressed FITS against the C library (cfitsio 3.49): it writes, both read.

#[path = "support/cfitsio.rs"]
mod cfitsio;
mod support;

use cfitsio::{GZIP_1, GZIP_2, HCOMPRESS_1, PLIO_1, Picture, RICE_1};
use nightfix::frame::{Frame, Pixels};
use support::{HEIGHT, WIDTH, folder, sky};

fn values(frame: &Frame) -> Vec<f64> {
    match &frame.pixels {
        Pixels::U8(p) => p.iter().map(|v| f64::from(*v)).collect(),
        Pixels::U16(p) => p.iter().map(|v| f64::from(*v)).collect(),
        Pixels::F32(p) => p.iter().map(|v| f64::from(*v)).collect(),
    }
}

/// Writes, reads with both, compares; `tolerance` covers the step from double to single.
fn compare(picture: &Picture, tolerance: f64) {
    compare_lossy(picture, 0, false, tolerance);
}

/// The same where HCOMPRESS_1 divides by `scale`, and smooths.
fn compare_lossy(picture: &Picture, scale: u16, smooth: bool, tolerance: f64) {
    let folder = folder();
    let path = folder.path().join("tiles.fits");
    cfitsio::write_lossy(&path, picture, scale, smooth);
    let expected = cfitsio::read(&path, WIDTH * HEIGHT);
    let frame = Frame::open(&path)
        .unwrap_or_else(|e| panic!("{} {}: {e}", picture.algorithm, picture.bitpix));
    assert_eq!((frame.width, frame.height), (WIDTH, HEIGHT));
    for (i, (found, expected)) in values(&frame).iter().zip(&expected).enumerate() {
        let same = found.is_nan() == expected.is_nan()
            && (expected.is_nan() || (found - expected).abs() <= tolerance);
        assert!(
            same,
            "algorithm {} bitpix {} dither {} scale {scale} pixel {i}: {found}, not {expected}",
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

/// Masks and other numbers that are not negative, in tiles of every form.
#[test]
fn masks_by_plio() {
    // In runs: of noise the C library makes more words than it has memory for.
    let noise = sky();
    let run = |at: usize| f64::from(noise[at / 6 * 6] % 250);
    let sky: Vec<f64> = (0..noise.len()).map(run).collect();
    let mask: Vec<f64> = sky.iter().map(|v| f64::from(*v > 225.0)).collect();
    let deep: Vec<f64> = sky.iter().map(|v| v * 67_001.0).collect();
    let unsigned: Vec<f64> = sky.iter().map(|v| v * 260.0).collect();
    for tile in [ROW, BLOCK, WHOLE] {
        for (bitpix, values) in [
            (8, &mask),
            (8, &sky),
            (16, &mask),
            (16, &sky),
            (20, &unsigned),
            (32, &deep),
        ] {
            let picture = Picture {
                bitpix,
                axes: &AXES,
                tile: &tile,
                algorithm: PLIO_1,
                dither: 0,
                values,
            };
            compare(&picture, 0.0);
        }
    }
}

/// Tiles of 20 by 12 leave some of 13 by 12, 20 by 5 and 13 by 5.
#[test]
fn hcompress_with_and_without_loss() {
    let dim: Vec<f64> = sky().iter().map(|v| f64::from(*v % 250)).collect();
    // Wider noise would take more than the C library has memory for.
    let signed: Vec<f64> = dim.iter().map(|v| v * 30.0 - 3000.0).collect();
    let unsigned: Vec<f64> = sky().iter().map(|v| f64::from(*v)).collect();
    let deep: Vec<f64> = dim.iter().map(|v| v * 70_001.0 - 9e6).collect();
    for tile in [[20, 12], WHOLE] {
        for (bitpix, values) in [
            (8, &dim),
            (16, &signed),
            (20, &unsigned),
            (32, &dim),
            (32, &deep),
        ] {
            for (scale, smooth) in [(0, false), (2, false), (9, true), (200, true)] {
                let picture = Picture {
                    bitpix,
                    axes: &AXES,
                    tile: &tile,
                    algorithm: HCOMPRESS_1,
                    dither: 0,
                    values,
                };
                // Differences of single precision at 9 million.
                let tolerance = if bitpix == 32 { 1.0 } else { 0.0 };
                compare_lossy(&picture, scale, smooth, tolerance);
            }
        }
    }
}

#[test]
fn hcompress_of_floating_point() {
    let mut values: Vec<f64> = sky().iter().map(|v| f64::from(*v) / 3.0).collect();
    values[200] = 0.0;
    for tile in [[20, 12], WHOLE] {
        for bitpix in [-32, -64] {
            for dither in [-1, 1, 2] {
                let picture = Picture {
                    bitpix,
                    axes: &AXES,
                    tile: &tile,
                    algorithm: HCOMPRESS_1,
                    dither,
                    values: &values,
                };
                compare(&picture, 2e-3);
            }
        }
    }
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
