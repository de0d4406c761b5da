//! The coded bit planes: of each quadrant of the transform, from the highest down, a quadtree of
//! its bits, and at last the signs.
//!
//! A code is four bits: what of a square of two by two is not all zero, in the order of reading,
//! the highest bit first. A plane begins with the code of the whole quadrant; every code that is
//! not zero is followed by those of its parts, level by level, and of a level the last first.

use super::super::bits::Bits;
use super::{Plane, Wrapping};
use crate::frame::budget::Budget;
use crate::frame::fault::Fault;

/// Four bits in front of a plane: its lowest level alone, as it is.
const PLAIN: u32 = 0;
/// Four bits in front of a plane: a quadtree.
const TREE: u32 = 0xf;

/// More bit planes than a coefficient has.
const MOST_PLANES: u8 = 63;

/// A quarter of the transform.
struct Quadrant {
    /// Where it begins in the plane.
    start: usize,
    rows: usize,
    columns: usize,
    planes: u8,
}

/// Reads the magnitudes of all coefficients; `counts` are the bit planes of the sums, of the
/// differences along rows and columns, and of those along both. `None`: damaged.
pub(super) fn read(
    bits: &mut Bits,
    plane: &mut Plane,
    counts: [u8; 3],
    budget: &Budget,
) -> Result<Option<()>, Fault> {
    if counts.iter().any(|count| *count > MOST_PLANES) {
        return Ok(None);
    }
    let (rows, columns) = (plane.rows, plane.columns);
    let (top, left) = (rows.div_ceil(2), columns.div_ceil(2));
    let quadrant = |start, rows, columns, which: usize| Quadrant {
        start,
        rows,
        columns,
        planes: counts[which],
    };
    let quadrants = [
        quadrant(0, top, left, 0),
        quadrant(left, top, columns / 2, 1),
        quadrant(top * columns, rows / 2, left, 1),
        quadrant(top * columns + left, rows / 2, columns / 2, 2),
    ];
    let mut codes = Codes::default();
    for quadrant in quadrants {
        for bit in (0..quadrant.planes).rev() {
            budget.check_time()?;
            match codes.read(bits, &quadrant) {
                None => return Ok(None),
                Some(false) => {}
                Some(true) => insert(&codes.now, &quadrant, plane, bit),
            }
        }
    }
    Ok((bits.take(4) == Some(0)).then_some(()))
}

/// Reads the signs of all coefficients that are not zero.
pub(super) fn sign(bits: &mut Bits, plane: &mut Plane) -> Option<()> {
    bits.align();
    for value in plane.values.iter_mut().filter(|value| value.0 != 0) {
        if bits.take(1)? == 1 {
            *value = -*value;
        }
    }
    Some(())
}

/// The codes of one level of a quadtree, and room for those of the next.
#[derive(Default)]
struct Codes {
    now: Vec<u8>,
    next: Vec<u8>,
}

impl Codes {
    /// Reads one bit plane: the codes of its lowest level. False where no bit of it is set.
    fn read(&mut self, bits: &mut Bits, quadrant: &Quadrant) -> Option<bool> {
        let (rows, columns) = (quadrant.rows, quadrant.columns);
        self.now.clear();
        match bits.take(4)? {
            PLAIN => {
                let count = rows.div_ceil(2) * columns.div_ceil(2);
                for _ in 0..count {
                    self.now.push(bits.take(4)? as u8);
                }
            }
            TREE => {
                let whole = huffman(bits)?;
                if whole == 0 || rows == 0 || columns == 0 {
                    return Some(false);
                }
                self.now.push(whole);
                for level in (1..levels(rows.max(columns))).rev() {
                    let size = |length: usize| length.div_ceil(1 << level);
                    self.split(bits, size(rows), size(columns))?;
                }
            }
            _ => return None,
        }
        Some(true)
    }

    /// Goes down to the level of `rows` by `columns`.
    fn split(&mut self, bits: &mut Bits, rows: usize, columns: usize) -> Option<()> {
        self.next.clear();
        self.next.resize(rows * columns, 0);
        let above = columns.div_ceil(2);
        for (row, codes) in self.next.chunks_exact_mut(columns).enumerate().rev() {
            let parents = self.now.get(row / 2 * above..)?.get(..above)?;
            for (column, code) in codes.iter_mut().enumerate().rev() {
                if part(parents[column / 2], row, column) {
                    *code = huffman(bits)?;
                }
            }
        }
        std::mem::swap(&mut self.now, &mut self.next);
        Some(())
    }
}

/// Levels of the quadtree over `length`: its logarithm, rounded up.
fn levels(length: usize) -> u32 {
    length.next_power_of_two().trailing_zeros()
}

/// Whether the part at `row` and `column` of the square of a code is not all zero.
fn part(code: u8, row: usize, column: usize) -> bool {
    code >> (3 - 2 * (row % 2) - column % 2) & 1 == 1
}

/// Puts one bit into all coefficients of a quadrant.
fn insert(codes: &[u8], quadrant: &Quadrant, plane: &mut Plane, bit: u8) {
    let across = quadrant.columns.div_ceil(2);
    for row in 0..quadrant.rows {
        let start = quadrant.start + row * plane.columns;
        let values = &mut plane.values[start..start + quadrant.columns];
        let codes = &codes[row / 2 * across..][..across];
        for (pair, code) in values.chunks_mut(2).zip(codes) {
            for (column, value) in pair.iter_mut().enumerate() {
                *value |= Wrapping(i64::from(part(*code, row, column)) << bit);
            }
        }
    }
}

/// One code, of three to six bits: the single bits are the shortest.
fn huffman(bits: &mut Bits) -> Option<u8> {
    let three = bits.take(3)?;
    if three < 4 {
        return Some(1 << three);
    }
    let four = three << 1 | bits.take(1)?;
    if four < 13 {
        return Some([3, 5, 10, 12, 15][four as usize - 8]);
    }
    let five = four << 1 | bits.take(1)?;
    if five < 31 {
        return Some([6, 7, 9, 11, 13][five as usize - 26]);
    }
    Some(if bits.take(1)? == 0 { 0 } else { 14 })
}
