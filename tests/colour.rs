//! Colour frames in every form that cameras and their owners make of them, solved blind.

#[path = "support/dng.rs"]
mod dng;
#[path = "support/sky_check.rs"]
mod sky_check;
mod support;

use dng::Dng;
use nightfix::frame::Frame;
use nightfix::search::Request;
use nightfix::sky::Sky;
use nightfix::solve::solve;
use sample_fields::{Channels, Field, FieldSpec, render};
use sky_check::off_px;
use std::path::Path;
use support::{folder, put};

/// A colour file of the field, and the field in it.
type Form = (&'static str, fn(&FieldSpec) -> (Vec<u8>, Field));

const FORMS: [Form; 6] = [
    ("mosaic FITS without a keyword", |spec| {
        let field = of(spec, Channels::Mosaic, false);
        (sample_fields::fits_bytes(&field, &[]), field)
    }),
    ("DNG", |spec| {
        let field = of(spec, Channels::Mosaic, true);
        let dng = Dng::mosaic(spec.width_px, spec.height_px, &field.pixels);
        (dng.file().0, field)
    }),
    ("JPEG, stretched, quality 90", |spec| {
        let field = of(spec, Channels::Rgb, true);
        (sample_fields::jpeg_bytes(&field, 90).unwrap(), field)
    }),
    ("TIFF, 16 bits", |spec| {
        let field = of(spec, Channels::Rgb, true);
        (sample_fields::tiff_bytes(&field).unwrap(), field)
    }),
    ("PNG, 16 bits", |spec| {
        let field = of(spec, Channels::Rgb, true);
        (sample_fields::png_bytes(&field).unwrap(), field)
    }),
    ("PNG, 8 bits, stretched", |spec| {
        let field = of(spec, Channels::Rgb, true);
        let bytes = sample_fields::stretched_png_bytes(&field).unwrap();
        (bytes, field)
    }),
];

fn of(spec: &FieldSpec, channels: Channels, top_down: bool) -> Field {
    render(&FieldSpec {
        channels,
        top_down,
        ..spec.clone()
    })
    .unwrap()
}

/// Field `number` of a series all over the sky.
fn spec(number: usize, widths_deg: &[f64]) -> FieldSpec {
    let n = number as f64;
    // Turns of the golden angle spread evenly; declinations by area (common practice).
    let ra_deg = (n * 137.507_764 + 20.0) % 360.0;
    let dec_deg = ((n * 0.618_034 + 0.3) % 1.0 * 1.96 - 0.98)
        .asin()
        .to_degrees();
    FieldSpec {
        rotation_deg: n * 77.0 % 360.0,
        mirrored: number % 7 == 3,
        magnitude_scatter: 0.15,
        vignetting: 0.25,
        hot_pixels: 60,
        fwhm_px: 2.2 + 0.4 * (number % 5) as f64,
        epoch_year: 2025.5,
        seed: 4000 + number as u64,
        ..FieldSpec::new(ra_deg, dec_deg, widths_deg[number % widths_deg.len()])
    }
}

/// Solves with nothing known but the pixels: how far off, pixels; `None`: unsolved.
fn solved_px(sky: &Sky, path: &Path, field: &Field) -> Option<f64> {
    #[cfg(feature = "camera-raw")]
    nightfix::itself::set_program(env!("CARGO_BIN_EXE_nightfix").into(), Vec::new());
    let frame = Frame::open(path).unwrap_or_else(|e| panic!("{e}"));
    let solution = solve(&frame, sky, &Request::default()).unwrap().solution?;
    let right = solution.mirrored == field.truth.mirrored;
    Some(if right {
        off_px(&solution, &field.truth)
    } else {
        f64::INFINITY
    })
}

/// Every form of `fields` fields: how many of each are solved. What is solved must be right.
fn solved(fields: usize, widths_deg: &[f64]) -> [usize; FORMS.len()] {
    let sky = Sky::embedded().unwrap();
    let folder = folder();
    let mut solved = [0; FORMS.len()];
    for number in 0..fields {
        let spec = spec(number, widths_deg);
        for ((form, write), solved) in FORMS.iter().zip(&mut solved) {
            if cfg!(not(feature = "camera-raw")) && *form == "DNG" {
                *solved += 1;
                continue;
            }
            let (bytes, field) = write(&spec);
            let path = put(folder.path(), "colour", &bytes);
            let about = format!("field {number}, {} deg wide, {form}", spec.width_deg);
            match solved_px(&sky, &path, &field) {
                Some(off) => {
                    assert!(off < 2.0, "{about}: {off} px off");
                    *solved += 1;
                }
                None => eprintln!("{about}: unsolved"),
            }
        }
    }
    solved
}

#[test]
fn a_field_in_every_form() {
    assert_eq!(solved(1, &[6.0]), [1; FORMS.len()]);
}

/// 25 fields of 1.5 to 25 degrees in every form; run with `-- --ignored --nocapture`.
#[test]
#[ignore = "takes minutes"]
fn many_fields_in_every_form() {
    let solved = solved(25, &[1.5, 2.0, 3.0, 5.0, 8.0, 12.0, 18.0, 25.0]);
    for ((form, _), solved) in FORMS.iter().zip(solved) {
        eprintln!("{solved} of 25: {form}");
    }
    assert!(solved.iter().sum::<usize>() * 100 >= 99 * 25 * FORMS.len());
}
