//! The order in which detections are handed on.

/// Cells along the long side of the frame: a cluster or a defect fills one or two of some forty.
const CELLS: f64 = 8.0;
/// A cell may hold this many of the first stars before any is deferred ...
const FREE: f64 = 5.0;
/// ... and then this many times its fair share. Star counts scatter and the Milky Way is uneven:
/// ordinary fields stay in plain brightness order.
const SHARE: f64 = 2.5;

/// The `items`, brightest first, except that a crowd in one part of the frame is deferred: of any
/// first N, no cell holds more than `FREE + SHARE * N / cells`.
///
/// `place` says x, y and brightness. Ties break by position.
pub(super) fn spread<T: Copy>(
    items: &[T],
    place: impl Fn(&T) -> (f64, f64, f64),
    (width, height): (usize, usize),
) -> Vec<T> {
    let side = (width.max(height) as f64 / CELLS).max(1.0);
    let cols = (width as f64 / side).ceil().max(1.0) as usize;
    let rows = (height as f64 / side).ceil().max(1.0) as usize;
    let mut order: Vec<usize> = (0..items.len()).collect();
    let places: Vec<(f64, f64, f64)> = items.iter().map(place).collect();
    order.sort_by(|a, b| {
        let (a, b) = (&places[*a], &places[*b]);
        b.2.total_cmp(&a.2)
            .then(a.1.total_cmp(&b.1))
            .then(a.0.total_cmp(&b.0))
    });
    let mut held = vec![0usize; cols * rows];
    let mut ranked: Vec<(f64, usize)> = order
        .iter()
        .enumerate()
        .map(|(rank, k)| {
            let cell = |at: f64, count: usize| ((at.max(0.0) / side) as usize).min(count - 1);
            let held = &mut held[cell(places[*k].1, rows) * cols + cell(places[*k].0, cols)];
            *held += 1;
            let due = (*held as f64 - FREE) / SHARE * (cols * rows) as f64;
            (due.max(rank as f64), *k)
        })
        .collect();
    // Stable: equal dues keep their brightness order.
    ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
    ranked.into_iter().map(|(_, k)| items[k]).collect()
}
