//! Connected areas brighter than the sky, with their size and direction.

use crate::detect::background::{Mesh, neighbours};
use crate::detect::measure::Shape;
use crate::detect::pixels::Plane;

/// A block belongs to an object where the mean of it and its eight neighbours stands this many
/// times its own noise above the sky.
const THRESHOLD: f32 = 4.0;
/// Fewer blocks than this are noise or a hot pixel.
const LEAST_AREA: usize = 6;
/// Most objects handed on.
const MOST: usize = 200;

/// One connected area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Object {
    /// Extent along its long axis, frame pixels: that of a uniform bar with the same moments.
    pub length_px: f64,
    /// Extent across, likewise.
    pub width_px: f64,
    /// Direction of the long axis, from the first pixel axis towards the second, radians,
    /// within half a turn.
    pub angle_rad: f64,
    /// Light above the sky, frame units times frame pixels.
    pub flux: f64,
    /// Mean brightness above the sky in units of the noise of a block.
    pub contrast: f64,
    /// Its brightest block, less three times the noise of one, over its mean: 1 for an even disc, 1.5
    /// for a ring, ln(P / T) / (1 - T / P) for a Gaussian star that is P high and seen down to T.
    pub peaked: f64,
    /// It touches an edge of the frame, which may have cut it.
    pub touches: bool,
    /// It touches two opposite edges of the frame: a bad column, or what crosses it.
    pub crosses: bool,
    /// Frame pixels per side of the blocks in which it was seen.
    pub block_px: f64,
}

impl Object {
    /// No larger than what one bright block leaves behind the 3 x 3 mean: a hot pixel or a star,
    /// whose shape is not seen.
    pub fn is_point(&self) -> bool {
        self.length_px < POINT_BLOCKS * self.block_px
    }

    /// No wider than that: its own width is not seen.
    pub fn is_thin(&self) -> bool {
        self.width_px < POINT_BLOCKS * self.block_px
    }
}

/// Three blocks and a corner more.
const POINT_BLOCKS: f64 = 3.5;

/// Finds the objects of `plane`, most light first.
pub(super) fn find(plane: &Plane, mesh: &Mesh) -> Vec<Object> {
    let (width, height) = (plane.width, plane.height);
    let mut above = mesh.taken_off(plane);
    // Blank blocks.
    above
        .iter_mut()
        .filter(|v| !v.is_finite())
        .for_each(|v| *v = 0.0);
    let noise = mesh.quiet_noise();
    let mut bright = threshold(&above, noise, width, height);
    let mut stack = Vec::new();
    let mut objects = Vec::new();
    for start in 0..bright.len() {
        if !bright[start] {
            continue;
        }
        let mut sums = Sums::default();
        bright[start] = false;
        stack.push(start);
        while let Some(k) = stack.pop() {
            sums.add(k % width, k / width, above[k]);
            let near = neighbours(k, width, height);
            stack.extend(near.filter(|n| std::mem::take(&mut bright[*n])));
        }
        if sums.area >= LEAST_AREA {
            objects.push(sums.object(plane, noise));
        }
    }
    objects.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    objects.truncate(MOST);
    objects
}

/// Which blocks stand out of the noise, seen through a 3 x 3 mean.
fn threshold(above: &[f32], noise: f32, width: usize, height: usize) -> Vec<bool> {
    // The mean of nine has a third of the noise.
    let limit = THRESHOLD / 3.0 * noise;
    let sum = |k| neighbours(k, width, height).map(|n| above[n]).sum::<f32>();
    (0..above.len()).map(|k| sum(k) > 9.0 * limit).collect()
}

/// Moments of an area, every block with the same weight: what matters is the outline.
#[derive(Default)]
struct Sums {
    area: usize,
    x: f64,
    y: f64,
    xx: f64,
    yy: f64,
    xy: f64,
    flux: f64,
    highest: f32,
    low: Option<[usize; 2]>,
    high: [usize; 2],
}

impl Sums {
    fn add(&mut self, i: usize, j: usize, value: f32) {
        let (x, y) = (i as f64, j as f64);
        self.area += 1;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.yy += y * y;
        self.xy += x * y;
        self.flux += f64::from(value);
        self.highest = self.highest.max(value);
        let low = self.low.get_or_insert([i, j]);
        *low = [low[0].min(i), low[1].min(j)];
        self.high = [self.high[0].max(i), self.high[1].max(j)];
    }

    fn object(&self, plane: &Plane, noise: f32) -> Object {
        let n = self.area as f64;
        let (x, y) = (self.x / n, self.y / n);
        // 1/12: variance of a block, which a bar of one block has too.
        let xx = self.xx / n - x * x + 1.0 / 12.0;
        let yy = self.yy / n - y * y + 1.0 / 12.0;
        let xy = self.xy / n - x * y;
        let shape = Shape {
            xx,
            yy,
            xy,
            sum: self.flux,
        };
        let (long, short) = shape.axes();
        // A uniform bar of length L has the variance L^2 / 12.
        let extent = |variance: f64| (12.0 * variance.max(0.0)).sqrt() * plane.bin as f64;
        let low = self.low.unwrap_or_default();
        let ends = [plane.width - 1, plane.height - 1];
        let touches = |axis: usize| [low[axis] == 0, self.high[axis] == ends[axis]];
        Object {
            length_px: extent(long),
            width_px: extent(short),
            angle_rad: shape.angle(),
            flux: self.flux * (plane.bin * plane.bin) as f64,
            contrast: self.flux / n / f64::from(noise),
            peaked: f64::from(self.highest - 3.0 * noise) * n / self.flux,
            touches: (0..2).any(|axis| touches(axis).contains(&true)),
            crosses: (0..2).any(|axis| touches(axis) == [true, true]),
            block_px: plane.bin as f64,
        }
    }
}
