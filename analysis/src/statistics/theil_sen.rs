//! A slope that outliers cannot move: the Theil-Sen estimate.
//!
//! `slope = median over pairs with x_i < x_j of (y_j - y_i) / (x_j - x_i)` (Theil 1950; Sen,
//! "Estimates of the regression coefficient based on Kendall's tau", JASA 63 (1968) 1379-1389).
//! The intercept is `median y - slope * median x`. The interval's ends are order statistics of
//! the slopes, at `(N' -+ z sigma) / 2` of the `N'` slopes, where
//! `sigma² = (n (n - 1) (2 n + 5) - ties of x - ties of y) / 18` is the variance of Kendall's
//! score and a group of `t` ties takes `t (t - 1) (2 t + 5)` from it.
//!
//! A slope of at most `t` belongs to a pair for which `y - t x` does not rise with x, so slopes
//! are counted by counting inversions, and never written down.

use super::quantile::median;
use super::selection;
use super::student_t::normal_critical;

/// A line with an interval for its slope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Change of y per unit of x.
    pub slope: f64,
    /// Value at x = 0.
    pub intercept: f64,
    /// Lower end of the slope's interval.
    pub low: f64,
    /// Upper end of the slope's interval.
    pub high: f64,
}

/// Fits a line. Surplus entries of the longer slice are ignored. `None` with fewer than two
/// different x or a confidence that is not between 0 and 1.
#[must_use]
pub fn fit(x: &[f64], y: &[f64], confidence: f64) -> Option<Line> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let mut points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    points.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let n = points.len() as u64;
    let tied_pairs: u64 = points
        .chunk_by(|a, b| a.0 == b.0)
        .map(|group| group.len() as u64)
        .map(|t| t * (t - 1) / 2)
        .sum();
    let total = (n * n.saturating_sub(1) / 2)
        .checked_sub(tied_pairs)
        .filter(|count| *count > 0)?;
    // The steepest slopes lie between neighbours in x.
    let (low, high) = steepest(&points);
    let count = |t: f64| slopes_at_most(&points, t);
    let slope = selection::median(low, high, total, count);
    let xs: Vec<f64> = points.iter().map(|p| p.0).collect();
    let ys: Vec<f64> = points.iter().map(|p| p.1).collect();
    let reach = normal_critical(1.0 - confidence) * kendall_variance(&xs, &ys).sqrt();
    // Zero-based positions among the sorted slopes.
    let last = total as f64 - 1.0;
    let upper = (0.5 * (total as f64 + reach)).round().min(last) as u64;
    let lower = ((0.5 * (total as f64 - reach)).round() - 1.0).max(0.0) as u64;
    Some(Line {
        slope,
        intercept: median(&ys)? - slope * median(&xs)?,
        low: selection::first_reached(low, high, |t| count(t) > lower),
        high: selection::first_reached(low, high, |t| count(t) > upper),
    })
}

fn steepest(points: &[(f64, f64)]) -> (f64, f64) {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let groups: Vec<&[(f64, f64)]> = points.chunk_by(|a, b| a.0 == b.0).collect();
    for pair in groups.windows(2) {
        if let [left, right] = pair
            && let (Some(l0), Some(l1), Some(r0), Some(r1)) =
                (left.first(), left.last(), right.first(), right.last())
        {
            // Within a group of equal x, y ascends.
            low = low.min((r0.1 - l1.1) / (r0.0 - l1.0));
            high = high.max((r1.1 - l0.1) / (r1.0 - l0.0));
        }
    }
    (low, high)
}

/// Pairs with different x whose slope is at most `t`. The points are sorted by x, then y.
fn slopes_at_most(points: &[(f64, f64)], t: f64) -> u64 {
    // Within equal x the residuals ascend, so such pairs never count unless equal; they are
    // taken off below.
    let residuals: Vec<f64> = points.iter().map(|(x, y)| y - t * x).collect();
    let equal_within: u64 = points
        .chunk_by(|a, b| a == b)
        .map(|group| group.len() as u64)
        .map(|k| k * (k - 1) / 2)
        .sum();
    not_rising(residuals).saturating_sub(equal_within)
}

/// Pairs `i < j` with `v[i] >= v[j]`, counted while merging.
fn not_rising(mut values: Vec<f64>) -> u64 {
    let mut merged = values.clone();
    let mut count = 0;
    let mut width = 1;
    while width < values.len() {
        for start in (0..values.len()).step_by(2 * width) {
            let middle = (start + width).min(values.len());
            let end = (start + 2 * width).min(values.len());
            let (mut left, mut right) = (start, middle);
            for slot in &mut merged[start..end] {
                let take_right = right < end && (left >= middle || values[left] >= values[right]);
                if take_right {
                    count += (middle - left) as u64;
                    *slot = values[right];
                    right += 1;
                } else {
                    *slot = values[left];
                    left += 1;
                }
            }
        }
        std::mem::swap(&mut values, &mut merged);
        width *= 2;
    }
    count
}

/// Variance of Kendall's score when nothing is there.
fn kendall_variance(x: &[f64], y: &[f64]) -> f64 {
    let part = |t: f64| t * (t - 1.0) * (2.0 * t + 5.0);
    let ties = |values: &[f64]| -> f64 {
        super::quantile::sorted(values)
            .chunk_by(|a, b| a == b)
            .map(|group| part(group.len() as f64))
            .sum()
    };
    ((part(x.len() as f64) - ties(x) - ties(y)) / 18.0).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn sen_1968_example() {
        // Sen (1968), section 6: estimate 4, interval at 93 % from 26/7 to 35/8. SciPy checks its
        // theilslopes against the same values.
        let x = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0];
        let y = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0];
        let line = fit(&x, &y, 0.93).unwrap();
        assert!((line.slope - 4.0).abs() < 1e-12, "{line:?}");
        assert!(
            (line.low - 26.0 / 7.0).abs() < 1e-12 && (line.high - 35.0 / 8.0).abs() < 1e-12,
            "{line:?}"
        );
    }

    #[test]
    fn one_x_has_no_slope() {
        assert_eq!(fit(&[1.0, 1.0], &[1.0, 2.0], 0.95), None);
        assert_eq!(fit(&[], &[], 0.95), None);
        assert_eq!(fit(&[1.0, 2.0], &[1.0, 2.0], 1.0), None);
    }

    #[test]
    fn a_third_of_wild_values_does_not_move_it() {
        let x: Vec<f64> = (0..3000).map(f64::from).collect();
        let y: Vec<f64> = x
            .iter()
            .map(|v| if v % 10.0 < 2.0 { 1e6 } else { 3.0 - 0.25 * v })
            .collect();
        let line = fit(&x, &y, 0.95).unwrap();
        assert!((line.slope + 0.25).abs() < 0.01, "{line:?}");
    }

    proptest! {
        #[test]
        fn equals_the_median_of_the_written_out_slopes(
            points in prop::collection::vec((0i32..12, -20i32..20), 2..25),
        ) {
            let x: Vec<f64> = points.iter().map(|p| f64::from(p.0)).collect();
            let y: Vec<f64> = points.iter().map(|p| f64::from(p.1)).collect();
            let mut slopes = Vec::new();
            for i in 0..x.len() {
                for j in 0..x.len() {
                    if x[i] < x[j] {
                        slopes.push((y[j] - y[i]) / (x[j] - x[i]));
                    }
                }
            }
            let found = fit(&x, &y, 0.95).map(|line| line.slope);
            match (found, median(&slopes)) {
                (Some(a), Some(b)) => prop_assert!((a - b).abs() < 1e-9, "{} {}", a, b),
                (a, b) => prop_assert_eq!(a.is_some(), b.is_some()),
            }
        }
    }
}
