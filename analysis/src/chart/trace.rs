//! What of a long trace is drawn: thinned to what the eye can tell apart, broken where samples are
//! missing.

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

impl Trace<'_> {
    /// Whether there is anything to draw a line through.
    #[must_use]
    pub fn is_drawable(&self) -> bool {
        self.samples().nth(1).is_some()
    }

    /// Its samples that can be drawn.
    pub(super) fn samples(&self) -> impl Iterator<Item = (f64, f64)> + Clone {
        let pairs = self.t_s.iter().copied().zip(self.values.iter().copied());
        pairs.filter(|(t, v)| drawable(*t) && drawable(*v))
    }

    /// Longest step between samples that a line may bridge.
    pub(super) fn longest_step_s(&self) -> f64 {
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
    pub(super) fn at(&self, longest_s: f64, t_s: f64) -> Option<f64> {
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

    proptest! {
        #[test]
        fn any_trace_can_be_drawn(
            samples in proptest::collection::vec((any::<f64>(), any::<f64>()), 0..40),
        ) {
            let (t_s, values): (Vec<f64>, Vec<f64>) = samples.into_iter().unzip();
            let trace = Trace { t_s: &t_s, values: &values };
            for piece in trace.pieces(-1e3, 1e3) {
                prop_assert!(piece.iter().all(|(t, v)| t.is_finite() && v.is_finite()));
            }
        }
    }
}
