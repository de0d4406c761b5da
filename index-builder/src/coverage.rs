//! How many fields of a given width can an index recognise? Monte Carlo over the sky.

use rayon::prelude::*;
use star_index::StarRecord;
use star_index::layout::cells_of_depth;
use star_index::write::{BandContents, cell_of};

/// Result for one field width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coverage {
    /// Width of the 3:2 windows, degrees.
    pub width_deg: f64,
    /// Windows tried.
    pub windows: usize,
    /// Windows that hold six stars or more.
    pub counted: usize,
    /// Of those, the windows with at least one, two and five quads entirely inside.
    pub with_quads: [usize; 3],
}

/// A window on the sky: its centre and axes, and the tangents of its half sides.
struct Window {
    centre: [f64; 3],
    right: [f64; 3],
    up: [f64; 3],
    half: [f64; 2],
    radius_rad: f64,
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// A small fixed generator (SplitMix64; Steele, Lea & Flood 2014): the same windows every time.
struct Random(u64);

impl Random {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

impl Window {
    fn random(width_deg: f64, random: &mut Random) -> Window {
        let z = 2.0 * random.unit() - 1.0;
        let (sin, cos) = (std::f64::consts::TAU * random.unit()).sin_cos();
        let across = (1.0 - z * z).sqrt();
        let centre = [across * cos, across * sin, z];
        let east = [-sin, cos, 0.0];
        let north = [-z * cos, -z * sin, across];
        let (s, c) = (std::f64::consts::TAU * random.unit()).sin_cos();
        let half_width = (0.5 * width_deg.to_radians()).tan();
        let half = [half_width, half_width / 1.5];
        Window {
            centre,
            right: std::array::from_fn(|i| c * east[i] + s * north[i]),
            up: std::array::from_fn(|i| c * north[i] - s * east[i]),
            half,
            radius_rad: half[0].hypot(half[1]).atan(),
        }
    }

    fn holds(&self, v: [f64; 3]) -> bool {
        let depth = dot(v, self.centre);
        depth > 0.0
            && dot(v, self.right).abs() <= self.half[0] * depth
            && dot(v, self.up).abs() <= self.half[1] * depth
    }

    fn cells(&self, depth: u8) -> Vec<u64> {
        let [x, y, z] = self.centre;
        let (lon, lat) = (y.atan2(x), z.atan2(x.hypot(y)));
        cdshealpix::nested::cone_coverage_approx(depth, lon, lat, self.radius_rad)
            .flat_iter()
            .collect()
    }
}

/// Stars in buckets by cell, for counting those in a window.
struct Buckets {
    depth: u8,
    starts: Vec<u32>,
    vectors: Vec<[f64; 3]>,
}

impl Buckets {
    fn new(records: &[StarRecord], depth: u8) -> Buckets {
        let mut keyed: Vec<(u64, [f64; 3])> = records
            .par_iter()
            .map(|r| (cell_of(r.vector(), depth), r.vector()))
            .collect();
        keyed.par_sort_unstable_by_key(|k| k.0);
        let mut starts = vec![0_u32; cells_of_depth(depth) + 1];
        for (cell, _) in &keyed {
            starts[*cell as usize + 1] += 1;
        }
        for i in 1..starts.len() {
            starts[i] += starts[i - 1];
        }
        Buckets {
            depth,
            starts,
            vectors: keyed.into_iter().map(|k| k.1).collect(),
        }
    }

    /// True where at least `enough` stars lie in the window.
    fn at_least(&self, enough: usize, window: &Window) -> bool {
        let mut inside = 0;
        for cell in window.cells(self.depth) {
            let (start, end) = (self.starts[cell as usize], self.starts[cell as usize + 1]);
            for &v in &self.vectors[start as usize..end as usize] {
                inside += usize::from(window.holds(v));
                if inside >= enough {
                    return true;
                }
            }
        }
        false
    }
}

/// Numbers of quads, at most five, that lie entirely in the window.
fn quads_inside(records: &[StarRecord], bands: &[BandContents], window: &Window) -> usize {
    let mut inside = 0;
    for band in bands {
        for tile in window.cells(band.depth) {
            for quad in &band.tiles[tile as usize] {
                if quad
                    .stars
                    .iter()
                    .all(|&s| window.holds(records[s as usize].vector()))
                {
                    inside += 1;
                    if inside == 5 {
                        return inside;
                    }
                }
            }
        }
    }
    inside
}

/// Tries `windows` random windows of each width.
pub fn measure(
    records: &[StarRecord],
    bands: &[BandContents],
    widths_deg: &[f64],
    windows: usize,
) -> Vec<Coverage> {
    let buckets = Buckets::new(records, 7);
    widths_deg
        .iter()
        .map(|&width_deg| {
            let results: Vec<Option<usize>> = (0..windows as u64)
                .into_par_iter()
                .map(|i| {
                    let mut random =
                        Random(i.wrapping_mul(0xA24B_AED4_963E_E407) ^ width_deg.to_bits());
                    let window = Window::random(width_deg, &mut random);
                    buckets
                        .at_least(6, &window)
                        .then(|| quads_inside(records, bands, &window))
                })
                .collect();
            let counted: Vec<usize> = results.into_iter().flatten().collect();
            let with = |n: usize| counted.iter().filter(|&&q| q >= n).count();
            Coverage {
                width_deg,
                windows,
                counted: counted.len(),
                with_quads: [with(1), with(2), with(5)],
            }
        })
        .collect()
}
