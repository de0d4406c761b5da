//! Cells and those around them: gaps filled, medians taken.

/// Noise of a mesh without a single measured cell: nothing rises above it, and its square is a
/// number, in blocks of any size.
pub(super) const BLIND: f32 = 1e18;

/// Gives empty cells the mean of those measured beside them, and so on outward.
pub(super) fn fill(
    mut cells: Vec<Option<(f32, f32)>>,
    cols: usize,
    rows: usize,
) -> Vec<(f32, f32)> {
    for _ in 0..cols + rows {
        if cells.iter().all(Option::is_some) {
            break;
        }
        let before = cells.clone();
        for (k, cell) in cells.iter_mut().enumerate().filter(|(_, c)| c.is_none()) {
            let near: Vec<(f32, f32)> = neighbours(k, cols, rows)
                .filter_map(|n| before[n])
                .collect();
            let mean = |value: fn(&(f32, f32)) -> f32| {
                near.iter().map(value).sum::<f32>() / near.len() as f32
            };
            *cell = (!near.is_empty()).then(|| (mean(|c| c.0), mean(|c| c.1)));
        }
    }
    let filled = cells.into_iter().map(|c| c.unwrap_or((0.0, BLIND)));
    filled.collect()
}

/// The cell and those around it.
pub(crate) fn neighbours(k: usize, cols: usize, rows: usize) -> impl Iterator<Item = usize> {
    let (i, j) = (k % cols, k / cols);
    (j.saturating_sub(1)..=(j + 1).min(rows - 1))
        .flat_map(move |j| (i.saturating_sub(1)..=(i + 1).min(cols - 1)).map(move |i| j * cols + i))
}

/// Median over each cell and its neighbours; those beyond the edge go on as the ones across do, so
/// that the edge of a slope is not drawn towards its middle.
pub(super) fn level_median3(level: &[f32], cols: usize, rows: usize) -> Vec<f32> {
    let within =
        |v: usize, step: isize, count: usize| v.checked_add_signed(step).filter(|v| *v < count);
    (0..level.len())
        .map(|k| {
            let (i, j) = (k % cols, k / cols);
            let at = |di: isize, dj: isize| {
                let place = within(i, di, cols).zip(within(j, dj, rows));
                place.map(|(i, j)| level[j * cols + i])
            };
            let mut near: [f32; 9] = std::array::from_fn(|n| {
                let (di, dj) = (n as isize % 3 - 1, n as isize / 3 - 1);
                let across = || at(-di, -dj).map(|l| 2.0 * level[k] - l);
                at(di, dj).or_else(across).unwrap_or(level[k])
            });
            near.sort_unstable_by(f32::total_cmp);
            near[4]
        })
        .collect()
}

/// Median over each cell and its neighbours.
pub(in crate::detect) fn median3(values: &[f32], cols: usize, rows: usize) -> Vec<f32> {
    let mut near = Vec::with_capacity(9);
    (0..values.len())
        .map(|k| {
            near.clear();
            near.extend(neighbours(k, cols, rows).map(|n| values[n]));
            near.sort_unstable_by(f32::total_cmp);
            let n = near.len();
            0.5 * (near[n / 2] + near[(n - 1) / 2])
        })
        .collect()
}
