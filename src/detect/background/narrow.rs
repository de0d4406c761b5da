//! Takes points out of a plane, so that only what is wide is left in it: in coarser blocks a bright
//! star, a hot pixel or the track of a particle would pass for something wide.

use super::{CELL_PX, Mesh, draw};
use crate::detect::pixels::{Image, Pixel, Plane};
use rayon::prelude::*;

/// Blocks this many times the noise above the sky are looked at; noise alone makes one of 30,000 such.
const BRIGHT: f32 = 4.0;
/// Blocks on each side of one that its surroundings are taken from, every other one of them: points
/// of up to five blocks across are fewer than half of these 25, and leave their median alone.
const REACH: usize = 4;

/// The pixels of a frame without points, in frame units.
pub(crate) fn smooth<P: Pixel>(image: &Image<'_, P>) -> Plane {
    let (plane, saturation) = Plane::binned(image, 1);
    without(&plane, &draw::<P>(&plane, CELL_PX, saturation))
}

/// `plane`, in which every block that stands out of the median of its surroundings has that
/// median. The inside of a disc wider than the surroundings is its own median and stays.
pub(crate) fn without(plane: &Plane, mesh: &Mesh) -> Plane {
    let (width, height) = (plane.width, plane.height);
    let limit = BRIGHT * mesh.quiet_noise();
    let mut data = plane.data.clone();
    data.par_chunks_mut(width.max(1)).enumerate().for_each_init(
        || (Vec::new(), vec![0.0; width], Vec::new()),
        |(knots, level, near), (y, row)| {
            mesh.level_row(y, knots, level);
            for (x, v) in row.iter_mut().enumerate() {
                if !(*v - level[x] > limit) {
                    continue;
                }
                near.clear();
                let (from, to) = (x.saturating_sub(REACH), (x + REACH + 1).min(width));
                for j in (y.saturating_sub(REACH)..(y + REACH + 1).min(height)).step_by(2) {
                    let along = plane.data[j * width..][from..to].iter().step_by(2);
                    near.extend(along.filter(|v| v.is_finite()));
                }
                if near.is_empty() {
                    continue;
                }
                let middle = near.len() / 2;
                let median = *near.select_nth_unstable_by(middle, f32::total_cmp).1;
                if *v - median > limit {
                    *v = median;
                }
            }
        },
    );
    Plane { data, ..*plane }
}
