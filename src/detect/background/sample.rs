//! Values taken evenly from a part of a plane.

use std::ops::Range;

/// Takes about `wanted` values evenly from a rectangle of rows of `width`, as `value` has them of
/// column, row and stored value; of these what is not finite is left out.
pub(super) fn sample_as(
    (data, width): (&[f32], usize),
    (xs, ys): (Range<usize>, Range<usize>),
    wanted: usize,
    sample: &mut Vec<f32>,
    value: impl Fn(usize, usize, f32) -> f32,
) {
    let area = xs.len() * ys.len();
    let step = ((area as f32 / wanted as f32).sqrt().round() as usize).max(1);
    for (n, y) in ys.step_by(step).enumerate() {
        // Rows are staggered, so that no column pattern is sampled at one phase only.
        let from = xs.start + (n * 2 + n / step) % step;
        let Some(row) = data.get(y * width + from..y * width + xs.end.max(from)) else {
            continue;
        };
        let along = (from..).step_by(step).zip(row.iter().step_by(step));
        let values = along.map(|(x, v)| value(x, y, *v));
        sample.extend(values.filter(|v| v.is_finite()));
    }
}

/// The same of the values as stored.
pub(in crate::detect) fn sample_cell(
    from: (&[f32], usize),
    cell: (Range<usize>, Range<usize>),
    wanted: usize,
    sample: &mut Vec<f32>,
) {
    sample_as(from, cell, wanted, sample, |_, _, v| v);
}
