//! Positions of stars hardly wider than a pixel.

use super::moments::{Gaussian, LANES, dot};
use super::stamp::Stamp;

/// Buffers: along x and along y the star's share in each line of pixels, and its derivative by the
/// centre.
#[derive(Debug, Default)]
pub(super) struct Profiles {
    x: [Vec<f32>; 2],
    y: [Vec<f32>; 2],
}

/// Refines a centroid of an undersampled star by Gauss-Newton on a pixel-integrated Gaussian of
/// fixed width (flux and position free): where a pixel is wider than the star, point-sampled
/// windows pull towards pixel centres, and this does not.
pub(super) fn refine(
    stamp: &Stamp,
    (x, y): (f64, f64),
    sigma: f64,
    profiles: &mut Profiles,
) -> (f64, f64) {
    // The measured width holds the pixel; the model integrates over it again.
    let narrow = (sigma * sigma - 1.0 / 12.0).max(0.09).sqrt();
    let (mut cx, mut cy) = (x, y);
    for _ in 0..10 {
        let Some((dx, dy)) = newton_step(stamp, (cx, cy), narrow, profiles) else {
            return (x, y);
        };
        cx += dx.clamp(-0.3, 0.3);
        cy += dy.clamp(-0.3, 0.3);
        if (cx - x).powi(2) + (cy - y).powi(2) > 0.25 {
            return (x, y);
        }
        if dx * dx + dy * dy < 4e-6 {
            break;
        }
    }
    (cx, cy)
}

fn newton_step(
    stamp: &Stamp,
    (cx, cy): (f64, f64),
    sigma: f64,
    p: &mut Profiles,
) -> Option<(f64, f64)> {
    let span_x = fill(&mut p.x, stamp.x0 - cx, stamp.stride, sigma);
    let span_y = fill(&mut p.y, stamp.y0 - cy, stamp.side, sigma);
    let (from, to) = (
        span_x.start / LANES * LANES,
        span_x.end.next_multiple_of(LANES).min(stamp.stride),
    );
    let [gx, sx] = p.x.each_ref().map(|v| &v[from..to]);
    let [gy, sy] = p.y.each_ref().map(|v| &v[span_y.clone()]);
    // Normal equations for flux, x, y. The model is a product of its two profiles, and so are
    // the sums.
    let mut b = nalgebra::Vector3::<f64>::zeros();
    let rows = stamp.data.chunks_exact(stamp.stride).skip(span_y.start);
    for (row, (gy, sy)) in rows.zip(gy.iter().zip(sy)) {
        let row = &row[from..to];
        let (along, slope) = (dot(row, gx), dot(row, sx));
        let (gy, sy) = (f64::from(*gy), f64::from(*sy));
        b += nalgebra::Vector3::new(gy * along, gy * slope, sy * along);
    }
    let sums = |g: &[f32], s: &[f32]| {
        g.iter()
            .zip(s)
            .fold((0.0, 0.0, 0.0), |(gg, gs, ss), (g, s)| {
                let (g, s) = (f64::from(*g), f64::from(*s));
                (gg + g * g, gs + g * s, ss + s * s)
            })
    };
    let (x, y) = (sums(gx, sx), sums(gy, sy));
    let a = nalgebra::Matrix3::new(
        x.0 * y.0,
        x.1 * y.0,
        x.0 * y.1,
        x.1 * y.0,
        x.2 * y.0,
        x.1 * y.1,
        x.0 * y.1,
        x.1 * y.1,
        x.0 * y.2,
    );
    let s = a.try_inverse()? * b;
    (s[0] > 0.0).then(|| (s[1] / s[0], s[2] / s[0]))
}

/// Five-point Gauss-Legendre over the pixel: exact to 1e-6 for sigma >= 0.3 pixels.
const NODES: [(f64, f64); 5] = [
    (0.0, 0.284_444_444_444_444_4),
    (0.269_234_655_052_841_5, 0.239_314_335_249_683_2),
    (-0.269_234_655_052_841_5, 0.239_314_335_249_683_2),
    (0.453_089_922_969_332, 0.118_463_442_528_094_5),
    (-0.453_089_922_969_332, 0.118_463_442_528_094_5),
];

/// Fills `profile` for `count` pixels from offset `first` on with a unit Gaussian integrated over
/// each pixel and its derivative by the centre, zero out of reach. Returns the pixels within.
fn fill(
    [value, slope]: &mut [Vec<f32>; 2],
    first: f64,
    count: usize,
    sigma: f64,
) -> std::ops::Range<usize> {
    let reach = 3.5 * sigma + 1.0;
    let low = ((-reach - first).ceil().max(0.0) as usize).min(count);
    let high = (((reach - first).floor() + 1.0).max(0.0) as usize).clamp(low, count);
    value.clear();
    value.resize(count, 0.0);
    slope.clear();
    slope.resize(count, 0.0);
    let norm = 1.0 / (sigma * (2.0 * std::f64::consts::PI).sqrt());
    for (t, w) in NODES {
        let mut node = Gaussian::new(first + low as f64 + t, sigma);
        for (value, slope) in value[low..high].iter_mut().zip(&mut slope[low..high]) {
            let (d, g) = node.next();
            let g = w * norm * g;
            *value += g as f32;
            *slope += (g * d / (sigma * sigma)) as f32;
        }
    }
    low..high
}
