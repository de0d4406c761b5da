//! Quads of the frame: which four detections are combined, their codes and how far those may be
//! off. [`table`] makes them searchable.

mod table;

pub use table::QuadTable;

use crate::detect::Detection;
use crate::projection::Projection;
use star_index::quad::{Code, OrderedCode, all_within, mirrored, on_tangent_plane};

/// A quad of the frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameQuad {
    /// Its code, as the sky shows it if the frame is mirrored or not, see `mirrored`.
    pub code: Code,
    /// How far each number may be off.
    pub radius: f32,
    /// Numbers of the detections that are A, B, C, D.
    pub detections: [u16; 4],
    /// Length of AB, radians, under the lens assumed; for [`Lens::Flat`] in pixels.
    pub length: f32,
    /// The frame's y axis is taken to be turned over: only then is the pixel plane right-handed
    /// seen from outside the celestial sphere.
    pub flipped: bool,
}

/// How pixels are turned into directions before the shape of a quad is taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Lens {
    /// Small fields: the pixel plane is the tangent plane of any quad, whatever the scale.
    Flat,
    /// Wide fields: a camera of this focal length in pixels, which may be wrong by the relative
    /// `error`.
    Wide {
        /// How it lays out directions.
        projection: Projection,
        /// Focal length, pixels.
        focal_px: f64,
        /// Largest relative error of `focal_px` that still has to work.
        error: f64,
    },
}

/// Errors of positions that a quad must bear.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// Largest plausible centroid and catalogue error, pixels.
    pub position_px: f64,
    /// Relative distortion of shapes that no lens model here describes.
    pub distortion: f64,
    /// A quad whose numbers may be off by more than this says too little.
    pub largest_radius: f64,
}

/// A code number is a difference of positions in units of AB, and AB itself is uncertain: the
/// error of one number is about 1.2 times the position error over AB for points inside the quad
/// (first-order propagation of `(c - a) / (b - a)` with |z| = |1 - z| = 0.7).
pub const CODE_ERROR_PER_POSITION_ERROR: f64 = 1.2;

/// Collects quads of detections under one lens.
pub struct QuadMaker<'a> {
    stars: &'a [Detection],
    centre_px: [f64; 2],
    lens: Lens,
    tolerance: Tolerance,
    quads: Vec<FrameQuad>,
}

impl<'a> QuadMaker<'a> {
    /// For detections `stars` of a frame of `width` x `height` pixels.
    pub fn new(
        stars: &'a [Detection],
        [width, height]: [usize; 2],
        lens: Lens,
        tolerance: Tolerance,
    ) -> QuadMaker<'a> {
        let centre_px = [(width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0];
        QuadMaker {
            stars,
            centre_px,
            lens,
            tolerance,
            quads: Vec::new(),
        }
    }

    /// All quads of the first `count` detections but those of the first `done`.
    pub fn all_of_first(mut self, count: usize, done: usize) -> Self {
        let n = count.min(self.stars.len());
        for d in done.max(3)..n {
            for c in 2..d {
                for b in 1..c {
                    for a in 0..b {
                        self.add([a, b, c, d]);
                    }
                }
            }
        }
        self
    }

    /// Quads of each of the first `count` detections with its `neighbours` nearest among them,
    /// leaving out those of the first `done` only, which `all_of_first` gives.
    pub fn neighbours_of_first(mut self, count: usize, neighbours: usize, done: usize) -> Self {
        let n = count.min(self.stars.len());
        let mut sets = Vec::new();
        for i in 0..n {
            let at = |k: usize| (self.stars[k].x_px, self.stars[k].y_px);
            let (x, y) = at(i);
            let mut near: Vec<(f64, usize)> = (0..n)
                .filter(|&k| k != i)
                .map(|k| ((at(k).0 - x).powi(2) + (at(k).1 - y).powi(2), k))
                .collect();
            near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            near.truncate(neighbours);
            for a in 0..near.len() {
                for b in a + 1..near.len() {
                    for c in b + 1..near.len() {
                        let mut set = [i, near[a].1, near[b].1, near[c].1];
                        set.sort_unstable();
                        if set[3] >= done {
                            sets.push(set);
                        }
                    }
                }
            }
        }
        sets.sort_unstable();
        sets.dedup();
        for set in sets {
            self.add(set);
        }
        self
    }

    /// The quads collected.
    pub fn finish(self) -> Vec<FrameQuad> {
        self.quads
    }

    fn add(&mut self, set: [usize; 4]) {
        let Some((points, stretch, px_per_unit)) = self.on_plane(set) else {
            return;
        };
        let position = self.tolerance.position_px / px_per_unit;
        let mut longest2 = 0.0_f64;
        for i in 1..4 {
            for j in 0..i {
                let (dx, dy) = (points[i][0] - points[j][0], points[i][1] - points[j][1]);
                longest2 = longest2.max(dx * dx + dy * dy);
            }
        }
        let radius = CODE_ERROR_PER_POSITION_ERROR * position / longest2.sqrt()
            + self.tolerance.distortion
            + stretch;
        if !(radius <= self.tolerance.largest_radius) {
            return;
        }
        let quads = &mut self.quads;
        all_within(
            &points,
            radius,
            |OrderedCode {
                 code,
                 order,
                 length,
             }| {
                for flip in [false, true] {
                    quads.push(FrameQuad {
                        code: if flip { mirrored(code) } else { code },
                        radius: radius as f32,
                        detections: order.map(|k| set[k] as u16),
                        length: length as f32,
                        flipped: flip,
                    });
                }
            },
        );
    }

    /// The four points on the tangent plane of the quad, the error of their shape that comes
    /// from an uncertain lens, and pixels per unit of the plane.
    fn on_plane(&self, set: [usize; 4]) -> Option<([[f64; 2]; 4], f64, f64)> {
        let offset = set.map(|i| {
            let star = &self.stars[i];
            [star.x_px - self.centre_px[0], star.y_px - self.centre_px[1]]
        });
        match self.lens {
            Lens::Flat => Some((offset, 0.0, 1.0)),
            Lens::Wide {
                projection,
                focal_px,
                error,
            } => {
                let unit = |[x, y]: [f64; 2]| [x / focal_px, y / focal_px];
                let vectors = offset.map(|place| projection.direction(unit(place)));
                let points = on_tangent_plane(vectors)?;
                let mean = offset
                    .iter()
                    .fold([0.0, 0.0], |m, o| [m[0] + o[0] / 4.0, m[1] + o[1] / 4.0]);
                // Radial over tangential scale changes with the focal length.
                let bending = projection.bending(mean[0].hypot(mean[1]) / focal_px).abs();
                Some((points, 0.5 * bending * error, focal_px))
            }
        }
    }
}
