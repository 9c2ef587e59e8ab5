//! One common time axis for everything that is compared: the captures' spans one after the other,
//! in equal steps.

/// Shortest step, ns.
const SHORTEST_STEP_NS: i64 = 50_000_000;
/// Most points; longer drives get longer steps.
const MOST_POINTS: i64 = 12_000;
/// Captures nearer than this are one drive, ns.
const SAME_DRIVE_NS: i64 = 5_000_000_000;

/// The common axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Timeline {
    t_ns: Vec<i64>,
    step_ns: i64,
}

impl Timeline {
    pub(crate) fn new(spans: &[(i64, i64)]) -> Self {
        let mut sorted: Vec<(i64, i64)> = spans.iter().copied().filter(|(a, b)| a <= b).collect();
        sorted.sort_unstable();
        let mut merged: Vec<(i64, i64)> = Vec::new();
        for (first, last) in sorted {
            match merged.last_mut() {
                Some((_, end)) if first.saturating_sub(*end) < SAME_DRIVE_NS => {
                    *end = last.max(*end)
                }
                _ => merged.push((first, last)),
            }
        }
        let total: i64 = merged.iter().map(|(a, b)| b.saturating_sub(*a)).sum();
        let step_ns = SHORTEST_STEP_NS.max(total / MOST_POINTS);
        let mut t_ns = Vec::new();
        for (first, last) in merged {
            let points = last.saturating_sub(first) / step_ns + 1;
            t_ns.extend((0..points).map(|k| first + k * step_ns));
        }
        Self { t_ns, step_ns }
    }

    /// Times, ns since the epoch.
    #[must_use]
    pub fn t_ns(&self) -> &[i64] {
        &self.t_ns
    }

    /// Step within a drive, s.
    #[must_use]
    pub fn step_s(&self) -> f64 {
        self.step_ns as f64 * 1e-9
    }

    /// Number of points.
    #[must_use]
    pub fn len(&self) -> usize {
        self.t_ns.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.t_ns.is_empty()
    }

    /// Points in so many seconds, at least one.
    pub(crate) fn points(&self, seconds: f64) -> usize {
        ((seconds / self.step_s()).round() as usize).max(1)
    }

    /// Values at the axis's times plus `later_ns`, by linear interpolation between samples in order
    /// of time; before the first and after the last, that one's value.
    pub(crate) fn resample(&self, t_ns: &[i64], values: &[f64], later_ns: i64) -> Vec<f64> {
        let mut next = 0;
        self.t_ns
            .iter()
            .map(|t| {
                let t = t + later_ns;
                while t_ns.get(next).is_some_and(|sample| *sample <= t) {
                    next += 1;
                }
                let after = t_ns.get(next).zip(values.get(next));
                let before = next
                    .checked_sub(1)
                    .and_then(|k| t_ns.get(k).zip(values.get(k)));
                match (before, after) {
                    (Some((t0, v0)), Some((t1, v1))) => {
                        v0 + (v1 - v0) * ((t - t0) as f64 / (t1 - t0).max(1) as f64)
                    }
                    (Some((_, v)), None) | (None, Some((_, v))) => *v,
                    (None, None) => 0.0,
                }
            })
            .collect()
    }

    /// Whether there is a sample within `within_ns` of each time.
    pub(crate) fn covered(&self, t_ns: &[i64], within_ns: i64) -> Vec<bool> {
        let mut next = 0;
        self.t_ns
            .iter()
            .map(|t| {
                while t_ns.get(next).is_some_and(|sample| sample <= t) {
                    next += 1;
                }
                let near = |k: Option<usize>| {
                    k.and_then(|k| t_ns.get(k))
                        .is_some_and(|s| (s - t).abs() <= within_ns)
                };
                near(Some(next)) || near(next.checked_sub(1))
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_follow_each_other_and_values_are_interpolated() {
        let s = 1_000_000_000;
        let axis = Timeline::new(&[(100 * s, 101 * s), (0, s), (s + 1, 2 * s)]);
        assert_eq!((axis.len(), axis.step_ns), (62, SHORTEST_STEP_NS));
        assert_eq!(axis.t_ns()[41], 100 * s);
        let values = axis.resample(&[0, 2 * s], &[0.0, 20.0], 0);
        assert!((values[10] - 5.0).abs() < 1e-9 && values[61] == 20.0);
        let long = Timeline::new(&[(0, 3600 * s)]);
        assert!(long.len() <= 12_001 && long.step_s() > 0.29);
    }
}
