//! The inverse of the transform, level by level from the coarsest.
//!
//! A level of `rows` by `columns` lies in the corner of the plane as four quadrants: sums `sum`,
//! differences `across` of columns and `down` of rows, and `both`. The low bits of sums and
//! differences are tied to each other, so they are not stored; each level finds them again.

use super::smooth::{Level, smooth};
use super::{Coefficient, Plane, Wrapping};
use crate::frame::budget::Budget;
use crate::frame::fault::Fault;

const ZERO: Coefficient = Wrapping(0);

/// Makes pixels of coefficients; `most` is how much smoothing may change one, zero for none.
pub(super) fn pixels(mut plane: Plane, most: i64, budget: &Budget) -> Result<Vec<i32>, Fault> {
    let longest = plane.rows.max(plane.columns);
    let levels = longest.next_power_of_two().trailing_zeros();
    if levels == 0 {
        return Ok(vec![plane.values[0].0 as i32]);
    }
    plane.values[0] = rounded(plane.values[0], 2 << levels);
    let mut finer = Vec::new();
    for level in (1..levels).rev() {
        budget.check_time()?;
        let at = Level::of(&plane, level);
        smooth(&mut plane, at, most);
        finer.clear();
        combine(&plane, at, 1 << level, |row| finer.extend_from_slice(row));
        for (row, values) in finer.chunks_exact(at.columns).enumerate() {
            plane.values[row * plane.columns..][..at.columns].copy_from_slice(values);
        }
    }
    drop(finer);
    let last = Level::of(&plane, 0);
    smooth(&mut plane, last, most);
    budget.check_time()?;
    let mut pixels = Vec::with_capacity(plane.values.len());
    combine(&plane, last, 1, |row| {
        pixels.extend(row.iter().map(|value| value.0 as i32));
    });
    Ok(pixels)
}

/// To the next multiple of `unit`, a power of two; halves away from zero.
fn rounded(value: Coefficient, unit: i64) -> Coefficient {
    if unit == 1 {
        return value;
    }
    let half = unit >> 1;
    let up = if value >= ZERO { half } else { half - 1 };
    (value + Wrapping(up)) & Wrapping(-unit)
}

/// Hands the rows of the level `at` to `put`, one after the other. Sums of this level are
/// multiples of `4 * unit`, differences of `2 * unit`.
fn combine(plane: &Plane, at: Level, unit: i64, mut put: impl FnMut(&[Coefficient])) {
    let (top, left) = (at.top(), at.left());
    let mut upper = vec![ZERO; at.columns];
    let mut lower = upper.clone();
    for row in 0..at.rows / 2 {
        let (sum, across) = plane.row(row, at.columns).split_at(left);
        let (down, both) = plane.row(top + row, at.columns).split_at(left);
        let upper_pairs = upper.chunks_exact_mut(2).zip(lower.chunks_exact_mut(2));
        for (column, (upper, lower)) in upper_pairs.enumerate() {
            let four = [sum[column], down[column], across[column], both[column]];
            let [a, b, c, d] = quad(four, unit);
            upper.copy_from_slice(&[a, b]);
            lower.copy_from_slice(&[c, d]);
        }
        if at.columns % 2 == 1 {
            let [a, c] = pair([sum[left - 1], down[left - 1]], unit);
            upper[at.columns - 1] = a;
            lower[at.columns - 1] = c;
        }
        put(&upper);
        put(&lower);
    }
    if at.rows % 2 == 1 {
        let (sum, across) = plane.row(top - 1, at.columns).split_at(left);
        for (column, out) in upper.chunks_exact_mut(2).enumerate() {
            out.copy_from_slice(&pair([sum[column], across[column]], unit));
        }
        if at.columns % 2 == 1 {
            upper[at.columns - 1] = sum[left - 1] >> shift(unit);
        }
        put(&upper);
    }
}

/// What sums are divided by: of the last level they are those of four pixels.
fn shift(unit: i64) -> usize {
    if unit == 1 { 2 } else { 1 }
}

/// Sum, differences down and across, and of both: to the values above left, above right, below
/// left, below right.
fn quad([sum, down, across, both]: [Coefficient; 4], unit: i64) -> [Coefficient; 4] {
    let both = rounded(both, unit);
    let low = both & Wrapping(unit);
    let inward = |value: Coefficient| {
        if value >= ZERO {
            value - low
        } else {
            value + low
        }
    };
    let down = inward(rounded(down, 2 * unit));
    let across = inward(rounded(across, 2 * unit));
    let high = (both ^ down ^ across) & Wrapping(2 * unit);
    let sum = if sum >= ZERO {
        sum + low - high
    } else if low == ZERO {
        sum + high
    } else {
        sum + low - high
    };
    let shift = shift(unit);
    [
        (sum - down - across + both) >> shift,
        (sum - down + across - both) >> shift,
        (sum + down - across - both) >> shift,
        (sum + down + across + both) >> shift,
    ]
}

/// Sum and difference at an edge where there is no square: to the two values.
fn pair([sum, difference]: [Coefficient; 2], unit: i64) -> [Coefficient; 2] {
    let difference = rounded(difference, 2 * unit);
    let high = difference & Wrapping(2 * unit);
    let sum = if sum >= ZERO { sum - high } else { sum + high };
    let shift = shift(unit);
    [(sum - difference) >> shift, (sum + difference) >> shift]
}
