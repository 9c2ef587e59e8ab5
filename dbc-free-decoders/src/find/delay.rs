//! By how much one series follows another, told by their edges.

use super::statistics::{correlation, peak_offset, slope, smooth};
use super::timeline::Timeline;

/// Longest delay that is looked for, s: of a coupling's pressure behind its demand.
const LONGEST_DELAY_S: f64 = 0.5;

/// A series on the axis with its edges, which carry the time.
pub(crate) struct Edged<'a> {
    values: &'a [f64],
    edges: Vec<f64>,
}

impl<'a> Edged<'a> {
    pub(crate) fn of(values: &'a [f64]) -> Self {
        Self {
            values,
            edges: slope(&smooth(values, 3)),
        }
    }
}

/// How two series go together.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Delay {
    /// Correlation, at the delay or without it, whichever is more.
    pub(crate) likeness: f64,
    /// By how much the second follows the first, s.
    pub(crate) seconds: f64,
}

impl Delay {
    /// The delay at which the edges are most alike.
    pub(crate) fn between(first: &Edged<'_>, second: &Edged<'_>, axis: &Timeline) -> Self {
        let most = axis.points(LONGEST_DELAY_S) as i64;
        let at = |lag: i64| {
            let shift = lag.unsigned_abs() as usize;
            let n = first.edges.len().saturating_sub(shift);
            let (a, b) = if lag >= 0 { (0, shift) } else { (shift, 0) };
            match (first.edges.get(a..a + n), second.edges.get(b..b + n)) {
                (Some(a), Some(b)) => correlation(a, b),
                _ => 0.0,
            }
        };
        // One more on either side, for the parabola.
        let likeness: Vec<f64> = (-most - 1..=most + 1).map(at).collect();
        let best = likeness
            .windows(3)
            .zip(-most..)
            .filter_map(|(near, lag)| Some((<[f64; 3]>::try_from(near).ok()?, lag)))
            .max_by(|a, b| a.0[1].total_cmp(&b.0[1]));
        let Some((near, lag)) = best else {
            return Self::default();
        };
        Self {
            likeness: correlation(first.values, second.values).max(near[1]),
            seconds: (lag as f64 + peak_offset(near)) * axis.step_s(),
        }
    }

    /// The same two in the other order.
    pub(crate) fn reversed(self) -> Self {
        Self {
            seconds: -self.seconds,
            ..self
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_delay_between_points_is_told_both_ways() {
        let axis = Timeline::new(&[(0, 60_000_000_000)]);
        let bumps = |late_s: f64| -> Vec<f64> {
            let at = |k: usize| (k as f64 * axis.step_s() - late_s - 20.0) / 0.4;
            (0..axis.len()).map(|k| (-at(k).powi(2)).exp()).collect()
        };
        let (early, late) = (bumps(0.0), bumps(0.17));
        let (early, late) = (Edged::of(&early), Edged::of(&late));
        let delay = Delay::between(&early, &late, &axis);
        assert!((delay.seconds - 0.17).abs() < 0.005, "{delay:?}");
        assert!(delay.likeness > 0.99, "{delay:?}");
        let (back, same) = (Delay::between(&late, &early, &axis), delay.reversed());
        assert_eq!(back.likeness, same.likeness);
        assert!((back.seconds - same.seconds).abs() < 1e-12, "{back:?}");
    }
}
