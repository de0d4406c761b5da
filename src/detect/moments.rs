//! Windowed centroids and moments.
//!
//! A Gaussian window of the star's own width makes the centroid the maximum-likelihood position
//! of a Gaussian star in white noise: its score equation is the windowed first moment.

use super::stamp::Stamp;

/// Shape and place of a star image.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shape {
    /// Second moments with the window's effect removed, square pixels.
    pub xx: f64,
    /// See `xx`.
    pub yy: f64,
    /// See `xx`.
    pub xy: f64,
    /// Windowed sum of the values.
    pub sum: f64,
}

impl Shape {
    /// Variances along the long and the short axis.
    pub fn axes(&self) -> (f64, f64) {
        let half = 0.5 * (self.xx + self.yy);
        let root = (0.25 * (self.xx - self.yy).powi(2) + self.xy * self.xy).sqrt();
        (half + root, half - root)
    }

    /// Geometric mean of the standard deviations, pixels.
    pub fn sigma(&self) -> f64 {
        let (a, b) = self.axes();
        (a.max(0.0) * b.max(0.0)).sqrt().sqrt()
    }

    /// Long over short axis, at most 20.
    pub fn elongation(&self) -> f64 {
        let (a, b) = self.axes();
        (a / b.max(1e-3)).max(1.0).sqrt().min(20.0)
    }
}

/// Sums under a Gaussian window of `sigma` around (x, y).
struct Sums {
    w: f64,
    x: f64,
    y: f64,
    xx: f64,
    yy: f64,
    xy: f64,
}

/// Narrowest window: pixels sample nothing finer.
pub(super) const LEAST_WINDOW_PX: f64 = 0.75;

/// Reusable window weights: of each column the weight, its first and its second moment.
#[derive(Debug, Default)]
pub(super) struct Window {
    columns: [Vec<f32>; 3],
    /// Stamp column of the first weight.
    first: usize,
}

/// Values summed side by side; stamp rows are padded to a multiple of it.
pub(super) const LANES: usize = 8;

/// Sum of products, in a fixed order.
#[inline(always)]
fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut lanes = [0.0f32; LANES];
    for (a, b) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
        for k in 0..LANES {
            lanes[k] += a[k] * b[k];
        }
    }
    lanes.iter().map(|v| f64::from(*v)).sum()
}

impl Window {
    /// Sums of the stamp under the window, out to 4 sigma.
    fn sums(&mut self, stamp: &Stamp, x: f64, y: f64, sigma: f64) -> Sums {
        let span = stamp.stride.min(self.weigh(stamp, x, sigma));
        let from = self.first;
        let [w0, w1, w2] = &self.columns;
        let mut s = Sums {
            w: 0.0,
            x: 0.0,
            y: 0.0,
            xx: 0.0,
            yy: 0.0,
            xy: 0.0,
        };
        let k = -0.5 / (sigma * sigma);
        for (j, row) in stamp.data.chunks_exact(stamp.stride).enumerate() {
            let dy = stamp.y0 + j as f64 - y;
            if dy.abs() > 4.0 * sigma {
                continue;
            }
            let wy = (k * dy * dy).exp();
            let row = &row[from..span];
            let (r0, r1, r2) = (dot(row, w0), dot(row, w1), dot(row, w2));
            s.w += wy * r0;
            s.x += wy * r1;
            s.xx += wy * r2;
            s.y += wy * dy * r0;
            s.xy += wy * dy * r1;
            s.yy += wy * dy * dy * r0;
        }
        s
    }

    /// Weights of the columns within reach; returns the end of the span that holds them.
    fn weigh(&mut self, stamp: &Stamp, x: f64, sigma: f64) -> usize {
        let k = -0.5 / (sigma * sigma);
        let low = (x - 4.0 * sigma - stamp.x0).ceil().max(0.0) as usize;
        let high = ((x + 4.0 * sigma - stamp.x0).floor().max(0.0) as usize + 1).min(stamp.stride);
        let low = low.min(stamp.stride - 1);
        let high = high.max(low + 1);
        self.first = low / LANES * LANES;
        let end = high.next_multiple_of(LANES).min(stamp.stride);
        for w in &mut self.columns {
            w.clear();
            w.resize(end - self.first, 0.0);
        }
        // exp(k (d+1)^2) = exp(k d^2) exp(k (2d+1)), and that factor grows by exp(2k) a step.
        let mut d = stamp.x0 + low as f64 - x;
        let (mut w, mut factor, growth) = (
            (k * d * d).exp(),
            (k * (2.0 * d + 1.0)).exp(),
            (2.0 * k).exp(),
        );
        let [w0, w1, w2] = &mut self.columns;
        for i in low - self.first..high - self.first {
            w0[i] = w as f32;
            w1[i] = (w * d) as f32;
            w2[i] = (w * d * d) as f32;
            d += 1.0;
            w *= factor;
            factor *= growth;
        }
        end
    }

    /// Iterates the windowed centroid from (x, y). `None` where no positive signal is left or
    /// the centre runs further than `reach`.
    pub fn centroid(
        &mut self,
        stamp: &Stamp,
        (x, y): (f64, f64),
        sigma: f64,
        reach: f64,
    ) -> Option<(f64, f64)> {
        let (mut cx, mut cy) = (x, y);
        for _ in 0..16 {
            let s = self.sums(stamp, cx, cy, sigma);
            if s.w <= 0.0 {
                return None;
            }
            // The factor 2 undoes the window's pull for a star of the window's width.
            let (dx, dy) = (2.0 * s.x / s.w, 2.0 * s.y / s.w);
            let limit = 0.5 * sigma.max(1.0);
            cx += dx.clamp(-limit, limit);
            cy += dy.clamp(-limit, limit);
            if (cx - x).hypot(cy - y) > reach {
                return None;
            }
            if dx.hypot(dy) < 2e-3 + 5e-4 * sigma {
                break;
            }
        }
        Some((cx, cy))
    }

    /// Second moments at a fixed centre, the window of `sigma` removed: inverse covariances
    /// subtract. `None` where the moments make no Gaussian.
    pub fn shape(&mut self, stamp: &Stamp, (x, y): (f64, f64), sigma: f64) -> Option<Shape> {
        let s = self.sums(stamp, x, y, sigma);
        if s.w <= 0.0 {
            return None;
        }
        let (xx, yy, xy) = (s.xx / s.w, s.yy / s.w, s.xy / s.w);
        let det = xx * yy - xy * xy;
        if !(det > 0.0 && xx > 0.0 && yy > 0.0) {
            return None;
        }
        let v = 1.0 / (sigma * sigma);
        // A star much wider than the window keeps a finite width: at most 5 windows.
        let (mut ixx, mut iyy, ixy) = (yy / det - v, xx / det - v, -xy / det);
        let least = v / 25.0;
        let low = 0.5 * (ixx + iyy) - (0.25 * (ixx - iyy).powi(2) + ixy * ixy).sqrt();
        if low < least {
            ixx += least - low;
            iyy += least - low;
        }
        let idet = ixx * iyy - ixy * ixy;
        (idet > 0.0).then(|| Shape {
            xx: iyy / idet,
            yy: ixx / idet,
            xy: -ixy / idet,
            sum: s.w,
        })
    }

    /// Centroid and shape with a window that adapts to the star's width, from `sigma` on, at
    /// most `limit`.
    pub fn adaptive(
        &mut self,
        stamp: &Stamp,
        start: (f64, f64),
        sigma: f64,
        limit: f64,
    ) -> Option<Shape> {
        let (mut width, mut centre) = (sigma, start);
        let mut shape = None;
        for _ in 0..8 {
            centre = self.centroid(stamp, centre, width, 3.0 * width + 2.0)?;
            let found = self.shape(stamp, centre, width)?;
            let next = found
                .sigma()
                .clamp(0.5, limit)
                .clamp(0.5 * width, 2.0 * width);
            shape = Some(found);
            if (next - width).abs() < 0.03 * width {
                break;
            }
            width = next;
        }
        shape
    }
}

/// Refines a centroid of an undersampled star by Gauss-Newton on a pixel-integrated Gaussian of
/// fixed width (flux and position free): where a pixel is wider than the star, point-sampled
/// windows pull towards pixel centres, and this does not.
pub(super) fn refine(stamp: &Stamp, (x, y): (f64, f64), sigma: f64) -> (f64, f64) {
    // The measured width holds the pixel; the model integrates over it again.
    let narrow = (sigma * sigma - 1.0 / 12.0).max(0.09).sqrt();
    let (mut cx, mut cy) = (x, y);
    for _ in 0..10 {
        let Some((dx, dy)) = newton_step(stamp, cx, cy, narrow) else {
            return (x, y);
        };
        cx += dx.clamp(-0.3, 0.3);
        cy += dy.clamp(-0.3, 0.3);
        if (cx - x).hypot(cy - y) > 0.5 {
            return (x, y);
        }
        if dx.hypot(dy) < 1e-3 {
            break;
        }
    }
    (cx, cy)
}

fn newton_step(stamp: &Stamp, cx: f64, cy: f64, sigma: f64) -> Option<(f64, f64)> {
    let reach = 3.5 * sigma + 1.0;
    let profile = |origin: f64, centre: f64| -> Vec<(f64, f64)> {
        (0..stamp.side)
            .map(|i| {
                let d = origin + i as f64 - centre;
                if d.abs() > reach {
                    (0.0, 0.0)
                } else {
                    pixel_profile(d, sigma)
                }
            })
            .collect()
    };
    let (px, py) = (profile(stamp.x0, cx), profile(stamp.y0, cy));
    // Normal equations for flux, x, y.
    let mut a = nalgebra::Matrix3::<f64>::zeros();
    let mut b = nalgebra::Vector3::<f64>::zeros();
    for (row, (gy, sy)) in stamp.data.chunks_exact(stamp.stride).zip(&py) {
        if *gy <= 0.0 {
            continue;
        }
        for (v, (gx, sx)) in row.iter().zip(&px) {
            if *gx <= 0.0 {
                continue;
            }
            let g = nalgebra::Vector3::new(gx * gy, sx * gy, gx * sy);
            a += g * g.transpose();
            b += g * f64::from(*v);
        }
    }
    let s = a.try_inverse()? * b;
    (s[0] > 0.0).then(|| (s[1] / s[0], s[2] / s[0]))
}

/// A unit Gaussian integrated over the pixel at offset `d`, and its derivative by the centre.
fn pixel_profile(d: f64, sigma: f64) -> (f64, f64) {
    // Five-point Gauss-Legendre over the pixel: exact to 1e-6 for sigma >= 0.3 pixels.
    const NODES: [(f64, f64); 5] = [
        (0.0, 0.284_444_444_444_444_4),
        (0.269_234_655_052_841_5, 0.239_314_335_249_683_2),
        (-0.269_234_655_052_841_5, 0.239_314_335_249_683_2),
        (0.453_089_922_969_332, 0.118_463_442_528_094_5),
        (-0.453_089_922_969_332, 0.118_463_442_528_094_5),
    ];
    let norm = 1.0 / (sigma * (2.0 * std::f64::consts::PI).sqrt());
    let mut value = (0.0, 0.0);
    for (t, w) in NODES {
        let u = (d + t) / sigma;
        let g = w * norm * (-0.5 * u * u).exp();
        value.0 += g;
        value.1 += g * u / sigma;
    }
    value
}
