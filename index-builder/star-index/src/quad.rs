//! The similarity-invariant numbers of four points (geometric hashing; Lamdan & Wolfson 1988).
//!
//! The longest of the six pairs, A and B, is mapped to 0 and 1 of the complex plane; the images
//! of the other two points, C and D, are the four numbers. A and B are named so that
//! Re C + Re D <= 1, C and D so that Re C <= Re D. Since AB is the longest pair, both lie where
//! the unit discs around 0 and 1 overlap: real parts in 0 to 1, imaginary parts within
//! sqrt(3)/2 of zero.

/// Re C, Im C, Re D, Im D.
pub type Code = [f32; 4];

/// Bits of a stored number.
pub const CODE_BITS: u32 = 12;
/// Leading bits of each number that form its coarse cell.
pub const COARSE_BITS: u32 = 5;
/// Number of coarse cells of the code space.
pub const COARSE_CELLS: usize = 1 << (4 * COARSE_BITS);

const STEPS: f32 = (1 << CODE_BITS) as f32;
/// Imaginary parts are stored as (Im + 0.9) / 1.8: sqrt(3)/2 and some room for measured quads.
const IM_HALF_RANGE: f32 = 0.9;
/// Bits below the coarse ones in each number.
const FINE_BITS: u32 = CODE_BITS - COARSE_BITS;

/// Pairs of the four points.
const PAIRS: [(usize, usize); 6] = [(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)];

/// A code together with the order A, B, C, D in which it names the four points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrderedCode {
    /// The four numbers.
    pub code: Code,
    /// Indices of the input points that became A, B, C, D.
    pub order: [usize; 4],
    /// Length of AB in the units of the points.
    pub length: f64,
}

/// Position of `p` in the frame where `a` is 0 and `b` is 1.
fn relative(a: [f64; 2], b: [f64; 2], p: [f64; 2]) -> [f64; 2] {
    let (bx, by) = (b[0] - a[0], b[1] - a[1]);
    let (px, py) = (p[0] - a[0], p[1] - a[1]);
    let norm = bx * bx + by * by;
    [(px * bx + py * by) / norm, (py * bx - px * by) / norm]
}

fn squared_lengths(points: &[[f64; 2]; 4]) -> [f64; 6] {
    PAIRS.map(|(i, j)| {
        let (dx, dy) = (points[i][0] - points[j][0], points[i][1] - points[j][1]);
        dx * dx + dy * dy
    })
}

fn others(i: usize, j: usize) -> [usize; 2] {
    let mut rest = (0..4).filter(|&k| k != i && k != j);
    [rest.next().unwrap_or(0), rest.next().unwrap_or(0)]
}

/// The canonical code of four points of a plane; `None` where two coincide with all others
/// (no length). Exact ties break by the order of the points.
pub fn canonical(points: &[[f64; 2]; 4]) -> Option<OrderedCode> {
    let lengths = squared_lengths(points);
    let mut best = 0;
    for k in 1..6 {
        if lengths[k] > lengths[best] {
            best = k;
        }
    }
    if lengths[best] <= 0.0 || lengths[best].is_nan() {
        return None;
    }
    let (mut a, mut b) = PAIRS[best];
    let [mut c, mut d] = others(a, b);
    let mut zc = relative(points[a], points[b], points[c]);
    let mut zd = relative(points[a], points[b], points[d]);
    if zc[0] + zd[0] > 1.0 {
        (a, b) = (b, a);
        zc = [1.0 - zc[0], -zc[1]];
        zd = [1.0 - zd[0], -zd[1]];
    }
    if zc[0] > zd[0] {
        (c, d) = (d, c);
        (zc, zd) = (zd, zc);
    }
    Some(OrderedCode {
        code: [zc[0] as f32, zc[1] as f32, zd[0] as f32, zd[1] as f32],
        order: [a, b, c, d],
        length: lengths[best].sqrt(),
    })
}

/// Every code that the four points could have if each number were off by up to `slack`:
/// the canonical one first, then those across a near tie. Calls `visit` for each.
pub fn all_within(points: &[[f64; 2]; 4], slack: f64, mut visit: impl FnMut(OrderedCode)) {
    let lengths = squared_lengths(points);
    let longest = lengths.iter().fold(0.0_f64, |m, &l| m.max(l));
    if longest <= 0.0 || longest.is_nan() {
        return;
    }
    // A relative change of `slack` in each of two lengths.
    let shortest_allowed = longest * (1.0 - 2.0 * slack).powi(2);
    for (k, &(i, j)) in PAIRS.iter().enumerate() {
        if lengths[k] < shortest_allowed {
            continue;
        }
        let [p, q] = others(i, j);
        for (a, b) in [(i, j), (j, i)] {
            for (c, d) in [(p, q), (q, p)] {
                let zc = relative(points[a], points[b], points[c]);
                let zd = relative(points[a], points[b], points[d]);
                if zc[0] + zd[0] <= 1.0 + 2.0 * slack && zc[0] <= zd[0] + 2.0 * slack {
                    visit(OrderedCode {
                        code: [zc[0] as f32, zc[1] as f32, zd[0] as f32, zd[1] as f32],
                        order: [a, b, c, d],
                        length: lengths[k].sqrt(),
                    });
                }
            }
        }
    }
}

/// Gnomonic projection of unit vectors on the plane that touches the sphere at their mean.
/// Units: radians near the centre. `None` where the points span half the sky.
pub fn on_tangent_plane(vectors: [[f64; 3]; 4]) -> Option<[[f64; 2]; 4]> {
    let mut mean = [0.0; 3];
    for v in vectors {
        for i in 0..3 {
            mean[i] += v[i];
        }
    }
    let norm = mean.iter().map(|c| c * c).sum::<f64>().sqrt();
    if norm < 1e-9 {
        return None;
    }
    let p = mean.map(|c| c / norm);
    // Any two axes do: codes ignore rotation, and both are right-handed seen from outside.
    let helper = if p[2].abs() < 0.9 {
        [0.0, 0.0, 1.0]
    } else {
        [1.0, 0.0, 0.0]
    };
    let cross = |a: [f64; 3], b: [f64; 3]| {
        [
            a[1] * b[2] - a[2] * b[1],
            a[2] * b[0] - a[0] * b[2],
            a[0] * b[1] - a[1] * b[0],
        ]
    };
    let dot = |a: [f64; 3], b: [f64; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    let e = cross(helper, p);
    let length = dot(e, e).sqrt();
    let e = e.map(|c| c / length);
    let n = cross(p, e);
    let mut plane = [[0.0; 2]; 4];
    for (out, v) in plane.iter_mut().zip(vectors) {
        let depth = dot(v, p);
        if depth < 0.2 {
            return None;
        }
        *out = [dot(v, e) / depth, dot(v, n) / depth];
    }
    Some(plane)
}

/// The same quad seen in a mirror.
pub fn mirrored(code: Code) -> Code {
    [code[0], -code[1], code[2], -code[3]]
}

/// The code as four whole numbers of [`CODE_BITS`] bits.
fn quantised(code: Code) -> [u32; 4] {
    let max = STEPS - 1.0;
    std::array::from_fn(|i| {
        let unit = if i % 2 == 0 {
            code[i]
        } else {
            (code[i] + IM_HALF_RANGE) / (2.0 * IM_HALF_RANGE)
        };
        // Saturating: NaN and negative values become 0.
        (unit * STEPS).clamp(0.0, max) as u32
    })
}

/// Packs a code into 48 bits: the coarse cell (5 leading bits of each number, 20 bits) on top,
/// the remaining 7 bits of each number below.
pub fn pack(code: Code) -> u64 {
    let q = quantised(code);
    let mut coarse = 0_u64;
    let mut fine = 0_u64;
    for number in q {
        coarse = coarse << COARSE_BITS | u64::from(number >> FINE_BITS);
        fine = fine << FINE_BITS | u64::from(number & ((1 << FINE_BITS) - 1));
    }
    coarse << (4 * FINE_BITS) | fine
}

/// As [`pack`], Re C, Im C, Re D, Im D, but where a number lies on the border of two steps; without a
/// branch.
#[inline(always)]
pub(crate) fn pack_steps(c_re: f32, c_im: f32, d_re: f32, d_im: f32) -> u64 {
    // A number of this size has no fraction: adding rounds, and the low bits are the step.
    const WHOLE: f32 = (3 << 22) as f32;
    const LAST: f32 = STEPS - 1.0;
    const LOW: u32 = (1 << FINE_BITS) - 1;
    let step = |number: f32| {
        let above = if number > 0.0 { number } else { 0.0 };
        let within = if above < LAST { above } else { LAST };
        (within + WHOLE).to_bits() & ((1 << CODE_BITS) - 1)
    };
    let real = |number: f32| step(number * STEPS - 0.5);
    let imaginary = |number: f32| step(number * (STEPS / (2.0 * IM_HALF_RANGE)) + 0.5 * LAST);
    let (c0, c1, d0, d1) = (real(c_re), imaginary(c_im), real(d_re), imaginary(d_im));
    let high = |step: u32, place: u32| (step >> FINE_BITS) << (place * COARSE_BITS);
    let low = |step: u32, place: u32| (step & LOW) << (place * FINE_BITS);
    let coarse = high(c0, 3) | high(c1, 2) | high(d0, 1) | high(d1, 0);
    let fine = low(c0, 3) | low(c1, 2) | low(d0, 1) | low(d1, 0);
    u64::from(coarse) << (4 * FINE_BITS) | u64::from(fine)
}

/// The coarse cell of a packed code.
#[inline]
pub fn coarse_cell(packed: u64) -> usize {
    (packed >> (4 * FINE_BITS)) as usize & (COARSE_CELLS - 1)
}

/// The numbers of a packed code in steps of their range.
#[inline]
pub fn steps(packed: u64) -> [i16; 4] {
    let coarse = packed >> (4 * FINE_BITS);
    std::array::from_fn(|i| {
        let shift = 3 - i as u32;
        let high = coarse >> (shift * COARSE_BITS) & ((1 << COARSE_BITS) - 1);
        let low = packed >> (shift * FINE_BITS) & ((1 << FINE_BITS) - 1);
        (high << FINE_BITS | low) as i16
    })
}

/// The first and last step whose middle is within `radius` of each number of `code`.
pub fn steps_within(code: Code, radius: f32) -> [[i16; 4]; 2] {
    let unit = |i: usize, value: f32| {
        let unit = if i == 0 || i == 2 {
            value
        } else {
            (value + IM_HALF_RANGE) / (2.0 * IM_HALF_RANGE)
        };
        unit * STEPS - 0.5
    };
    // Saturating: whatever is beyond the range of the steps is beyond all of them.
    [
        std::array::from_fn(|i| unit(i, code[i] - radius).ceil() as i16),
        std::array::from_fn(|i| unit(i, code[i] + radius).floor() as i16),
    ]
}

/// The numbers of a packed code: the middle of each step.
pub fn unpack(packed: u64) -> Code {
    let steps = steps(packed);
    std::array::from_fn(|i| {
        let unit = (f32::from(steps[i]) + 0.5) / STEPS;
        if i % 2 == 0 {
            unit
        } else {
            unit * (2.0 * IM_HALF_RANGE) - IM_HALF_RANGE
        }
    })
}

/// Which of the sixteen parts of its coarse cell a packed code lies in: the next bit of each
/// number.
#[inline]
pub fn part_of_cell(packed: u64) -> u32 {
    let bit = |i: u32| (packed >> ((4 - i) * FINE_BITS - 1) & 1) as u32;
    bit(0) << 3 | bit(1) << 2 | bit(2) << 1 | bit(3)
}

/// Parts of a cell (bits of a mask) in which the bit of each number is 0 or 1.
const PARTS: [[u16; 2]; 4] = [
    [0x00ff, 0xff00],
    [0x0f0f, 0xf0f0],
    [0x3333, 0xcccc],
    [0x5555, 0xaaaa],
];

/// Calls `visit` with every coarse cell that holds codes within `radius` of `code` in each
/// number, and with the mask of its parts that do.
pub fn coarse_cells_near(code: Code, radius: f32, mut visit: impl FnMut(usize, u16)) {
    let low = quantised(code.map(|c| c - radius)).map(|q| q >> (FINE_BITS - 1));
    let high = quantised(code.map(|c| c + radius)).map(|q| q >> (FINE_BITS - 1));
    let cells = |i: usize| low[i] >> 1..=high[i] >> 1;
    // Parts of cell number `cell` along number i of the code.
    let parts = |i: usize, cell: u32| {
        let of = |bit: u32| {
            let half = 2 * cell + bit;
            let inside = (low[i]..=high[i]).contains(&half);
            u16::from(inside) * PARTS[i][bit as usize]
        };
        of(0) | of(1)
    };
    for a in cells(0) {
        for b in cells(1) {
            let ab = parts(0, a) & parts(1, b);
            for c in cells(2) {
                let abc = ab & parts(2, c);
                for d in cells(3) {
                    let cell = ((a << COARSE_BITS | b) << COARSE_BITS | c) << COARSE_BITS | d;
                    visit(cell as usize, abc & parts(3, d));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const POINTS: [[f64; 2]; 4] = [[0.0, 0.0], [4.0, 0.2], [1.0, 1.0], [2.5, -1.0]];

    #[test]
    fn code_ignores_shift_turn_scale_and_order() {
        let reference = canonical(&POINTS).unwrap();
        let (sin, cos) = 2.2_f64.sin_cos();
        let moved = POINTS.map(|[x, y]| {
            [
                7.0 + 3.0 * (cos * x - sin * y),
                -2.0 + 3.0 * (sin * x + cos * y),
            ]
        });
        for order in [[0, 1, 2, 3], [3, 1, 0, 2], [2, 3, 1, 0]] {
            let code = canonical(&order.map(|i: usize| moved[i])).unwrap();
            for k in 0..4 {
                assert!((code.code[k] - reference.code[k]).abs() < 1e-6);
                assert_eq!(order[code.order[k]], reference.order[k]);
            }
            assert!((code.length / reference.length - 3.0).abs() < 1e-12);
        }
    }

    #[test]
    fn mirror_image_has_the_mirrored_code() {
        let code = canonical(&POINTS).unwrap().code;
        let flipped = canonical(&POINTS.map(|[x, y]| [x, -y])).unwrap().code;
        assert_eq!(flipped, mirrored(code));
    }

    #[test]
    fn packing_keeps_each_number_within_half_a_step() {
        let code = canonical(&POINTS).unwrap().code;
        let back = unpack(pack(code));
        for k in 0..4 {
            let step = if k % 2 == 0 { 1.0 } else { 1.8 } / STEPS;
            assert!((code[k] - back[k]).abs() <= 0.5 * step + 1e-6);
        }
        let mut cells = Vec::new();
        coarse_cells_near(code, 0.02, |cell, parts| cells.push((cell, parts)));
        let packed = pack(code);
        let parts = cells.iter().find(|(cell, _)| *cell == coarse_cell(packed));
        assert!(parts.unwrap().1 >> part_of_cell(packed) & 1 == 1);
    }

    #[test]
    fn ties_offer_every_order() {
        // A square: both diagonals are longest, every naming is as good.
        let square = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
        let mut seen = 0;
        all_within(&square, 0.01, |_| seen += 1);
        assert_eq!(seen, 8);
    }

    #[test]
    fn coinciding_points_have_no_code() {
        assert!(canonical(&[[1.0, 1.0]; 4]).is_none());
    }
}
