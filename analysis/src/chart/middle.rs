//! The middle of many traces, and the stretch of time that shows what happens in them.

use super::trace::Trace;
use crate::statistics::quantile::{of_sorted, quantile};

/// Times at which the middle of many traces is taken.
const MIDDLE_STEPS: usize = 96;
/// Fewer traces than this have no middle.
pub(crate) const LEAST_TRACES: usize = 3;

/// The middle of many traces at one time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Middle {
    /// Time, s from the reference.
    pub(crate) t_s: f64,
    /// Lower quartile.
    pub(crate) low: f64,
    /// Median.
    pub(crate) median: f64,
    /// Upper quartile.
    pub(crate) high: f64,
}

/// Medians and quartiles of traces over a stretch of time, wherever at least half of them (and at
/// least three) have a value.
pub(crate) fn middle(traces: &[Trace<'_>], from_s: f64, to_s: f64) -> Vec<Middle> {
    if traces.len() < LEAST_TRACES {
        return Vec::new();
    }
    let gaps: Vec<f64> = traces.iter().map(Trace::longest_step_s).collect();
    let of = |values: &[f64], share| of_sorted(values, share).unwrap_or(0.0);
    let need = LEAST_TRACES.max(traces.len().div_ceil(2));
    (0..=MIDDLE_STEPS)
        .filter_map(|i| {
            let t_s = from_s + (to_s - from_s) * i as f64 / MIDDLE_STEPS as f64;
            let mut values: Vec<f64> = traces
                .iter()
                .zip(&gaps)
                .filter_map(|(trace, gap)| trace.at(*gap, t_s))
                .collect();
            values.sort_by(f64::total_cmp);
            (values.len() >= need).then(|| Middle {
                t_s,
                low: of(&values, 0.25),
                median: of(&values, 0.5),
                high: of(&values, 0.75),
            })
        })
        .collect()
}

/// The stretch of time that shows what happens: from `before_s` ahead of the reference to a little
/// after the last trace has done `settled` of its way from its first to its farthest value (a rise)
/// or has come back to within `1 - settled` of it (a pulse).
pub(crate) fn window(traces: &[Trace<'_>], before_s: f64, settled: f64, pulse: bool) -> (f64, f64) {
    let from_s = traces
        .iter()
        .filter_map(|trace| trace.samples().map(|(t, _)| t).min_by(f64::total_cmp))
        .min_by(f64::total_cmp)
        .unwrap_or(-before_s)
        .clamp(-before_s, 0.0);
    let ends: Vec<f64> = traces
        .iter()
        .filter_map(|trace| settles(trace, settled, pulse))
        .collect();
    let last_sample = traces
        .iter()
        .flat_map(|trace| trace.samples().map(|(t, _)| t).max_by(f64::total_cmp))
        .max_by(f64::total_cmp)
        .unwrap_or(1.0);
    // One odd trace shall not squeeze all others.
    let end = quantile(&ends, 0.9).unwrap_or(1.0);
    let to_s = (end * 1.25 + 0.1).min(last_sample).clamp(0.1, 60.0);
    (from_s, to_s)
}

fn settles(trace: &Trace<'_>, settled: f64, pulse: bool) -> Option<f64> {
    let after = || trace.samples().filter(|(t, _)| *t >= 0.0);
    let (_, first) = after().next()?;
    let first = if pulse { 0.0 } else { first };
    let way = |v: f64| (v - first).abs();
    let farthest = after()
        .map(|(_, v)| way(v))
        .max_by(f64::total_cmp)
        .filter(|way| *way > 0.0)?;
    if pulse {
        after()
            .filter(|(_, v)| way(*v) > (1.0 - settled) * farthest)
            .last()
            .map(|(t, _)| t)
    } else {
        after()
            .find(|(_, v)| way(*v) >= settled * farthest)
            .map(|(t, _)| t)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Three ramps of slopes 1, 2 and 4: the median has slope 2, the quartiles lie half way.
    #[test]
    fn the_middle_of_ramps() {
        let t_s: Vec<f64> = (0..=100).map(|i| f64::from(i) * 0.01).collect();
        let ramps: Vec<Vec<f64>> = [1.0, 2.0, 4.0]
            .iter()
            .map(|s| t_s.iter().map(|t| s * t).collect())
            .collect();
        let traces: Vec<Trace<'_>> = ramps
            .iter()
            .map(|values| Trace { t_s: &t_s, values })
            .collect();
        let middle = middle(&traces, 0.0, 1.0);
        assert_eq!(middle.len(), MIDDLE_STEPS + 1);
        for m in middle {
            let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
            assert!(
                near(m.median, 2.0 * m.t_s)
                    && near(m.low, 1.5 * m.t_s)
                    && near(m.high, 3.0 * m.t_s)
            );
        }
        assert!(super::middle(&traces[..2], 0.0, 1.0).is_empty());
    }

    #[test]
    fn the_window_holds_the_rise() {
        let t_s: Vec<f64> = (-50..500).map(|i| f64::from(i) * 0.01).collect();
        let values: Vec<f64> = t_s.iter().map(|t| (t * 5.0).clamp(0.0, 1.0)).collect();
        let (from, to) = window(
            &[Trace {
                t_s: &t_s,
                values: &values,
            }],
            0.1,
            0.95,
            false,
        );
        assert!((from + 0.1).abs() < 1e-12);
        assert!((0.25..0.5).contains(&to), "{to}");
    }

    proptest! {
        #[test]
        fn any_traces_have_a_window_and_an_ordered_middle(
            samples in proptest::collection::vec((any::<f64>(), any::<f64>()), 0..40),
        ) {
            let (t_s, values): (Vec<f64>, Vec<f64>) = samples.into_iter().unzip();
            let trace = Trace { t_s: &t_s, values: &values };
            let (from, to) = window(&[trace, trace, trace], 0.2, 0.9, true);
            prop_assert!(from.is_finite() && to.is_finite() && from < to);
            for m in middle(&[trace, trace, trace], from, to) {
                prop_assert!(m.low <= m.median && m.median <= m.high);
            }
        }
    }
}
