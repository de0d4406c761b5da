//! Detection against known truth, a reference library and the Cramér-Rao bound.

use crate::star_field::{Canvas, Random, Star, frame_of, scatter};
use nightfix::detect::{Detection, Detections, detect};
use nightfix::frame::{Frame, Pixels};
use proptest::prelude::*;

/// FWHM of a Gaussian per standard deviation.
const FWHM: f64 = 2.354_820_045;

fn nearest(found: &Detections, x: f64, y: f64) -> Option<(usize, &Detection, f64)> {
    found
        .stars
        .iter()
        .enumerate()
        .map(|(k, s)| (k, s, (s.x_px - x).hypot(s.y_px - y)))
        .min_by(|a, b| a.2.total_cmp(&b.2))
}

fn distance(found: &Detections, x: f64, y: f64) -> f64 {
    nearest(found, x, y).map_or(f64::INFINITY, |n| n.2)
}

/// Detections further than `radius` from every star.
fn strays(found: &Detections, stars: &[Star], radius: f64) -> usize {
    found
        .stars
        .iter()
        .filter(|s| {
            stars
                .iter()
                .all(|t| (s.x_px - t.x).hypot(s.y_px - t.y) > radius)
        })
        .count()
}

/// An ordinary field, 3 pixels wide stars, with its truth.
fn ordinary(width: usize, height: usize, count: usize, seed: u64) -> (Canvas, Vec<Star>) {
    let mut random = Random(seed);
    let mut canvas = Canvas::new(width, height, 1000.0);
    let stars = scatter(width, height, count, 1500.0, 12.0, &mut random);
    for s in &stars {
        canvas.star(*s, 1.3);
    }
    canvas.noise(20.0, &mut random);
    (canvas, stars)
}

/// SEP 1.4.1 (`Background`, `extract` at 4 sigma, `winpos`, `sum_circle`) on the very same
/// pixels, rendered a second time by a program in another language.
#[test]
fn agrees_with_a_reference_library() {
    const SEP: [(f64, f64, f64); 9] = [
        (40.300, 38.601, 60443.0),
        (103.478, 95.184, 50176.0),
        (100.288, 36.199, 29656.0),
        (163.456, 92.782, 20304.0),
        (160.290, 33.777, 14876.0),
        (46.648, 156.590, 10382.0),
        (43.483, 97.599, 8222.0),
        (106.719, 154.228, 6125.0),
        (166.610, 151.734, 3730.0),
    ];
    const SEP_BACKGROUND: f64 = 999.92;
    const SEP_RMS: f64 = 19.79;
    let mut canvas = Canvas::new(256, 256, 1000.0);
    let fluxes = [6.0, 3.0, 1.5, 0.8, 5.0, 2.0, 1.0, 0.6, 0.4];
    for (k, flux) in fluxes.iter().enumerate() {
        let (i, j) = ((k % 3) as f64, (k / 3) as f64);
        let star = Star {
            x: 40.30 + 60.0 * i + 3.17 * j,
            y: 38.60 + 59.0 * j - 2.41 * i,
            flux: flux * 10_000.0,
        };
        canvas.star(star, 1.4);
    }
    canvas.noise(20.0, &mut Random(2024));
    let found = detect(&canvas.frame(65535.0));
    assert!(
        (found.sky_level - SEP_BACKGROUND).abs() < 2.0,
        "{}",
        found.sky_level
    );
    assert!(
        (found.sky_noise / SEP_RMS - 1.0).abs() < 0.05,
        "{}",
        found.sky_noise
    );
    for (rank, (x, y, flux)) in SEP.iter().enumerate() {
        let (k, star, d) = nearest(&found, *x, *y).expect("a detection");
        assert_eq!(k, rank, "order by brightness");
        // Both are noisy in the same way; they differ by their windows. The reference's aperture
        // of 8.4 px alone has a noise of 300.
        assert!(
            d < 0.03 + 0.3 * star.sigma_px,
            "{rank}: {d} px from the reference"
        );
        assert!(
            (star.flux - flux).abs() < 0.02 * flux + 750.0,
            "{rank}: {} {flux}",
            star.flux
        );
    }
}

/// Cramér-Rao bound for a Gaussian of `sigma` (the pixel included) in white noise: sqrt(8 pi)
/// sigma^2 noise / flux (King 1983, PASP 95, 163; Winick 1986, JOSA A 3, 1809).
fn bound(sigma: f64, noise: f64, flux: f64) -> f64 {
    (8.0 * std::f64::consts::PI).sqrt() * sigma * sigma * noise / flux
}

#[test]
fn centroids_reach_the_cramer_rao_bound() {
    for (fwhm, seed) in [(1.5, 1), (2.0, 2), (3.0, 3), (4.5, 4), (6.0, 5)] {
        let sigma: f64 = fwhm / FWHM;
        let wide = (sigma * sigma + 1.0 / 12.0).sqrt();
        let noise = 20.0;
        let mut random = Random(seed);
        let step = (8.0 * fwhm).max(24.0);
        let side = (step * 15.0) as usize;
        let mut canvas = Canvas::new(side, side, 1000.0);
        let mut stars = Vec::new();
        for k in 0..225 {
            // SNR 20 to 200 in the matched filter, logarithmically.
            let snr = 20.0 * 10f64.powf(random.uniform());
            let star = Star {
                x: ((k % 15) as f64 + 0.5) * step + random.uniform(),
                y: ((k / 15) as f64 + 0.5) * step + random.uniform(),
                flux: snr * noise * (4.0 * std::f64::consts::PI).sqrt() * wide,
            };
            canvas.star(star, sigma);
            stars.push(star);
        }
        canvas.noise(noise, &mut random);
        let found = detect(&canvas.frame(65535.0));
        assert!(
            (found.fwhm_px / (FWHM * wide) - 1.0).abs() < 0.05,
            "{}",
            found.fwhm_px
        );
        let (mut error, mut stated) = (Vec::new(), Vec::new());
        for s in &stars {
            let (_, star, d) = nearest(&found, s.x, s.y).expect("a detection");
            let least = bound(wide, noise, s.flux);
            assert!(d < 1.0, "star of {} lost at fwhm {fwhm}", s.flux);
            error.push((d / least).powi(2) / 2.0);
            stated.push((d / star.sigma_px).powi(2) / 2.0);
        }
        let rms = |v: &[f64]| (v.iter().sum::<f64>() / v.len() as f64).sqrt();
        assert!(
            rms(&error) < 1.3,
            "fwhm {fwhm}: {} times the bound",
            rms(&error)
        );
        assert!(
            (0.7..1.4).contains(&rms(&stated)),
            "stated errors: {}",
            rms(&stated)
        );
    }
}

#[test]
fn complete_above_snr_8_and_clean() {
    let (canvas, stars) = ordinary(1000, 800, 300, 7);
    let found = detect(&canvas.frame(65535.0));
    let least = 8.0 * 20.0 * (4.0 * std::f64::consts::PI).sqrt() * 1.33;
    let alone: Vec<&Star> = stars
        .iter()
        .filter(|s| {
            let crowd = |t: &&Star| (s.x - t.x).hypot(s.y - t.y) < 10.0;
            s.flux > least && stars.iter().filter(crowd).count() == 1
        })
        .collect();
    assert!(alone.len() > 150);
    let have = alone
        .iter()
        .filter(|s| distance(&found, s.x, s.y) < 1.0)
        .count();
    assert!(have * 100 >= alone.len() * 98, "{have} of {}", alone.len());
    assert!(
        strays(&found, &stars, 3.0) <= 6,
        "{}",
        strays(&found, &stars, 3.0)
    );
    assert!(!found.mosaic);
    // In an ordinary field the first are the brightest.
    let mut by_flux = stars.clone();
    by_flux.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    let first = Detections {
        stars: found.stars[..50].to_vec(),
        ..found
    };
    let have = by_flux[..40]
        .iter()
        .filter(|s| distance(&first, s.x, s.y) < 2.0)
        .count();
    assert!(have >= 37, "{have} of the 40 brightest among the first 50");
}

#[test]
fn noise_alone_yields_next_to_nothing() {
    let mut canvas = Canvas::new(1200, 1000, 500.0);
    canvas.noise(15.0, &mut Random(11));
    let found = detect(&canvas.frame(65535.0));
    assert!(found.stars.len() <= 8, "{}", found.stars.len());
}

#[test]
fn hot_pixels_columns_and_trails_do_not_come_first() {
    let (mut canvas, stars) = ordinary(900, 700, 200, 21);
    let mut random = Random(5);
    for _ in 0..600 {
        let k = (random.uniform() * canvas.data.len() as f64) as usize;
        canvas.data[k] += 500.0 + 6000.0 * random.uniform();
    }
    for y in 0..700 {
        canvas.data[y * 900 + 333] += 700.0;
        // A satellite, slightly inclined, 3 pixels wide.
        for dx in 0..3 {
            canvas.data[y * 900 + 500 + y / 5 + dx] += 400.0;
        }
    }
    let found = detect(&canvas.frame(65535.0));
    let first = Detections {
        stars: found.stars[..60].to_vec(),
        ..found
    };
    assert!(
        strays(&first, &stars, 3.0) <= 3,
        "{}",
        strays(&first, &stars, 3.0)
    );
}

#[test]
fn saturated_and_blooming_stars_are_centred() {
    let (mut canvas, _) = ordinary(600, 500, 60, 31);
    let bright = [
        (150.3, 120.6, 2.0e6, 0),
        (420.7, 140.2, 1.5e7, 40),
        (300.4, 350.8, 8.0e6, 12),
    ];
    for (x, y, flux, bloom) in bright {
        canvas.star(Star { x, y, flux }, 1.3);
        // Charge runs along the column, further one way than the other.
        for dy in -bloom..=bloom / 2 {
            for dx in -1..=1 {
                let k = (y as i64 + dy) * 600 + x.round() as i64 + dx;
                if bloom > 0 {
                    canvas.data[k as usize] = 1e6;
                }
            }
        }
    }
    let found = detect(&canvas.frame(65535.0));
    for (x, y, _, bloom) in bright {
        let (k, star, d) = nearest(&found, x, y).expect("a detection");
        assert!(star.saturated && k < 6, "rank {k}");
        let limit = if bloom == 0 { 0.15 } else { 0.8 };
        assert!(d < limit, "bloom {bloom}: off by {d} px");
        let around = found
            .stars
            .iter()
            .filter(|s| (s.x_px - x).hypot(s.y_px - y) < 6.0);
        assert_eq!(around.count(), 1, "one star, one detection");
    }
}

#[test]
fn mosaics_are_recognised_and_keep_full_resolution_positions() {
    // Transmissions of red, green, green, blue; in the second case only the stars show them.
    for sky_shows in [true, false] {
        let (mut canvas, stars) = ordinary(700, 600, 150, 41);
        let mut random = Random(3);
        let noiseless = {
            let mut c = Canvas::new(700, 600, 0.0);
            stars.iter().for_each(|s| c.star(*s, 1.3));
            c
        };
        for (k, v) in canvas.data.iter_mut().enumerate() {
            let colour = (k / 700 % 2) * 2 + k % 700 % 2;
            let pass = [0.6, 1.0, 1.0, 0.4][colour];
            let sky = if sky_shows { 800.0 * pass } else { 20.0 };
            *v = 300.0 + sky + noiseless.data[k] * pass + 15.0 * random.normal();
        }
        let found = detect(&canvas.frame(65535.0));
        assert!(found.mosaic);
        let mut bright = stars.clone();
        bright.sort_by(|a, b| b.flux.total_cmp(&a.flux));
        let (mut dx, mut dy, mut n) = (0.0, 0.0, 0.0);
        for s in &bright[..40] {
            let (_, star, d) = nearest(&found, s.x, s.y).expect("a detection");
            if d < 0.5 {
                dx += star.x_px - s.x;
                dy += star.y_px - s.y;
                n += 1.0;
            }
        }
        assert!(n >= 37.0, "{n}");
        // No half-pixel shift: the centre of block (i, j) is at 2 i + 0.5.
        assert!(
            (dx / n).abs() < 0.03 && (dy / n).abs() < 0.03,
            "{dx} {dy} {n}"
        );
    }
}

#[test]
fn wide_stars_are_found_at_their_own_scale() {
    let mut random = Random(51);
    let mut canvas = Canvas::new(1200, 900, 1000.0);
    let stars = scatter(1200, 900, 40, 60_000.0, 60.0, &mut random);
    for s in &stars {
        canvas.star(*s, 12.0 / FWHM);
    }
    canvas.noise(20.0, &mut random);
    let found = detect(&canvas.frame(65535.0));
    assert!((found.fwhm_px - 12.0).abs() < 0.6, "{}", found.fwhm_px);
    let have = stars
        .iter()
        .filter(|s| distance(&found, s.x, s.y) < 2.0)
        .count();
    assert!(have >= 36, "{have} of 40");
}

#[test]
fn a_resolved_pair_stays_two() {
    let mut canvas = Canvas::new(300, 300, 1000.0);
    let mut random = Random(61);
    for s in scatter(300, 120, 25, 5000.0, 15.0, &mut random) {
        canvas.star(s, 1.3);
    }
    let pair = [(150.0, 220.0, 30_000.0), (155.2, 221.5, 20_000.0)];
    for (x, y, flux) in pair {
        canvas.star(Star { x, y, flux }, 1.3);
    }
    canvas.noise(20.0, &mut random);
    let found = detect(&canvas.frame(65535.0));
    for (x, y, _) in pair {
        assert!(distance(&found, x, y) < 0.4, "{}", distance(&found, x, y));
    }
}

#[test]
fn a_cluster_cannot_take_over_the_list() {
    let (mut canvas, _) = ordinary(1200, 900, 150, 71);
    let mut random = Random(8);
    for _ in 0..400 {
        let star = Star {
            x: 600.0 + 35.0 * random.normal(),
            y: 450.0 + 35.0 * random.normal(),
            flux: 150_000.0 * (1.0 + random.uniform()),
        };
        canvas.star(star, 1.3);
    }
    let found = detect(&canvas.frame(65535.0));
    let inside = |s: &&Detection| (s.x_px - 600.0).hypot(s.y_px - 450.0) < 110.0;
    let first = found.stars[..100].iter().filter(inside).count();
    assert!(
        (10..=65).contains(&first),
        "{first} of the first 100 in the cluster"
    );
}

#[test]
fn the_same_list_whatever_the_number_of_threads() {
    let (canvas, _) = ordinary(900, 700, 250, 81);
    let frame = canvas.frame(65535.0);
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("threads");
        pool.install(|| detect(&frame)).stars
    };
    let one = with(1);
    assert!(one.len() > 150);
    assert_eq!(one, with(2));
    assert_eq!(one, with(5));
}

#[test]
fn odd_frames_give_no_stars_and_no_panic() {
    let empty: [Frame; 8] = [
        frame_of(0, 0, Pixels::U16(vec![])),
        frame_of(1, 5000, Pixels::U16(vec![7; 5000])),
        frame_of(5000, 1, Pixels::U8(vec![7; 5000])),
        frame_of(300, 200, Pixels::U16(vec![1234; 60_000])),
        frame_of(300, 200, Pixels::F32(vec![f32::NAN; 60_000])),
        frame_of(300, 200, Pixels::F32(vec![f32::INFINITY; 60_000])),
        frame_of(300, 200, Pixels::U16(vec![65535; 60_000])),
        frame_of(300, 200, Pixels::U16(vec![0; 100])),
    ];
    for frame in &empty {
        assert_eq!(
            detect(frame).stars,
            vec![],
            "{} x {}",
            frame.width,
            frame.height
        );
    }
}

#[test]
fn blank_pixels_are_left_out() {
    let (canvas, stars) = ordinary(600, 500, 120, 91);
    let data = (0..600 * 500)
        .map(|k| {
            if k % 600 < 200 {
                f32::NAN
            } else {
                canvas.data[k] as f32
            }
        })
        .collect();
    let found = detect(&frame_of(600, 500, Pixels::F32(data)));
    assert!(found.stars.iter().all(|s| s.x_px > 195.0));
    let bright = stars.iter().filter(|s| s.x > 215.0 && s.flux > 4000.0);
    let (all, have) = bright.fold((0, 0), |(n, m), s| {
        (n + 1, m + usize::from(distance(&found, s.x, s.y) < 1.5))
    });
    assert!(all > 20 && have * 100 >= all * 94, "{have} of {all}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Whatever the pixels: no panic, positions finite and inside the frame.
    #[test]
    fn any_pixels(width in 1usize..90, height in 1usize..90, seed: u64, kind in 0u8..4) {
        let mut random = Random(seed);
        let n = width * height;
        let pixels = match kind {
            0 => Pixels::U8((0..n).map(|_| (random.uniform() * 256.0) as u8).collect()),
            1 => Pixels::U16((0..n).map(|_| (random.normal().powi(6) * 900.0) as u16).collect()),
            2 => Pixels::F32((0..n).map(|_| f32::from_bits((random.uniform() * 4.29e9) as u32)).collect()),
            _ => Pixels::U16((0..n).map(|k| if (k / width) % 9 < 4 { 65535 } else { 3 }).collect()),
        };
        let found = detect(&frame_of(width, height, pixels));
        for s in &found.stars {
            prop_assert!(s.x_px >= -1.0 && s.x_px <= width as f64, "{s:?}");
            prop_assert!(s.y_px >= -1.0 && s.y_px <= height as f64, "{s:?}");
            prop_assert!(s.sigma_px > 0.0 && s.flux.is_finite() && s.snr > 0.0, "{s:?}");
        }
    }
}

/// Real frames, where their folder is named; unsaturated stars of one night frame as SEP 1.4.1
/// places them (`winpos`), and which frames are colour mosaics.
#[test]
fn real_frames() {
    let Ok(folder) = std::env::var("NIGHTFIX_REAL_FRAMES") else {
        eprintln!("SKIPPED: NIGHTFIX_REAL_FRAMES does not name a folder of real frames");
        return;
    };
    let folder = std::path::Path::new(&folder);
    let found = |name: &str| detect(&Frame::open(&folder.join(name)).expect("readable"));
    let night = found("night/HATP-32171220013343.FITS");
    let sep = [
        (414.70, 343.13),
        (157.09, 437.17),
        (158.93, 479.07),
        (389.89, 91.76),
        (93.05, 286.24),
        (551.74, 400.36),
        (341.12, 231.14),
        (592.49, 120.38),
        (538.49, 406.58),
    ];
    for (x, y) in sep {
        let (k, _, d) = nearest(&night, x, y).expect("a detection");
        // These stars are drawn out, so that windows of another width settle 0.05 px apart.
        assert!(d < 0.1 && k < 140, "{x} {y}: rank {k}, {d} px");
    }
    for (name, mosaic, least) in [
        ("single/mosaic-10s.fit", true, 100),
        ("single/mosaic-20s.fit", true, 100),
        ("single/dslr-crop.fits", true, 300),
        ("single/plate-m67.fits", false, 300),
        ("single/cluster-sub.jpeg", false, 40),
        ("single/lens-18mm.jpeg", false, 300),
    ] {
        let list = found(name);
        assert_eq!(list.mosaic, mosaic, "{name}");
        assert!(list.stars.len() >= least, "{name}: {}", list.stars.len());
    }
}
