//! Codes that the index leaves out, drawn from its stars.
//!
//! The stars of a tile are projected on the plane that touches the sphere at the first of them, once;
//! those of a group then on the one that touches at the mean of the group, where the shapes of its
//! quads are read off. The codes of [`quad`](crate::quad) are those of the plane that touches at the
//! mean of the four stars, in double precision; these differ by a step at most where groups are two
//! degrees wide. Four basic operations and square roots, in a fixed order: the same codes on every
//! system.

use crate::groups::{Group, Groups};
use crate::layout::{CODE_BYTES, GROUP_CELLS, GROUP_STARS, groups_of_depth};
use crate::quad::pack_steps;
use crate::star::StarRecord;
use std::sync::OnceLock;

/// Quads worked on side by side, so that the compiler can take several at once.
const LANES: usize = 64;

type Point = [f32; 2];

/// Where the stars of one tile lie on the plane that touches the sphere at the first of them.
#[derive(Default)]
pub(crate) struct Places {
    axes: Option<Axes>,
    points: Vec<Point>,
}

impl Places {
    /// Adds a star; `None` where it is farther than 60 deg from the first one.
    #[inline]
    pub fn push(&mut self, star: &StarRecord) -> Option<()> {
        let axes = self.axes.get_or_insert_with(|| Axes::at(star.vector()));
        self.points.push(axes.project(star.direction())?);
        Some(())
    }
}

/// Codes of the quads of all groups, [`CODE_BYTES`] each; `None` where a group names a star that is
/// not there, or where there are fewer quads.
pub(crate) fn codes(groups: Groups<'_>, places: &Places, quads: usize) -> Option<Vec<u8>> {
    let mut codes = vec![0; CODE_BYTES * quads];
    let mut rest = &mut codes[..];
    let mut batch = Batch {
        points: [[[0.0; 2]; LANES]; 4],
        length: 0,
    };
    for group in groups {
        // A group has fewer quads than there are lanes.
        if batch.length + group.len() > LANES {
            rest = batch.write_to(rest)?;
        }
        let points = about_their_mean(&group, &places.points)?;
        group.each_quad(|quad| {
            let lane = batch.length % LANES;
            for (points_of, place) in batch.points.iter_mut().zip(quad) {
                points_of[lane] = points[place];
            }
            batch.length += 1;
        });
    }
    batch.write_to(rest)?.is_empty().then_some(codes)
}

/// Three axes, the first towards the middle of a plane.
struct Axes([[f64; 3]; 3]);

impl Axes {
    fn at(middle: [f64; 3]) -> Axes {
        let cross = |a: [f64; 3], b: [f64; 3]| {
            [
                a[1] * b[2] - a[2] * b[1],
                a[2] * b[0] - a[0] * b[2],
                a[0] * b[1] - a[1] * b[0],
            ]
        };
        let helper = if middle[2].abs() < 0.9 {
            [0.0, 0.0, 1.0]
        } else {
            [1.0, 0.0, 0.0]
        };
        let right = cross(helper, middle);
        let length = (right[0] * right[0] + right[1] * right[1] + right[2] * right[2]).sqrt();
        let right = right.map(|c| c / length);
        Axes([middle, right, cross(middle, right)])
    }

    #[inline(always)]
    fn project(&self, direction: [f64; 3]) -> Option<Point> {
        let [middle, right, up] = &self.0;
        let along = |axis: &[f64; 3]| {
            axis[0] * direction[0] + axis[1] * direction[1] + axis[2] * direction[2]
        };
        let depth = along(middle);
        let over_depth = 1.0 / depth;
        // A direction is 0.57 to 1 long.
        (depth > 0.5).then_some([
            (along(right) * over_depth) as f32,
            (along(up) * over_depth) as f32,
        ])
    }
}

/// The stars of a group on the plane that touches at their mean, up to a turn and a scale; zeros
/// for those that it has not.
#[inline]
fn about_their_mean(group: &Group<'_>, places: &[Point]) -> Option<[Point; GROUP_STARS]> {
    let mut points = [[0.0; 2]; GROUP_STARS];
    for (point, &star) in points.iter_mut().zip(group.stars) {
        *point = *places.get(usize::from(star))?;
    }
    let [mut a, mut b] = [0.0; 2];
    for [x, y] in points {
        a += x;
        b += y;
    }
    let share = 1.0 / group.stars.len() as f32;
    (a, b) = (a * share, b * share);
    // With p = (a, b, 1) towards the mean, w = (x, y, 1) towards a star, and the axes
    // e = (1, 0, -a) and n = p x e: the star lies at (w.e, w.n / |p|) / w.p, |e| times as far out.
    let along = 1.0 + a * a;
    let over_length = 1.0 / (along + b * b).sqrt();
    let (straight, skew) = (along * over_length, a * b * over_length);
    for point in &mut points {
        let [x, y] = *point;
        let over_depth = 1.0 / (1.0 + a * x + b * y);
        let (x, y) = (x - a, y - b);
        *point = [x * over_depth, (straight * y - skew * x) * over_depth];
    }
    Some(points)
}

/// Quads waiting for their codes: places of A, of B, of C and of D.
struct Batch {
    points: [[Point; LANES]; 4],
    length: usize,
}

impl Batch {
    /// Writes the codes to the beginning of `place`; what is left of it, `None` where it is too short.
    fn write_to<'a>(&mut self, place: &'a mut [u8]) -> Option<&'a mut [u8]> {
        let (here, rest) = place.split_at_mut_checked(CODE_BYTES * self.length)?;
        let codes = self.codes();
        for (place, code) in here.chunks_exact_mut(CODE_BYTES).zip(codes) {
            place.copy_from_slice(&code.to_le_bytes()[..CODE_BYTES]);
        }
        self.length = 0;
        Some(rest)
    }

    /// Codes of all lanes, whatever is in them: without a branch, so that the compiler takes four
    /// lanes and more at once. Spelt out, since it does not see through loops over two numbers.
    #[inline(never)]
    fn codes(&self) -> [u64; LANES] {
        let mut codes = [0; LANES];
        let [all_a, all_b, all_c, all_d] = &self.points;
        for lane in 0..LANES {
            let [ax, ay] = all_a[lane];
            let [bx, by] = all_b[lane];
            let [cx, cy] = all_c[lane];
            let [dx, dy] = all_d[lane];
            let (bx, by) = (bx - ax, by - ay);
            let (cx, cy) = (cx - ax, cy - ay);
            let (dx, dy) = (dx - ax, dy - ay);
            let over_norm = 1.0 / (bx * bx + by * by);
            codes[lane] = pack_steps(
                (cx * bx + cy * by) * over_norm,
                (cy * bx - cx * by) * over_norm,
                (dx * bx + dy * by) * over_norm,
                (dy * bx - dx * by) * over_norm,
            );
        }
        codes
    }
}

/// Codes drawn so far, by band, group and tile: a second look at a tile costs no more than reading.
#[derive(Debug, Default)]
pub(crate) struct Drawn(Vec<Vec<OnceLock<OfGroup>>>);

/// Codes of each tile of a group.
type OfGroup = Box<[OnceLock<Vec<u8>>]>;

impl Drawn {
    /// For bands with tiles of these depths.
    pub fn new(depths: impl Iterator<Item = u8>) -> Drawn {
        let of_band = |depth| {
            (0..groups_of_depth(depth))
                .map(|_| OnceLock::new())
                .collect()
        };
        Drawn(depths.map(of_band).collect())
    }

    /// Where the codes of a tile are kept; `None` for a tile that cannot be.
    pub fn of(&self, band: usize, tile: u64) -> Option<&OnceLock<Vec<u8>>> {
        let group = self.0.get(band)?.get(tile as usize / GROUP_CELLS)?;
        let tiles = group.get_or_init(|| (0..GROUP_CELLS).map(|_| OnceLock::new()).collect());
        tiles.get(tile as usize % GROUP_CELLS)
    }
}
