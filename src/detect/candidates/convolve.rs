//! Separable Gaussian convolution, the innermost loop of detection.

/// Values filtered side by side.
pub(super) const LANES: usize = 8;

/// One axis of the separable Gaussian kernel, scaled so that the filtered value at a star of
/// this shape is the star's summed value.
pub(super) struct Kernel {
    taps: Vec<f32>,
}

impl Kernel {
    /// Of standard deviation `sigma`, in the units of the plane, at most 4.
    pub fn gaussian(sigma: f32) -> Kernel {
        // Beyond lies 1 % of a Gaussian.
        let radius = (2.6 * sigma).ceil().max(1.0) as i32;
        let taps: Vec<f32> = (-radius..=radius)
            .map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp())
            .collect();
        let sum: f32 = taps.iter().sum();
        let square: f32 = taps.iter().map(|t| (t / sum).powi(2)).sum();
        Kernel {
            taps: taps.iter().map(|t| t / sum / square).collect(),
        }
    }

    /// Taps on either side of the middle.
    pub fn radius(&self) -> usize {
        self.taps.len() / 2
    }

    /// Noise of the filtered value for white noise of 1.
    pub fn noise(&self) -> f32 {
        self.taps.iter().map(|t| t * t).sum()
    }

    /// Convolves along one axis: `step` is the distance of neighbours in `from`, whose first value
    /// is the first neighbour of the first result. `out` takes whole groups of [`LANES`].
    pub fn convolve(&self, from: &[f32], step: usize, out: &mut [f32]) {
        let r = self.radius();
        ROW_FILTERS[r.clamp(1, ROW_FILTERS.len()) - 1](&self.taps[r..], from, step, out);
    }
}

/// See [`Kernel::convolve`]; `half` are the taps from the middle outward.
type RowFilter = fn(half: &[f32], from: &[f32], step: usize, out: &mut [f32]);

/// By radius, from 1 on: loops of known length are kept in registers and vectors.
const ROW_FILTERS: [RowFilter; 11] = [
    row_filter::<1>,
    row_filter::<2>,
    row_filter::<3>,
    row_filter::<4>,
    row_filter::<5>,
    row_filter::<6>,
    row_filter::<7>,
    row_filter::<8>,
    row_filter::<9>,
    row_filter::<10>,
    row_filter::<11>,
];

fn row_filter<const R: usize>(half: &[f32], from: &[f32], step: usize, out: &mut [f32]) {
    for (n, out) in out.as_chunks_mut::<LANES>().0.iter_mut().enumerate() {
        let eight = |k: usize| from[k * step + n * LANES..].first_chunk::<LANES>();
        let Some(middle) = eight(R) else { return };
        let mut sum = middle.map(|v| half[0] * v);
        for k in 1..=R {
            let (Some(a), Some(b)) = (eight(R - k), eight(R + k)) else {
                return;
            };
            for l in 0..LANES {
                sum[l] += half[k] * (a[l] + b[l]);
            }
        }
        *out = sum;
    }
}
