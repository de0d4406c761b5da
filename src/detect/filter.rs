//! Matched filter and its local maxima.

use super::convolve::{Kernel, LANES};
use super::mesh::{Mesh, clipped, median3, sample_cell};
use super::plane::{Blocks, Pixel};
use rayon::prelude::*;

/// Least ratio of a filtered maximum to the noise of the filtered plane. At 4.5 sigma a
/// megapixel of pure noise yields a handful of maxima.
pub(super) const THRESHOLD: f32 = 4.5;

/// A local maximum of the filtered plane.
#[derive(Debug, Clone, Copy)]
pub(super) struct Candidate {
    /// Position, full-resolution pixels of the frame.
    pub x_px: f64,
    /// See `x_px`.
    pub y_px: f64,
    /// Flux of a star of the kernel's shape, frame units.
    pub flux: f32,
    /// Noise of that flux.
    pub flux_noise: f32,
}

/// How the filtered plane bends at a maximum, per unit of its value.
#[derive(Debug, Clone, Copy)]
struct Bend {
    /// Along the direction in which it falls most steeply, and across it.
    most: f32,
    least: f32,
}

impl Bend {
    /// From the values left and right, above and below, and at the four corners.
    fn new(v: f32, rows: [&[f32]; 3]) -> Bend {
        let [a, h, b] = rows;
        let (xx, yy) = (2.0 * v - h[0] - h[2], 2.0 * v - a[1] - b[1]);
        let xy = 0.25 * (a[0] + b[2] - a[2] - b[0]);
        let (mean, root) = (0.5 * (xx + yy), (0.25 * (xx - yy).powi(2) + xy * xy).sqrt());
        Bend {
            most: (mean + root) / v,
            least: (mean - root) / v,
        }
    }

    fn mean(self) -> f32 {
        0.5 * (self.most + self.least)
    }
}

/// Maxima of one strip, and the noise of its cells.
struct Strip {
    noise: Vec<f32>,
    peaks: Vec<Peak>,
}

struct Peak {
    x: f32,
    y: f32,
    value: f32,
    bend: Bend,
    cell: usize,
}

/// What maxima are left out.
pub(super) struct Terms {
    /// From this value on a pixel is saturated.
    pub saturation: f32,
    /// The kernel fits the stars: what is sharper than a star is left out.
    pub psf_known: bool,
    /// Stars may be as sharp as hot pixels.
    pub single_pixels: bool,
    /// The frame is a picture: what was drawn on it is left out.
    pub picture: bool,
}

/// Filters `plane` with a Gaussian of `sigma` plane pixels and returns the maxima above the
/// threshold, in stored order.
pub(super) fn candidates<P: Pixel>(
    plane: &Blocks<'_, P>,
    mesh: &Mesh,
    sigma: f32,
    terms: &Terms,
) -> Vec<Candidate> {
    let &Terms {
        saturation,
        psf_known,
        single_pixels,
        picture,
    } = terms;
    let kernel = Kernel::gaussian(sigma);
    let strips: Vec<Strip> = (0..mesh.rows)
        .into_par_iter()
        .map_init(Buffers::default, |buffers, j| {
            strip(plane, mesh, &kernel, j, psf_known, buffers)
        })
        .collect();
    let raw: Vec<f32> = strips
        .iter()
        .flat_map(|s| s.noise.iter().copied())
        .collect();
    let noise = median3(&raw, mesh.cols, mesh.rows);
    let area = (plane.bin * plane.bin) as f32;
    let calm = if picture { calm(&noise) } else { 0.0 };
    let peaks: Vec<(Peak, f32)> = strips
        .into_iter()
        .flat_map(|s| s.peaks)
        .map(|p| {
            let snr = p.value / noise[p.cell];
            (p, snr)
        })
        .filter(|(p, snr)| *snr >= THRESHOLD && noise[p.cell] >= calm)
        .collect();
    let shape = Shape::of(&peaks, sigma, psf_known && !single_pixels);
    peaks
        .iter()
        .filter(|(p, snr)| {
            // A saturated core with its blooming is judged by its outline.
            plane.highest_near(p.x, p.y) >= saturation || !shape.is_defect(p.bend, *snr)
        })
        .map(|(p, _)| Candidate {
            x_px: plane.to_frame(f64::from(p.x)),
            y_px: plane.to_frame(f64::from(p.y)),
            flux: p.value * area,
            flux_noise: noise[p.cell] * area,
        })
        .collect()
}

/// Cells with less noise than this are bars and captions on the picture of a sky: drawn, and without
/// noise of their own. They take a small part of it; where much is that calm, it is sky that lossy
/// compression has smoothed.
fn calm(noise: &[f32]) -> f32 {
    const SHARE_OF_SKY: f32 = 0.2;
    const MOST_DRAWN: f64 = 0.15;
    let mut sorted = noise.to_vec();
    sorted.sort_unstable_by(f32::total_cmp);
    let limit = SHARE_OF_SKY * sorted.get(sorted.len() * 3 / 4).copied().unwrap_or(0.0);
    let drawn = sorted.partition_point(|n| *n < limit);
    if drawn as f64 <= MOST_DRAWN * sorted.len() as f64 {
        limit
    } else {
        0.0
    }
}

/// How stars and defects bend in the filtered plane.
///
/// A star of variance s^2 seen through a kernel of s^2 becomes a Gaussian of 2 s^2; a single hot
/// value becomes the kernel itself and bends twice as much. A line does not bend along itself.
struct Shape {
    /// Mean bend of a star, and of a single value (infinite: not known yet).
    star: f32,
    single: f32,
    /// Least over most bend of the roundest images of this plane.
    roundness: f32,
}

impl Shape {
    fn of(peaks: &[(Peak, f32)], sigma: f32, singles_are_none: bool) -> Shape {
        let bend = |variance: f32| 2.0 - 2.0 * (-0.5 / variance).exp();
        let (star, single) = (bend(2.0 * sigma * sigma), bend(sigma * sigma));
        let clear = |most: f32| -> Vec<f32> {
            let peaks = peaks
                .iter()
                .filter(|(p, snr)| *snr > SNR_FOR_LINES && p.bend.mean() < most);
            peaks
                .map(|(p, _)| p.bend.least / p.bend.most.max(1e-6))
                .collect()
        };
        // Hot pixels are round, and tell nothing of stars that may be drawn out.
        let mut round = clear(star + SHARP * (single - star));
        if round.len() < FEW {
            round = clear(f32::MAX);
        }
        round.sort_unstable_by(f32::total_cmp);
        Shape {
            star,
            single: if singles_are_none {
                single
            } else {
                f32::INFINITY
            },
            // Lines may outnumber stars ninefold before this follows them; where tracking
            // drifts, all stars are lines, and none is dropped.
            roundness: round.get(round.len() * 9 / 10).copied().unwrap_or(0.0),
        }
    }

    /// A hot pixel or cosmic ray, a trail, a bad row or column.
    fn is_defect(&self, bend: Bend, snr: f32) -> bool {
        let sharp =
            snr > SNR_FOR_SHARPNESS && bend.mean() > self.star + SHARP * (self.single - self.star);
        // Broad tops (saturated stars) bend little and say nothing.
        let line = snr > SNR_FOR_LINES
            && bend.most > 0.4 * self.star
            && bend.least < 0.3 * self.roundness * bend.most;
        sharp || line
    }
}

/// Beyond this part of the way from a star's bend to that of a single value it is one.
const SHARP: f32 = 0.62;
/// Fewer peaks tell nothing.
const FEW: usize = 8;
/// From these ratios to the noise on, the bends are known to a fifth of what is decided on.
const SNR_FOR_SHARPNESS: f32 = 9.0;
const SNR_FOR_LINES: f32 = 12.0;

#[derive(Default)]
struct Buffers {
    knots: Vec<f32>,
    row: Vec<f32>,
    between: Vec<f32>,
    padded: Vec<f32>,
    across: Vec<f32>,
    filtered: Vec<f32>,
    sample: Vec<f32>,
}

/// Filters the rows of mesh row `j` and one more on either side, and finds their maxima. The
/// noise of the filtered plane is measured, or for a first look taken from the mesh.
fn strip<P: Pixel>(
    plane: &Blocks<'_, P>,
    mesh: &Mesh,
    kernel: &Kernel,
    j: usize,
    measure_noise: bool,
    b: &mut Buffers,
) -> Strip {
    let rows = mesh.row_range(j);
    let (first, last) = (
        rows.start.saturating_sub(1),
        (rows.end + 1).min(plane.height),
    );
    let w = filter_rows(plane, mesh, kernel, first..last, b);
    let mut noise = Vec::with_capacity(mesh.cols);
    for i in 0..mesh.cols {
        let least = mesh.noise[j * mesh.cols + i] * kernel.noise();
        if !measure_noise {
            noise.push(least);
            continue;
        }
        b.sample.clear();
        let inner = rows.start - first..rows.end - first;
        sample_cell(&b.filtered, w, mesh.col_range(i), inner, 150, &mut b.sample);
        let measured = clipped(&b.sample, 0.5 * least);
        noise.push(measured.map_or(least, |c| c.1.max(0.8 * least)));
    }
    let mut peaks = Vec::new();
    for y in rows.start.max(first + 1)..rows.end.min(last.saturating_sub(1)) {
        for i in 0..mesh.cols {
            // The final threshold comes from the smoothed noise; this one only saves work.
            let near = &noise[i.saturating_sub(1)..(i + 2).min(mesh.cols)];
            let least = near.iter().copied().fold(f32::MAX, f32::min) * THRESHOLD * 0.6;
            let xs = mesh.col_range(i);
            let xs = xs.start.max(1)..xs.end.min(plane.width - 1);
            maxima_in_row(
                &b.filtered,
                w,
                y - first,
                xs,
                least,
                |x, value, dx, dy, bend| {
                    peaks.push(Peak {
                        x: x as f32 + dx,
                        y: y as f32 + dy,
                        value,
                        bend,
                        cell: j * mesh.cols + i,
                    });
                },
            );
        }
    }
    Strip { noise, peaks }
}

/// Subtracts the background and convolves, for plane rows `rows`; blank pixels count as sky, and
/// so does what lies outside. Returns how many values a row of `b.filtered` takes.
fn filter_rows<P: Pixel>(
    plane: &Blocks<'_, P>,
    mesh: &Mesh,
    kernel: &Kernel,
    rows: std::ops::Range<usize>,
    b: &mut Buffers,
) -> usize {
    let (w, r) = (plane.width, kernel.radius());
    let stride = w.next_multiple_of(LANES);
    b.padded.clear();
    b.padded.resize(stride + 2 * r, 0.0);
    b.row.resize(w, 0.0);
    b.across.resize((rows.len() + 2 * r) * stride, 0.0);
    for (k, out) in b.across.chunks_exact_mut(stride).enumerate() {
        let Some(y) = (rows.start + k)
            .checked_sub(r)
            .filter(|y| *y < plane.height)
        else {
            out.fill(0.0);
            continue;
        };
        let inner = &mut b.padded[r..r + w];
        mesh.level_row(y, &mut b.knots, inner);
        plane.row(y, &mut b.row, &mut b.between);
        for (v, p) in inner.iter_mut().zip(&b.row) {
            let d = p - *v;
            *v = if d.abs() < f32::INFINITY { d } else { 0.0 };
        }
        kernel.convolve(&b.padded, 1, out);
    }
    b.filtered.resize(rows.len() * stride, 0.0);
    for (k, out) in b.filtered.chunks_exact_mut(stride).enumerate() {
        let rows = &b.across[k * stride..(k + 2 * r + 1) * stride];
        kernel.convolve(rows, stride, out);
    }
    stride
}

/// Calls `found` with (x, value, dx, dy, bend) for each local maximum above `least`.
fn maxima_in_row(
    f: &[f32],
    w: usize,
    row: usize,
    xs: std::ops::Range<usize>,
    least: f32,
    mut found: impl FnMut(usize, f32, f32, f32, Bend),
) {
    let here = &f[row * w..(row + 1) * w];
    let (above, below) = (&f[(row - 1) * w..row * w], &f[(row + 1) * w..(row + 2) * w]);
    let mut check = |x: usize| {
        let v = here[x];
        if v < least || v <= here[x - 1] || v < here[x + 1] {
            return;
        }
        // Of equal neighbours the first in stored order wins.
        let first = above[x - 1..=x + 1].iter().all(|u| v > *u);
        if first && below[x - 1..=x + 1].iter().all(|u| v >= *u) {
            let dx = vertex(here[x - 1], v, here[x + 1]);
            let dy = vertex(above[x], v, below[x]);
            let rows = [above, here, below].map(|row| &row[x - 1..=x + 1]);
            found(x, v, dx, dy, Bend::new(v, rows));
        }
    };
    // Most of the sky, and most of the stars, is passed over eight at a time.
    let mut x = xs.start;
    while x + LANES <= xs.end {
        let eight = |row: &[f32], x: usize| row[x..].first_chunk::<LANES>().copied();
        if let (Some(v), Some(left), Some(right), Some(up), Some(down)) = (
            eight(here, x),
            eight(here, x - 1),
            eight(here, x + 1),
            eight(above, x),
            eight(below, x),
        ) {
            let mut any = 0;
            for k in 0..LANES {
                let sides = (v[k] > left[k]) & (v[k] >= right[k]);
                let ends = (v[k] > up[k]) & (v[k] >= down[k]);
                any |= u32::from((v[k] >= least) & sides & ends);
            }
            if any > 0 {
                (x..x + LANES).for_each(&mut check);
            }
        }
        x += LANES;
    }
    (x..xs.end).for_each(check);
}

/// Where the parabola through three equidistant values has its vertex, within half a step.
fn vertex(before: f32, at: f32, after: f32) -> f32 {
    let bend = 2.0 * at - before - after;
    if bend > 0.0 {
        (0.5 * (after - before) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}
