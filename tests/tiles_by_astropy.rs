//! Tile-compressed FITS written and read by astropy 8.0.2 (`tests/tiles-by-astropy/make.py`), all
//! inside gzip too: every standard algorithm, whole numbers and dithered floating point, blanks.

use nightfix::frame::{Frame, Pixels};
use std::path::Path;

const NAN: f64 = f64::NAN;
const WIDTH: usize = 26;
/// Row and column of the pixels of the table.
const PIXELS: [[usize; 2]; 5] = [[0, 0], [3, 7], [10, 13], [20, 25], [15, 2]];

/// Name; sum of all finite values; values of `PIXELS`.
const TABLE: [(&str, f64, [f64; 5]); 14] = [
    (
        "rice-dither-1",
        301428.0421971008,
        [
            495.3370056152344,
            NAN,
            29999.978515625,
            497.743408203125,
            -0.1134425476193428,
        ],
    ),
    (
        "rice-dither-2",
        301424.84802246094,
        [
            495.1493225097656,
            NAN,
            30000.025390625,
            497.4773864746094,
            0.0,
        ],
    ),
    (
        "rice-i32",
        302423153.0,
        [495188.0, 503684.0, 30000000.0, 497522.0, 493914.0],
    ),
    ("rice-u8", 63930.0, [245.0, 4.0, 0.0, 248.0, 244.0]),
    (
        "gzip1-dither-2-f64",
        301424.88020920753,
        [
            495.12115728855133,
            NAN,
            30000.017110586166,
            497.63906395435333,
            0.0,
        ],
    ),
    (
        "gzip2-f32",
        301425.56170654297,
        [495.18841552734375, NAN, 30000.0, 497.52215576171875, 0.0],
    ),
    ("gzip2-u16", 302430.0, [495.0, 504.0, 30000.0, 498.0, 494.0]),
    (
        "hcompress-dither-1",
        301429.62333346903,
        [
            495.2306213378906,
            NAN,
            30000.17578125,
            497.54376220703125,
            0.16428805887699127,
        ],
    ),
    (
        "hcompress-dither-2",
        301425.0246582031,
        [
            495.3414001464844,
            NAN,
            29999.869140625,
            497.6448669433594,
            0.0,
        ],
    ),
    (
        "hcompress-u16",
        302430.0,
        [495.0, 504.0, 30000.0, 498.0, 494.0],
    ),
    (
        "hcompress-lossy-i16",
        302378.0,
        [494.0, 504.0, 30000.0, 498.0, 494.0],
    ),
    ("plio-i16", 302430.0, [495.0, 504.0, 30000.0, 498.0, 494.0]),
    (
        "nocompress-f32",
        301425.56170654297,
        [495.18841552734375, NAN, 30000.0, 497.52215576171875, 0.0],
    ),
    (
        "nocompress-i16",
        302430.0,
        [495.0, 504.0, 30000.0, 498.0, 494.0],
    ),
];

fn values(frame: &Frame) -> Vec<f64> {
    match &frame.pixels {
        Pixels::U8(p) => p.iter().map(|v| f64::from(*v)).collect(),
        Pixels::U16(p) => p.iter().map(|v| f64::from(*v)).collect(),
        Pixels::F32(p) => p.iter().map(|v| f64::from(*v)).collect(),
    }
}

#[test]
fn every_algorithm_decodes_to_the_same_numbers() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/tiles-by-astropy");
    for (name, sum, picked) in TABLE {
        let frame = Frame::open(&folder.join(format!("{name}.fits.gz")));
        let values = values(&frame.unwrap_or_else(|e| panic!("{e}")));
        assert_eq!(values.len(), WIDTH * 21, "{name}");
        // Pixels are kept in single precision.
        let single = |value: f64| 1e-7 * value.abs() + 1e-6;
        for ([row, column], expected) in PIXELS.into_iter().zip(picked) {
            let found = values[row * WIDTH + column];
            assert!(
                found.is_nan() == expected.is_nan()
                    && (expected.is_nan() || (found - expected).abs() <= single(expected)),
                "{name} ({row}, {column}): {found}, not {expected}"
            );
        }
        let blank = values.iter().filter(|v| v.is_nan()).count();
        assert_eq!(blank, usize::from(picked[1].is_nan()), "{name}");
        let found: f64 = values.iter().filter(|v| v.is_finite()).sum();
        assert!(
            (found - sum).abs() <= 1e-6 * sum,
            "{name}: {found}, not {sum}"
        );
    }
}
