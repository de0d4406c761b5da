//! The committed demonstration frames, and what tests elsewhere rely on.

use sample_fields::{
    Channels, Content, FRAMES, FieldSpec, TangentFrame, demo_frames, fits_bytes, regenerate,
    render, write_field,
};
use std::path::Path;

#[test]
fn regenerating_gives_the_committed_bytes() {
    let folder = tempfile::tempdir().unwrap();
    regenerate(folder.path()).unwrap();
    let names = demo_frames()
        .into_iter()
        .map(|f| f.file)
        .chain(["truth.json"]);
    for name in names {
        let made = std::fs::read(folder.path().join(name)).unwrap();
        let committed = std::fs::read(Path::new(FRAMES).join(name)).unwrap();
        assert!(made == committed, "{name} differs from the committed file");
    }
}

#[test]
fn demonstration_frames_stay_small() {
    let bytes: u64 = std::fs::read_dir(FRAMES)
        .unwrap()
        .map(|f| f.unwrap().metadata().unwrap().len())
        .sum();
    assert!(bytes < 20_000_000, "{bytes} bytes");
}

/// The flux-weighted centre, within 6 px, of the light above the sky around a FITS pixel.
fn centroid(pixels: &[u16], width: usize, near: [f64; 2], sky: f64) -> [f64; 2] {
    let (x0, y0) = (
        (near[0] - 1.0).round() as usize,
        (near[1] - 1.0).round() as usize,
    );
    let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
    for y in y0 - 6..=y0 + 6 {
        for x in x0 - 6..=x0 + 6 {
            let light = f64::from(pixels[y * width + x]) - sky;
            sum += light;
            sx += light * (x + 1) as f64;
            sy += light * (y + 1) as f64;
        }
    }
    [sx / sum, sy / sum]
}

/// Vega (HIP 91262) stands at 279.23473, +38.78369 at J2000 (Hipparcos, van Leeuwen 2007); seen
/// 0.3 deg from it, rotated, mirrored and stored top down, it must shine where the projection,
/// which is tested against astropy, puts that place.
#[test]
fn vega_shines_where_it_should() {
    for (mirrored, top_down) in [(false, false), (true, false), (false, true), (true, true)] {
        let spec = FieldSpec {
            width_px: 400,
            height_px: 300,
            rotation_deg: 25.0,
            mirrored,
            top_down,
            faint_stars: false,
            // Bright enough to drown its neighbours, faint enough not to saturate.
            reference_magnitude: Some(5.0),
            ..FieldSpec::new(279.5, 38.6, 2.0)
        };
        let field = render(&spec).unwrap();
        let frame = TangentFrame::new(279.5, 38.6, field.truth.cd_deg, 400, 300);
        let expected = frame.fits_pixel_of(279.234_73, 38.783_69).unwrap();
        let found = centroid(&field.pixels, 400, expected, spec.sky_adu);
        let miss = (found[0] - expected[0]).hypot(found[1] - expected[1]);
        assert!(
            miss < 0.15,
            "mirrored {mirrored}, top down {top_down}: {found:?}, not {expected:?}"
        );
    }
}

/// Rotation and mirroring as they are defined: on a FITS frame (last row on top) with north up, east
/// is to the left, and to the right when mirrored; on a picture the first row is on top.
#[test]
fn orientation_follows_the_definition() {
    let step = |mirrored, top_down, rotation_deg, ra, dec| {
        let spec = FieldSpec {
            mirrored,
            top_down,
            rotation_deg,
            ..FieldSpec::new(10.0, 0.0, 2.0)
        };
        let frame = TangentFrame::new(10.0, 0.0, spec.cd_deg(), 1200, 800);
        let [x, y] = frame.fits_pixel_of(ra, dec).unwrap();
        let up = if top_down { 400.5 - y } else { y - 400.5 };
        (x - 600.5, up)
    };
    for top_down in [false, true] {
        // North of the middle: straight up.
        let (right, up) = step(false, top_down, 0.0, 10.0, 0.2);
        assert!(right.abs() < 1e-6 && up > 100.0);
        // East of the middle: left, or right when mirrored.
        assert!(step(false, top_down, 0.0, 10.2, 0.0).0 < -100.0);
        assert!(step(true, top_down, 0.0, 10.2, 0.0).0 > 100.0);
        // 'Up' at position angle 90 is east.
        for mirrored in [false, true] {
            let (right, up) = step(mirrored, top_down, 90.0, 10.2, 0.0);
            assert!(right.abs() < 1e-3 && up > 100.0);
        }
    }
}

#[test]
fn width_is_the_angle_between_the_edges() {
    let spec = FieldSpec::new(200.0, 0.0, 45.0);
    let frame = TangentFrame::new(200.0, 0.0, spec.cd_deg(), 1200, 800);
    let left = frame.sky_of_fits_pixel([0.5, 400.5]);
    let right = frame.sky_of_fits_pixel([1200.5, 400.5]);
    assert!(
        (left[0] - right[0] - 45.0).abs() < 1e-9,
        "{left:?} {right:?}"
    );
}

#[test]
fn the_seed_decides_and_nothing_else() {
    let spec = FieldSpec {
        width_px: 200,
        height_px: 150,
        ..FieldSpec::new(120.0, 40.0, 2.0)
    };
    let again = render(&spec).unwrap();
    assert_eq!(render(&spec).unwrap().pixels, again.pixels);
    let other = FieldSpec { seed: 2, ..spec };
    assert_ne!(render(&other).unwrap().pixels, again.pixels);
}

#[test]
fn scrambled_and_starless_frames_claim_no_stars() {
    for content in [Content::Scrambled, Content::Starless] {
        let spec = FieldSpec {
            content,
            width_px: 200,
            height_px: 150,
            ..FieldSpec::new(120.0, 40.0, 2.0)
        };
        assert_eq!(render(&spec).unwrap().truth.catalogue_stars, 0);
    }
    let sky = FieldSpec {
        width_px: 200,
        height_px: 150,
        ..FieldSpec::new(120.0, 40.0, 2.0)
    };
    assert!(render(&sky).unwrap().truth.catalogue_stars > 10);
}

#[test]
fn impossible_requests_are_refused() {
    let good = FieldSpec {
        width_px: 100,
        height_px: 80,
        ..FieldSpec::new(10.0, 10.0, 1.0)
    };
    let bad = [
        FieldSpec {
            ra_deg: f64::NAN,
            ..good.clone()
        },
        FieldSpec {
            dec_deg: 91.0,
            ..good.clone()
        },
        FieldSpec {
            width_deg: 0.0,
            ..good.clone()
        },
        FieldSpec {
            width_px: 0,
            ..good.clone()
        },
        FieldSpec {
            height_px: 1_000_000,
            ..good.clone()
        },
        FieldSpec {
            fwhm_px: f64::INFINITY,
            ..good.clone()
        },
    ];
    for spec in bad {
        let message = render(&spec).unwrap_err().to_string();
        assert!(message.contains("must be"), "{message}");
    }
}

#[test]
fn every_format_is_written_and_an_unknown_one_refused() {
    let folder = tempfile::tempdir().unwrap();
    for channels in [Channels::Mono, Channels::Rgb] {
        let spec = FieldSpec {
            channels,
            width_px: 64,
            height_px: 48,
            ..FieldSpec::new(10.0, 10.0, 1.0)
        };
        let field = render(&spec).unwrap();
        for (name, signature) in [
            ("a.fits", b"SIMPLE".as_slice()),
            ("a.fits.gz", b"\x1f\x8b"),
            ("a.png", b"\x89PNG"),
            ("a.jpg", b"\xff\xd8\xff"),
        ] {
            let path = folder.path().join(name);
            write_field(&path, &field, &[]).unwrap();
            assert!(
                std::fs::read(&path).unwrap().starts_with(signature),
                "{name}"
            );
        }
        let path = folder.path().join("a.tif");
        write_field(&path, &field, &[]).unwrap();
        let bytes = std::fs::read(&path).unwrap();
        assert!(bytes.starts_with(b"II*\0") || bytes.starts_with(b"MM\0*"));
        assert!(write_field(&folder.path().join("a.xyz"), &field, &[]).is_err());
        let planes = field.samples_per_px;
        assert_eq!(
            fits_bytes(&field, &[]).len(),
            2880 + (64 * 48 * 2 * planes).next_multiple_of(2880)
        );
    }
}
