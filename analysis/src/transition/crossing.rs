//! Crossing times as IEEE Std 181 takes them: linear between the two samples on either side of a
//! reference level. Exact for a waveform without noise that is straight between samples; the start
//! and the fallback of the fitted estimate.

/// A crossing between two samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Crossing {
    /// Interpolated time, in the unit of the given times.
    pub(crate) t_s: f64,
    /// Index of the last sample before it.
    pub(crate) before: usize,
}

/// The upward crossing of the middle level: the first after which more samples stay above the
/// level than fall back, so that a lone spike is no crossing.
#[must_use]
pub(crate) fn middle_crossing(t_s: &[f64], y: &[f64], level: f64) -> Option<Crossing> {
    let n = t_s.len().min(y.len());
    // With every sample above counting for and every one below against, the best split of the
    // waveform into a lower and an upper part is where the running sum is least.
    let mut sum = 0_i64;
    let mut best = (i64::MAX, 0);
    for (i, &value) in y.iter().take(n).enumerate() {
        if sum < best.0 {
            best = (sum, i);
        }
        sum += if value >= level { 1 } else { -1 };
    }
    upward_near(t_s, y, level, best.1)
}

/// The last upward crossing of `level` at or before sample `until`.
#[must_use]
pub(super) fn last_crossing_before(
    t_s: &[f64],
    y: &[f64],
    level: f64,
    until: usize,
) -> Option<Crossing> {
    let until = until.min(y.len().min(t_s.len()).checked_sub(1)?);
    (0..until).rev().find_map(|i| crossing_at(t_s, y, level, i))
}

/// The first upward crossing of `level` at or after sample `from`.
#[must_use]
pub(super) fn first_crossing_after(
    t_s: &[f64],
    y: &[f64],
    level: f64,
    from: usize,
) -> Option<Crossing> {
    let n = t_s.len().min(y.len());
    (from..n.saturating_sub(1)).find_map(|i| crossing_at(t_s, y, level, i))
}

fn upward_near(t_s: &[f64], y: &[f64], level: f64, split: usize) -> Option<Crossing> {
    split
        .checked_sub(1)
        .and_then(|i| crossing_at(t_s, y, level, i))
}

/// The crossing between samples `i` and `i + 1`, if the level lies there.
fn crossing_at(t_s: &[f64], y: &[f64], level: f64, i: usize) -> Option<Crossing> {
    let (&t0, &t1, &y0, &y1) = (t_s.get(i)?, t_s.get(i + 1)?, y.get(i)?, y.get(i + 1)?);
    if !(y0 < level && y1 >= level) {
        return None;
    }
    Some(Crossing {
        t_s: t0 + (level - y0) / (y1 - y0) * (t1 - t0),
        before: i,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ramp is straight between samples, so its crossings are exact.
    #[test]
    fn a_ramp_is_crossed_exactly() {
        let t: Vec<f64> = (0..50).map(|i| f64::from(i) * 0.01).collect();
        let y: Vec<f64> = t
            .iter()
            .map(|t| ((t - 0.1) / 0.2).clamp(0.0, 1.0))
            .collect();
        let middle = middle_crossing(&t, &y, 0.5).unwrap();
        assert!((middle.t_s - 0.2).abs() < 1e-12);
        let low = last_crossing_before(&t, &y, 0.1, middle.before + 1).unwrap();
        assert!((low.t_s - 0.12).abs() < 1e-12);
        let high = first_crossing_after(&t, &y, 0.9, middle.before).unwrap();
        assert!((high.t_s - 0.28).abs() < 1e-12);
    }

    #[test]
    fn a_spike_is_no_crossing() {
        let mut y = vec![0.0; 20];
        y.extend(vec![1.0; 20]);
        y[5] = 1.0;
        let t: Vec<f64> = (0..40).map(f64::from).collect();
        assert_eq!(middle_crossing(&t, &y, 0.5).unwrap().before, 19);
    }

    #[test]
    fn what_never_crosses_has_no_crossing() {
        assert_eq!(middle_crossing(&[0.0, 1.0], &[0.0, 0.1], 0.5), None);
        assert_eq!(middle_crossing(&[], &[], 0.5), None);
        assert_eq!(first_crossing_after(&[0.0, 1.0], &[1.0, 1.0], 0.5, 0), None);
    }
}
