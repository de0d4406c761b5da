//! Windowed centroids and moments.
//!
//! A Gaussian window of the star's own width makes the centroid the maximum-likelihood position
//! of a Gaussian star in white noise: its score equation is the windowed first moment.

use super::stamp::Stamp;

/// Shape and place of a star image.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Shape {
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

    /// Direction of the long axis from x towards y, radians, modulo pi.
    pub fn angle(&self) -> f64 {
        0.5 * (2.0 * self.xy).atan2(self.xx - self.yy)
    }
}

/// Sums under a Gaussian window of `sigma` around (x, y).
#[derive(Default)]
struct Sums {
    w: f64,
    x: f64,
    y: f64,
    xx: f64,
    yy: f64,
    xy: f64,
}

/// exp(-d^2 / 2 sigma^2) at offsets d one pixel apart, without an exponential for each: from one
/// to the next it grows by a factor that itself grows by a constant factor.
pub(super) struct Gaussian {
    d: f64,
    value: f64,
    factor: f64,
    growth: f64,
}

impl Gaussian {
    /// From offset `d` on.
    pub fn new(d: f64, sigma: f64) -> Gaussian {
        let k = -0.5 / (sigma * sigma);
        Gaussian {
            d,
            value: (k * d * d).exp(),
            factor: (k * (2.0 * d + 1.0)).exp(),
            growth: (2.0 * k).exp(),
        }
    }

    /// This offset and the value there.
    #[inline(always)]
    pub fn next(&mut self) -> (f64, f64) {
        let here = (self.d, self.value);
        self.d += 1.0;
        self.value *= self.factor;
        self.factor *= self.growth;
        here
    }
}

/// Narrowest window: pixels sample nothing finer.
pub(crate) const LEAST_WINDOW_PX: f64 = 0.75;

/// Reusable window weights: of each column the weight, its first and its second moment.
#[derive(Debug, Default)]
pub(crate) struct Window {
    columns: [Vec<f32>; 3],
    /// Stamp column of the first weight.
    first: usize,
}

/// Values summed side by side; stamp rows are padded to a multiple of it.
pub(super) const LANES: usize = 8;

/// Sum of products, in a fixed order.
#[inline(always)]
pub(super) fn dot(a: &[f32], b: &[f32]) -> f64 {
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
        let mut s = Sums::default();
        let low = (y - 4.0 * sigma - stamp.y0).ceil().max(0.0) as usize;
        let mut weights = Gaussian::new(stamp.y0 + low as f64 - y, sigma);
        for row in stamp.data.chunks_exact(stamp.stride).skip(low) {
            let (dy, wy) = weights.next();
            if dy > 4.0 * sigma {
                break;
            }
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
        let mut weights = Gaussian::new(stamp.x0 + low as f64 - x, sigma);
        let [w0, w1, w2] = &mut self.columns;
        for i in low - self.first..high - self.first {
            let (d, w) = weights.next();
            w0[i] = w as f32;
            w1[i] = (w * d) as f32;
            w2[i] = (w * d * d) as f32;
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
            // The factor 2 undoes the window's pull for a star of the window's width. A step stays
            // within the star, and the last one is far below its error.
            let (dx, dy) = (2.0 * s.x / s.w, 2.0 * s.y / s.w);
            let limit = 0.5 * sigma.max(1.0);
            cx += dx.clamp(-limit, limit);
            cy += dy.clamp(-limit, limit);
            if (cx - x).powi(2) + (cy - y).powi(2) > reach * reach {
                return None;
            }
            if dx * dx + dy * dy < (2e-3 + 5e-4 * sigma).powi(2) {
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
            // The moments are known to 6 % at best where this is asked.
            if (next - width).abs() < 0.03 * width {
                break;
            }
            width = next;
        }
        shape
    }
}
