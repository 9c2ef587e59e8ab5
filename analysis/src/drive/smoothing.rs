//! Averages and slopes of a quantity on the drive's time base, alike on both sides of each sample, so
//! that nothing is delayed. Missing stays missing.

use std::collections::VecDeque;

use super::{Column, seconds_between};

/// Average over the values within half of `span_s` on either side.
pub(crate) fn centred_average(base_ns: &[i64], column: &Column, span_s: f64) -> Column {
    let mut averaged = Column::with_capacity(base_ns.len());
    // The window is short, so summing it afresh costs little and never drifts.
    windows(base_ns, column, span_s, |here, inside| {
        let sum: f64 = inside.iter().map(|(_, v)| v).sum();
        averaged.push(here.map(|_| sum / inside.len().max(1) as f64));
    });
    averaged
}

/// Slope of the least-squares line through the values within half of `span_s` on either side, per
/// second. Missing where fewer than three are there or all lie on one side.
pub(crate) fn centred_slope(base_ns: &[i64], column: &Column, span_s: f64) -> Column {
    let mut slopes = Column::with_capacity(base_ns.len());
    let mut i = 0;
    windows(base_ns, column, span_s, |here, inside| {
        let at_ns = base_ns[i];
        i += 1;
        slopes.push(here.and_then(|_| line_slope(at_ns, inside)));
    });
    slopes
}

fn line_slope(at_ns: i64, inside: &VecDeque<(i64, f64)>) -> Option<f64> {
    let (first, last) = (inside.front()?.0, inside.back()?.0);
    if inside.len() < 3 || first >= at_ns || last <= at_ns {
        return None;
    }
    let n = inside.len() as f64;
    let times = || inside.iter().map(|(t, _)| seconds_between(at_ns, *t));
    let t_mean = times().sum::<f64>() / n;
    let y_mean = inside.iter().map(|(_, v)| v).sum::<f64>() / n;
    let s_tt: f64 = times().map(|t| (t - t_mean).powi(2)).sum();
    let s_ty: f64 = times()
        .zip(inside)
        .map(|(t, (_, v))| (t - t_mean) * (v - y_mean))
        .sum();
    (s_tt > 0.0).then(|| s_ty / s_tt)
}

/// Calls `each` for every sample with its own value and all values around it.
fn windows(
    base_ns: &[i64],
    column: &Column,
    span_s: f64,
    mut each: impl FnMut(Option<f64>, &VecDeque<(i64, f64)>),
) {
    let half_ns = (span_s * 0.5e9) as i64;
    let mut inside: VecDeque<(i64, f64)> = VecDeque::new();
    let mut next = 0;
    for (i, &t) in base_ns.iter().enumerate() {
        while let Some(&later) = base_ns
            .get(next)
            .filter(|&&l| l <= t.saturating_add(half_ns))
        {
            if let Some(value) = column.get(next) {
                inside.push_back((later, value));
            }
            next += 1;
        }
        while inside
            .front()
            .is_some_and(|(early, _)| *early < t.saturating_sub(half_ns))
        {
            inside.pop_front();
        }
        each(column.get(i), &inside);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_keeps_its_values_and_shows_its_slope() {
        let base: Vec<i64> = (0..100).map(|i| i * 10_000_000).collect();
        let ramp: Column = (0..100).map(|i| Some(f64::from(i))).collect();
        let averaged = centred_average(&base, &ramp, 0.15);
        let slopes = centred_slope(&base, &ramp, 0.15);
        for i in 10..90 {
            assert!((averaged.get(i).unwrap() - i as f64).abs() < 1e-9);
            assert!((slopes.get(i).unwrap() - 100.0).abs() < 1e-9);
        }
        assert_eq!(slopes.get(0), None);
    }
}
