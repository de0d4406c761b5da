//! Nearest neighbours of points, through a k-d tree.

use kiddo::{ImmutableKdTree, SquaredEuclidean};
use std::num::NonZero;

/// Points in `K` dimensions, all finite, among which the nearest to a place are asked for.
pub struct Neighbours<const K: usize> {
    points: Vec<[f64; K]>,
    /// `None` without points. It numbers four thousand million at most, for which memory does not suffice.
    tree: Option<ImmutableKdTree<f64, K>>,
}

impl<const K: usize> Neighbours<K> {
    /// Of these points.
    pub fn of(points: Vec<[f64; K]>) -> Neighbours<K> {
        let tree = (!points.is_empty()).then(|| ImmutableKdTree::new_from_slice(&points));
        Neighbours {
            tree: tree.and_then(Result::ok),
            points,
        }
    }

    /// Numbers of the `count` points nearest to point number `of`, which there must be, itself excluded,
    /// as [`Neighbours::nearest`] has them.
    pub fn nearest_others(&self, of: usize, count: usize, most2: f64) -> Vec<usize> {
        let with_itself = NonZero::<usize>::MIN.saturating_add(count);
        let near = self.nearest(self.points[of], with_itself, most2);
        let others = near.into_iter().map(|(_, number)| number);
        others.filter(|number| *number != of).take(count).collect()
    }

    /// Squared distances and numbers of the `count` points nearest to `place`, nearest first, none with a
    /// larger squared distance than `most2`, in the square of the points' unit. Points equally near come in
    /// their own order; which of those that share the last distance are among the `count` is the tree's choice.
    pub fn nearest(&self, place: [f64; K], count: NonZero<usize>, most2: f64) -> Vec<(f64, usize)> {
        let Some(tree) = &self.tree else {
            return Vec::new();
        };
        let asked = tree.query(&place).nearest_n(count);
        let found = asked.within::<SquaredEuclidean<f64>>(most2).execute();
        let numbers = found.into_iter().map(|near| near.item as usize);
        // The tree's own sums may differ in the last digit from one processor to the other.
        let distance2 = |point: &[f64; K]| -> f64 {
            let squares = point.iter().zip(place).map(|(a, b)| (a - b) * (a - b));
            squares.sum()
        };
        let mut near: Vec<_> = numbers
            .map(|number| (distance2(&self.points[number]), number))
            .collect();
        near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        near
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_are_those_of_a_full_scan() {
        // Places that follow no line: steps of irrational ratios.
        let at = |k: usize| [0.618_034, 0.414_214].map(|step| (k as f64 * step).fract());
        let points: Vec<[f64; 2]> = (0..500).map(at).collect();
        let neighbours = Neighbours::of(points.clone());
        for place in (1000..1040).map(at) {
            let distance2 = |p: &[f64; 2]| (p[0] - place[0]).powi(2) + (p[1] - place[1]).powi(2);
            let mut all: Vec<(f64, usize)> = points.iter().map(distance2).zip(0..).collect();
            all.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (count, most2) in [(8, 1.0), (8, 0.002), (1, 1e-9)] {
                let nearest = neighbours.nearest(place, NonZero::new(count).unwrap(), most2);
                let expected = all.iter().filter(|(d2, _)| *d2 <= most2).take(count);
                assert!(nearest.iter().map(|n| n.1).eq(expected.map(|n| n.1)));
            }
        }
    }

    #[test]
    fn no_points_have_no_neighbours_and_equal_points_are_all_found() {
        let count = NonZero::new(300).unwrap();
        assert!(
            Neighbours::<2>::of(Vec::new())
                .nearest([0.0; 2], count, 1.0)
                .is_empty()
        );
        let same = Neighbours::of(vec![[0.5, 0.25]; 200]).nearest([0.5, 0.0], count, 1.0);
        assert!(same.into_iter().eq((0..200).map(|k| (0.0625, k))));
    }
}
