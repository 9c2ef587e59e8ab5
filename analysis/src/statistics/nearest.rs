//! The closest point within a box: a k-d tree whose points can be taken out.
//!
//! Matching asks for each point of one set which point of the other is closest, provided that it
//! differs by at most 1 in every coordinate (coordinates are scaled by their calipers). The tree
//! answers in about the logarithm of the number of points (Bentley, "Multidimensional binary
//! search trees used for associative searching", CACM 18 (1975) 509-517). A matched point is
//! taken out; subtrees without points are skipped.

/// A tree over points of equal dimension.
#[derive(Clone, Debug)]
pub struct Tree {
    points: Vec<Vec<f64>>,
    /// Point indices; every subtree is a range with its root in the middle.
    order: Vec<usize>,
    /// Points left in the subtree rooted at each position of `order`.
    left: Vec<usize>,
    taken: Vec<bool>,
    dimensions: usize,
}

impl Tree {
    /// Builds a tree. Missing coordinates count as zero.
    #[must_use]
    pub fn new(points: Vec<Vec<f64>>) -> Self {
        let dimensions = points.iter().map(Vec::len).max().unwrap_or(0);
        let mut tree = Self {
            order: (0..points.len()).collect(),
            left: vec![0; points.len()],
            taken: vec![false; points.len()],
            points,
            dimensions,
        };
        tree.build(0, tree.points.len(), 0);
        tree
    }

    fn build(&mut self, start: usize, end: usize, depth: usize) {
        if start >= end {
            return;
        }
        let axis = self.axis(depth);
        let middle = start + (end - start) / 2;
        let points = &self.points;
        if let Some(range) = self.order.get_mut(start..end) {
            range.select_nth_unstable_by(middle - start, |a, b| {
                coordinate(points, *a, axis)
                    .total_cmp(&coordinate(points, *b, axis))
                    .then(a.cmp(b))
            });
        }
        if let Some(count) = self.left.get_mut(middle) {
            *count = end - start;
        }
        self.build(start, middle, depth + 1);
        self.build(middle + 1, end, depth + 1);
    }

    fn axis(&self, depth: usize) -> usize {
        depth % self.dimensions.max(1)
    }

    /// The closest point left whose every coordinate is within 1 of the query's, with its squared
    /// distance. Of equally close points, the one with the lowest index.
    #[must_use]
    pub fn closest(&self, query: &[f64]) -> Option<(usize, f64)> {
        let mut best = None;
        self.search(query, 0, self.order.len(), 0, &mut best);
        best
    }

    fn search(
        &self,
        query: &[f64],
        start: usize,
        end: usize,
        depth: usize,
        best: &mut Option<(usize, f64)>,
    ) {
        let middle = start + (end.saturating_sub(start)) / 2;
        let Some(&point) = self.order.get(middle).filter(|_| start < end) else {
            return;
        };
        if self.left.get(middle) == Some(&0) {
            return;
        }
        if self.taken.get(point) == Some(&false) {
            self.consider(query, point, best);
        }
        let axis = self.axis(depth);
        let offset =
            query.get(axis).copied().unwrap_or(0.0) - coordinate(&self.points, point, axis);
        let sides = [(start, middle), (middle + 1, end)];
        let [near, far] = if offset < 0.0 {
            sides
        } else {
            [sides[1], sides[0]]
        };
        self.search(query, near.0, near.1, depth + 1, best);
        let reachable = offset.abs() <= 1.0 && best.is_none_or(|(_, d)| offset * offset <= d);
        if reachable {
            self.search(query, far.0, far.1, depth + 1, best);
        }
    }

    fn consider(&self, query: &[f64], point: usize, best: &mut Option<(usize, f64)>) {
        let mut distance = 0.0;
        for axis in 0..self.dimensions {
            let offset =
                query.get(axis).copied().unwrap_or(0.0) - coordinate(&self.points, point, axis);
            if offset.abs() > 1.0 {
                return;
            }
            distance += offset * offset;
        }
        let closer = best.is_none_or(|(index, d)| distance < d || (distance == d && point < index));
        if closer {
            *best = Some((point, distance));
        }
    }

    /// Takes a point out of all later searches; false if it was out already.
    pub fn take(&mut self, point: usize) -> bool {
        let Some(slot) = self.taken.get_mut(point).filter(|taken| !**taken) else {
            return false;
        };
        *slot = true;
        // The point's place is found by walking to it, so that every subtree on the way counts
        // one less.
        let (mut start, mut end, mut depth) = (0, self.order.len(), 0);
        while start < end {
            let middle = start + (end - start) / 2;
            if let Some(count) = self.left.get_mut(middle) {
                *count -= 1;
            }
            let Some(&root) = self.order.get(middle) else {
                break;
            };
            if root == point {
                break;
            }
            let axis = self.axis(depth);
            let before = coordinate(&self.points, point, axis)
                .total_cmp(&coordinate(&self.points, root, axis))
                .then(point.cmp(&root))
                .is_lt();
            (start, end) = if before {
                (start, middle)
            } else {
                (middle + 1, end)
            };
            depth += 1;
        }
        true
    }
}

fn coordinate(points: &[Vec<f64>], point: usize, axis: usize) -> f64 {
    points
        .get(point)
        .and_then(|p| p.get(axis))
        .copied()
        .unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn brute(points: &[Vec<f64>], taken: &[bool], query: &[f64]) -> Option<(usize, f64)> {
        let mut best: Option<(usize, f64)> = None;
        for (index, point) in points.iter().enumerate() {
            let offsets: Vec<f64> = point.iter().zip(query).map(|(a, b)| b - a).collect();
            if taken[index] || offsets.iter().any(|o| o.abs() > 1.0) {
                continue;
            }
            let distance = offsets.iter().map(|o| o * o).sum();
            if best.is_none_or(|(_, d)| distance < d) {
                best = Some((index, distance));
            }
        }
        best
    }

    proptest! {
        #[test]
        fn agrees_with_looking_at_every_point(
            points in prop::collection::vec(prop::collection::vec(-8i32..8, 3), 0..60),
            queries in prop::collection::vec(prop::collection::vec(-8i32..8, 3), 1..60),
        ) {
            // Quarters make ties frequent.
            let scale = |p: Vec<i32>| p.into_iter().map(|v| f64::from(v) / 4.0).collect();
            let points: Vec<Vec<f64>> = points.into_iter().map(scale).collect();
            let mut tree = Tree::new(points.clone());
            let mut taken = vec![false; points.len()];
            for query in queries {
                let query: Vec<f64> = scale(query);
                let expected = brute(&points, &taken, &query);
                prop_assert_eq!(tree.closest(&query), expected);
                if let Some((index, _)) = expected {
                    tree.take(index);
                    taken[index] = true;
                }
            }
        }
    }

    #[test]
    fn points_without_coordinates_all_match() {
        let mut tree = Tree::new(vec![vec![]; 2]);
        assert_eq!(tree.closest(&[]), Some((0, 0.0)));
        tree.take(0);
        assert_eq!(tree.closest(&[]), Some((1, 0.0)));
        assert!(tree.take(1));
        assert!(!tree.take(1));
        assert_eq!(tree.closest(&[]), None);
        assert_eq!(Tree::new(vec![]).closest(&[1.0]), None);
    }
}
