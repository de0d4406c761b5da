//! Smoothing of a picture that was coded with loss: where differences were rounded away, they are
//! set to what the sums around say, as far as rounding can have changed them.
//!
//! Source: White 1992, section on smoothing; the limits are those of its program, which keep slopes
//! from changing their sign.

use super::{Coefficient, Plane, Wrapping};
use std::cmp::{max, min};

/// Size of one level of the transform.
#[derive(Debug, Clone, Copy)]
pub(super) struct Level {
    pub rows: usize,
    pub columns: usize,
}

impl Level {
    /// The level that is `halvings` away from the whole.
    pub fn of(plane: &Plane, halvings: u32) -> Level {
        Level {
            rows: plane.rows.div_ceil(1 << halvings),
            columns: plane.columns.div_ceil(1 << halvings),
        }
    }

    /// Rows of sums.
    pub fn top(&self) -> usize {
        self.rows.div_ceil(2)
    }

    /// Columns of sums.
    pub fn left(&self) -> usize {
        self.columns.div_ceil(2)
    }
}

impl Plane {
    /// The first `columns` values of a row.
    pub fn row(&self, row: usize, columns: usize) -> &[Coefficient] {
        &self.values[row * self.columns..][..columns]
    }
}

/// Smooths a level by at most `most` a coefficient; its edges stay as they are.
pub(super) fn smooth(plane: &mut Plane, at: Level, most: i64) {
    if most <= 0 {
        return;
    }
    let (top, left, width) = (at.top(), at.left(), plane.columns);
    let inner_rows = 1..top.saturating_sub(1);
    let inner_columns = 1..left.saturating_sub(1);
    let place = |row: usize, column: usize| row * width + column;
    let values = &mut plane.values;
    for row in inner_rows.clone() {
        for column in 0..left {
            let sums = [row - 1, row, row + 1].map(|row| values[place(row, column)]);
            slope(&mut values[place(top + row, column)], sums, most);
        }
    }
    for row in 0..top {
        for column in inner_columns.clone() {
            let sums = [column - 1, column, column + 1].map(|column| values[place(row, column)]);
            slope(&mut values[place(row, left + column)], sums, most);
        }
    }
    for row in inner_rows {
        for column in inner_columns.clone() {
            let sum = |down: usize, right: usize| values[place(row + down - 1, column + right - 1)];
            let corners = [sum(0, 0), sum(0, 2), sum(2, 0), sum(2, 2)];
            let middle = sum(1, 1);
            let down = values[place(top + row, column)];
            let across = values[place(row, left + column)];
            let both = &mut values[place(top + row, left + column)];
            twist(both, middle, corners, [down, across], most);
        }
    }
}

/// Changes `value` by the mean of `excess >> bits`, rounded to zero, and at most `most`.
fn change(value: &mut Coefficient, excess: Coefficient, bits: usize, most: i64) {
    let up = if excess.0 >= 0 { 0 } else { (1 << bits) - 1 };
    let step = (excess + Wrapping(up)) >> bits;
    *value += step.clamp(Wrapping(-most), Wrapping(most));
}

/// A difference between neighbours, from the sums before, at and behind them.
fn slope(difference: &mut Coefficient, [before, here, behind]: [Coefficient; 3], most: i64) {
    let zero = Wrapping(0);
    let (up, down) = (behind - here, here - before);
    let highest = max(min(up, down), zero) << 2;
    let lowest = min(max(up, down), zero) << 2;
    if lowest < highest {
        let wanted = (behind - before).clamp(lowest, highest);
        change(difference, wanted - (*difference << 3), 3, most);
    }
}

/// The difference of both, from the sum here, those at the four corners around (above left, above
/// right, below left, below right), and the differences down and across.
fn twist(
    both: &mut Coefficient,
    here: Coefficient,
    corners: [Coefficient; 4],
    [down, across]: [Coefficient; 2],
    most: i64,
) {
    let [above_left, above_right, below_left, below_right] = corners;
    let (down, across) = (down << 1, across << 1);
    // What is left of each diagonal slope, seen from here outward with its sign.
    let slopes = [
        (below_right - here, -down - across),
        (here - below_left, down - across),
        (here - above_right, across - down),
        (above_left - here, down + across),
    ];
    let zero = Wrapping(0);
    let rises = slopes.map(|(slope, flat)| max(slope, zero) + flat);
    let falls = slopes.map(|(slope, flat)| min(slope, zero) + flat);
    let highest = rises.into_iter().fold(rises[0], min) << 4;
    let lowest = falls.into_iter().fold(falls[0], max) << 4;
    if lowest < highest {
        let twist = below_right + above_left - above_right - below_left;
        change(both, twist.clamp(lowest, highest) - (*both << 6), 6, most);
    }
}
