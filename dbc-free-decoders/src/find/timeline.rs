//! One common time axis for everything that is compared: the captures' spans one after the other,
//! in equal steps.

/// Shortest step, ns.
const SHORTEST_STEP_NS: u64 = 50_000_000;
/// Most points; longer drives get longer steps.
const MOST_POINTS: u64 = 12_000;
/// Captures nearer than this are one drive, ns.
const SAME_DRIVE_NS: i64 = 5_000_000_000;

/// The common axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Timeline {
    t_ns: Vec<i64>,
    step_ns: u64,
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
        let lengths = merged.iter().map(|(first, last)| last.abs_diff(*first));
        let total = lengths.fold(0_u64, u64::saturating_add);
        let step_ns = SHORTEST_STEP_NS.max(total / MOST_POINTS);
        let mut t_ns = Vec::new();
        for (first, last) in merged {
            let points = last.abs_diff(first) / step_ns + 1;
            t_ns.extend((0..points).map(|k| first.saturating_add_unsigned(k * step_ns)));
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
                let t = t.saturating_add(later_ns);
                while t_ns.get(next).is_some_and(|sample| *sample <= t) {
                    next += 1;
                }
                let after = t_ns.get(next).zip(values.get(next));
                let before = next
                    .checked_sub(1)
                    .and_then(|k| t_ns.get(k).zip(values.get(k)));
                match (before, after) {
                    (Some((t0, v0)), Some((t1, v1))) => {
                        let (past, whole) = (t.saturating_sub(*t0), t1.saturating_sub(*t0));
                        v0 + (v1 - v0) * (past as f64 / whole.max(1) as f64)
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
                        .is_some_and(|s| s.abs_diff(*t) <= within_ns.unsigned_abs())
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

    /// From the first to the last time that 64 bits of nanoseconds hold.
    #[test]
    fn times_at_both_ends_of_the_range_are_times() {
        let (first, last) = (i64::MIN, i64::MAX);
        let axis = Timeline::new(&[(first, first + 5), (-1, 1), (last - 5, last), (first, last)]);
        assert!(axis.len() <= 12_001 && !axis.is_empty());
        let ends = Timeline::new(&[(first, -1), (SAME_DRIVE_NS, last)]);
        assert!(ends.len() <= 12_003);
        for later_ns in [first, 0, last] {
            let values = ends.resample(&[first, last], &[0.0, 1.0], later_ns);
            assert!(values.iter().all(|v| (0.0..=1.0).contains(v)), "{later_ns}");
        }
        let covered = ends.covered(&[first, last], 1_500_000_000);
        assert_eq!(covered.iter().filter(|&&near| near).count(), 1);
    }
}
