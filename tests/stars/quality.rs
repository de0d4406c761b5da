//! Frame quality against what the stars were painted with: laws of Gaussian profiles, no figure
//! of this program.

use crate::star_field::{Canvas, Random, Star};
use nightfix::detect::detect;
use nightfix::quality::{Quality, quality};
use std::f64::consts::PI;

const WIDTH: usize = 1200;
const HEIGHT: usize = 900;
const SKY: f64 = 900.0;
const NOISE: f64 = 12.0;
/// 2 sqrt(2 ln 2): standard deviation to full width at half maximum of a Gaussian.
const FWHM_PER_SIGMA: f64 = 2.354_82;

/// Stars on a jittered grid, none near another.
fn grid(step: usize, random: &mut Random) -> Vec<Star> {
    let mut stars = Vec::new();
    for y in (step / 2..HEIGHT).step_by(step) {
        for x in (step / 2..WIDTH).step_by(step) {
            stars.push(Star {
                x: x as f64 + 6.0 * random.uniform(),
                y: y as f64 + 6.0 * random.uniform(),
                flux: 8_000.0 + 30_000.0 * random.uniform(),
            });
        }
    }
    stars
}

fn judged(canvas: &Canvas) -> Quality {
    let frame = canvas.frame(65_535.0);
    quality(&frame, &detect(&frame), None)
}

/// An elliptical Gaussian, integrated over pixels by 5 x 5 midpoints.
fn ellipse(canvas: &mut Canvas, star: Star, long: f64, short: f64, angle: f64) {
    let reach = (6.0 * long).ceil() as i64;
    let (sin, cos) = angle.sin_cos();
    let (cx, cy) = (star.x.round() as i64, star.y.round() as i64);
    for y in cy - reach..=cy + reach {
        for x in cx - reach..=cx + reach {
            if x < 0 || y < 0 || x >= WIDTH as i64 || y >= HEIGHT as i64 {
                continue;
            }
            let sum: f64 = (0..25)
                .map(|k| {
                    let dx = x as f64 + f64::from(k % 5 - 2) / 5.0 - star.x;
                    let dy = y as f64 + f64::from(k / 5 - 2) / 5.0 - star.y;
                    let (u, v) = (cos * dx + sin * dy, cos * dy - sin * dx);
                    (-0.5 * ((u / long).powi(2) + (v / short).powi(2))).exp()
                })
                .sum();
            canvas.data[y as usize * WIDTH + x as usize] +=
                star.flux * sum / 25.0 / (2.0 * PI * long * short);
        }
    }
}

/// A Gaussian holds half its light within 1.1774 sigma (sqrt(2 ln 2)), so that its half-flux
/// diameter is its FWHM; pixels add a variance of 1/12.
#[test]
fn round_stars_have_their_width() {
    for sigma in [1.2, 2.0, 3.5] {
        let mut random = Random(31);
        let mut canvas = Canvas::new(WIDTH, HEIGHT, SKY);
        for star in grid(75, &mut random) {
            canvas.star(star, sigma);
        }
        canvas.noise(NOISE, &mut random);
        let quality = judged(&canvas);
        let shape = quality.shape.expect("stars enough");
        let expected = FWHM_PER_SIGMA * (sigma * sigma + 1.0_f64 / 12.0).sqrt();
        for measured in [shape.fwhm_px, shape.hfd_px] {
            let ratio = measured / expected;
            assert!((0.97..1.03).contains(&ratio), "{sigma}: {shape:?}");
        }
        assert!(shape.elongation < 1.03, "{shape:?}");
        assert!(quality.stars_measured >= 60, "{quality:?}");
        let trend = shape.field.trend.expect("stars on all sides");
        assert!(trend.tilt_px < 4.0 * trend.tilt_error_px, "{trend:?}");
        assert!(trend.curvature_px.abs() < 0.1 * expected, "{trend:?}");
        assert!((quality.sky_level - SKY).abs() < 1.0, "{quality:?}");
        assert!((quality.sky_noise / NOISE - 1.0).abs() < 0.1, "{quality:?}");
        // Noise of an optimally weighted Gaussian star in white noise: sqrt(4 pi) sigma per pixel
        // noise (King 1983); five times that is the limit.
        let limit = 5.0 * (4.0 * PI).sqrt() * (expected / FWHM_PER_SIGMA) * NOISE;
        let ratio = quality.limiting_flux.expect("stars") / limit;
        assert!((0.85..1.15).contains(&ratio), "{sigma}: {ratio}");
    }
}

#[test]
fn oblong_stars_have_their_axes_and_direction() {
    for angle_deg in [0.0_f64, 25.0, 90.0, 140.0] {
        let mut random = Random(32);
        let mut canvas = Canvas::new(WIDTH, HEIGHT, SKY);
        for star in grid(75, &mut random) {
            ellipse(&mut canvas, star, 2.4, 1.6, angle_deg.to_radians());
        }
        canvas.noise(NOISE, &mut random);
        let shape = judged(&canvas).shape.expect("stars enough");
        // Pixels add 1/12 to both variances.
        let expected = ((2.4_f64.powi(2) + 1.0 / 12.0) / (1.6_f64.powi(2) + 1.0 / 12.0)).sqrt();
        assert!(
            (shape.elongation / expected - 1.0).abs() < 0.05,
            "{shape:?}"
        );
        let off = (shape.elongation_angle_deg - angle_deg + 90.0).rem_euclid(180.0) - 90.0;
        assert!(off.abs() < 3.0, "{angle_deg}: {shape:?}");
        assert!((0.0..180.0).contains(&shape.elongation_angle_deg));
    }
}

/// Stars that grow along one direction, and with the distance from the centre.
#[test]
fn tilt_and_curvature_are_told_apart() {
    let (tilt, curvature, angle) = (0.9, 0.7, 0.6_f64);
    let half_diagonal = (WIDTH as f64).hypot(HEIGHT as f64) / 2.0;
    let centre = [(WIDTH as f64 - 1.0) / 2.0, (HEIGHT as f64 - 1.0) / 2.0];
    let mut random = Random(33);
    let mut canvas = Canvas::new(WIDTH, HEIGHT, SKY);
    for star in grid(60, &mut random) {
        let (u, v) = (
            (star.x - centre[0]) / half_diagonal,
            (star.y - centre[1]) / half_diagonal,
        );
        let hfd =
            4.2 + 0.5 * tilt * (u * angle.cos() + v * angle.sin()) + curvature * (u * u + v * v);
        canvas.star(star, ((hfd / FWHM_PER_SIGMA).powi(2) - 1.0 / 12.0).sqrt());
    }
    canvas.noise(NOISE, &mut random);
    let shape = judged(&canvas).shape.expect("stars enough");
    let trend = shape.field.trend.expect("stars on all sides");
    assert!((trend.tilt_px - tilt).abs() < 0.15, "{trend:?}");
    assert!((trend.curvature_px - curvature).abs() < 0.15, "{trend:?}");
    assert!(trend.tilt_error_px < 0.1, "{trend:?}");
    let off = trend.tilt_angle_deg - angle.to_degrees();
    assert!(off.abs() < 10.0, "{trend:?}");
    // Stored-pixel order: the third corner, (nx,ny), is the one that the stars grow towards.
    let corners = shape.field.corner_hfd_px.map(|c| c.expect("stars there"));
    let largest = (0..4).max_by(|a, b| corners[*a].total_cmp(&corners[*b]));
    assert_eq!(largest, Some(2), "{corners:?}");
}

#[test]
fn burnt_out_pixels_are_counted() {
    let mut random = Random(34);
    let mut canvas = Canvas::new(WIDTH, HEIGHT, SKY);
    for star in grid(75, &mut random) {
        canvas.star(star, 1.8);
    }
    canvas.noise(NOISE, &mut random);
    for y in 100..130 {
        canvas.data[y * WIDTH + 200..][..36].fill(70_000.0);
    }
    let share = judged(&canvas).saturated_share;
    let painted = (30 * 36) as f64 / (WIDTH * HEIGHT) as f64;
    assert!((share / painted - 1.0).abs() < 0.01, "{share} {painted}");
}

#[test]
fn a_frame_without_stars_has_a_sky_and_no_shapes() {
    let mut random = Random(35);
    let mut canvas = Canvas::new(WIDTH, HEIGHT, SKY);
    canvas.noise(NOISE, &mut random);
    let quality = judged(&canvas);
    assert_eq!(quality.shape, None);
    assert_eq!(quality.saturated_share, 0.0);
    assert!((quality.sky_level - SKY).abs() < 1.0);
}

/// A frame of one value, as a stuck shutter or full wells give it: that level, and no noise.
#[test]
fn a_frame_of_one_value_has_its_level_and_no_noise() {
    let judged = judged(&Canvas::new(WIDTH, HEIGHT, 8000.0));
    assert!(
        (judged.sky_level - 8000.0).abs() < 80.0,
        "{}",
        judged.sky_level
    );
    assert_eq!(judged.sky_noise, 0.0);
}
