//! What of a long trace is drawn: the stretch that matters, thinned to what the eye can tell apart,
//! broken where samples are missing; and the middle of many traces.

use super::axis::LARGEST;

/// One trace: times and values of equal length, times rising.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trace<'a> {
    /// Times, s from the reference.
    pub t_s: &'a [f64],
    /// Values.
    pub values: &'a [f64],
}

/// A gap longer than this many sample periods is left open; a signal's timeout is five periods
/// where its decoder file does not say otherwise.
const GAP_PERIODS: f64 = 5.0;
/// Columns that a trace is thinned to; each keeps its lowest and its highest value.
const COLUMNS: usize = 110;
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

impl Trace<'_> {
    /// Whether there is anything to draw a line through.
    #[must_use]
    pub fn is_drawable(&self) -> bool {
        self.samples().nth(1).is_some()
    }

    fn samples(&self) -> impl Iterator<Item = (f64, f64)> + Clone {
        let pairs = self.t_s.iter().copied().zip(self.values.iter().copied());
        pairs.filter(|(t, v)| drawable(*t) && drawable(*v))
    }

    /// Longest step between samples that a line may bridge.
    fn longest_step_s(&self) -> f64 {
        let mut steps: Vec<f64> = self
            .samples()
            .zip(self.samples().skip(1))
            .map(|((a, _), (b, _))| b - a)
            .filter(|step| *step > 0.0)
            .collect();
        steps.sort_by(f64::total_cmp);
        steps
            .get(steps.len() / 2)
            .map_or(0.0, |median| GAP_PERIODS * median)
    }

    /// Unbroken pieces within a stretch of time, thinned for drawing.
    pub(crate) fn pieces(&self, from_s: f64, to_s: f64) -> Vec<Vec<(f64, f64)>> {
        let column_s = (to_s - from_s) / COLUMNS as f64;
        self.unbroken(from_s, to_s)
            .iter()
            .map(|piece| thin(piece, from_s, column_s))
            .filter(|p| p.len() > 1)
            .collect()
    }

    /// Unbroken pieces within a stretch of time, thinned only where there are more than `most`
    /// samples.
    pub(crate) fn pieces_of_at_most(
        &self,
        most: usize,
        from_s: f64,
        to_s: f64,
    ) -> Vec<Vec<(f64, f64)>> {
        let pieces = self.unbroken(from_s, to_s);
        if pieces.iter().map(Vec::len).sum::<usize>() <= most {
            return pieces;
        }
        // A column keeps up to four samples.
        let column_s = (to_s - from_s) / (most / 4).max(1) as f64;
        pieces
            .iter()
            .map(|piece| thin(piece, from_s, column_s))
            .collect()
    }

    fn unbroken(&self, from_s: f64, to_s: f64) -> Vec<Vec<(f64, f64)>> {
        let longest = self.longest_step_s();
        let mut pieces: Vec<Vec<(f64, f64)>> = Vec::new();
        let mut last = f64::NEG_INFINITY;
        for (t, v) in self.samples().filter(|(t, _)| (from_s..=to_s).contains(t)) {
            let step = t - last;
            match pieces.last_mut() {
                Some(piece) if step > 0.0 && step <= longest => piece.push((t, v)),
                // A clock that steps backwards also ends the piece.
                _ => pieces.push(vec![(t, v)]),
            }
            last = t;
        }
        pieces
    }

    /// Linear interpolation; nothing in a gap or beyond the ends.
    fn at(&self, longest_s: f64, t_s: f64) -> Option<f64> {
        let after = self.t_s.partition_point(|t| *t < t_s);
        let (t1, v1) = (*self.t_s.get(after)?, *self.values.get(after)?);
        if t1 == t_s {
            return Some(v1).filter(|v| drawable(*v));
        }
        let before = after.checked_sub(1)?;
        let (t0, v0) = (*self.t_s.get(before)?, *self.values.get(before)?);
        let step = t1 - t0;
        (step > 0.0 && step <= longest_s)
            .then(|| v0 + (v1 - v0) * ((t_s - t0) / step))
            .filter(|v| drawable(*v))
    }
}

/// Whether differences and products of a few such numbers are still numbers.
fn drawable(v: f64) -> bool {
    v.abs() <= LARGEST
}

/// Keeps the lowest and the highest sample of each column, and both ends.
fn thin(piece: &[(f64, f64)], from_s: f64, column_s: f64) -> Vec<(f64, f64)> {
    let column = |t: f64| ((t - from_s) / column_s) as usize;
    let mut thinned = Vec::new();
    for samples in piece.chunk_by(|a, b| column(a.0) == column(b.0)) {
        let by_value = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        let ends = [
            samples.first(),
            samples.iter().min_by(by_value),
            samples.iter().max_by(by_value),
            samples.last(),
        ];
        let mut kept: Vec<(f64, f64)> = ends.into_iter().flatten().copied().collect();
        kept.sort_by(|a, b| a.0.total_cmp(&b.0));
        kept.dedup();
        thinned.extend(kept);
    }
    thinned
}

/// Medians and quartiles of traces over a stretch of time, wherever at least half of them (and at
/// least three) have a value.
pub(crate) fn middle(traces: &[Trace<'_>], from_s: f64, to_s: f64) -> Vec<Middle> {
    if traces.len() < LEAST_TRACES {
        return Vec::new();
    }
    let gaps: Vec<f64> = traces.iter().map(Trace::longest_step_s).collect();
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
                low: quantile(&values, 0.25),
                median: quantile(&values, 0.5),
                high: quantile(&values, 0.75),
            })
        })
        .collect()
}

/// Quantile of sorted values by linear interpolation between order statistics.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share * sorted.len().saturating_sub(1) as f64;
    let below = place.floor() as usize;
    let at = |i: usize| sorted.get(i).or(sorted.last()).copied().unwrap_or(0.0);
    let (low, high) = (at(below), at(below + 1));
    low + (high - low) * (place - below as f64)
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
    let mut ends = ends;
    ends.sort_by(f64::total_cmp);
    // One odd trace shall not squeeze all others.
    let end = if ends.is_empty() {
        1.0
    } else {
        quantile(&ends, 0.9)
    };
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

    #[test]
    fn thinning_keeps_peaks_and_ends() {
        let t_s: Vec<f64> = (0..10_000).map(|i| i as f64 * 1e-3).collect();
        let mut values = vec![0.0; 10_000];
        values[4_321] = 7.0;
        values[4_325] = -3.0;
        let pieces = Trace {
            t_s: &t_s,
            values: &values,
        }
        .pieces(0.0, 10.0);
        assert_eq!(pieces.len(), 1);
        let piece = &pieces[0];
        assert!(piece.len() <= 4 * (COLUMNS + 1), "{}", piece.len());
        assert!(piece.contains(&(t_s[4_321], 7.0)) && piece.contains(&(t_s[4_325], -3.0)));
        assert_eq!((piece[0].0, piece[piece.len() - 1].0), (0.0, t_s[9_999]));
        assert!(piece.windows(2).all(|w| w[0].0 < w[1].0));
    }

    #[test]
    fn a_gap_stays_open() {
        let t_s = [0.0, 0.1, 0.2, 0.3, 1.0, 1.1, 1.2];
        let values = [1.0; 7];
        let trace = Trace {
            t_s: &t_s,
            values: &values,
        };
        assert_eq!(trace.pieces(0.0, 2.0).len(), 2);
        assert_eq!(trace.at(trace.longest_step_s(), 0.6), None);
        assert_eq!(trace.at(trace.longest_step_s(), 0.25), Some(1.0));
    }

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
        fn any_trace_can_be_drawn(
            samples in proptest::collection::vec((any::<f64>(), any::<f64>()), 0..40),
        ) {
            let (t_s, values): (Vec<f64>, Vec<f64>) = samples.into_iter().unzip();
            let trace = Trace { t_s: &t_s, values: &values };
            let (from, to) = window(&[trace, trace, trace], 0.2, 0.9, true);
            prop_assert!(from.is_finite() && to.is_finite() && from < to);
            for piece in trace.pieces(from, to) {
                prop_assert!(piece.iter().all(|(t, v)| t.is_finite() && v.is_finite()));
            }
            for m in middle(&[trace, trace, trace], from, to) {
                prop_assert!(m.low <= m.median && m.median <= m.high);
            }
        }
    }
}
