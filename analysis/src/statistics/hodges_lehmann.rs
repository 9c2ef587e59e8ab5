//! By how much one sample is shifted against another: the Hodges-Lehmann estimate.
//!
//! `shift = median over i, j of (y_j - x_i)`, with `x` before and `y` after, in the values' unit
//! (Hodges & Lehmann, "Estimates of location based on rank tests", Annals of Mathematical
//! Statistics 34 (1963) 598-611). It is the shift that leaves the Mann-Whitney test nothing to
//! see. It is not the difference of the two medians. Against the difference of means it loses 5 %
//! of efficiency on normal values and stands when a quarter of the values are wrong.
//!
//! The confidence interval runs from the C-th smallest difference to the C-th largest, where C
//! comes from the Mann-Whitney distribution: exactly for small samples, else from its normal
//! approximation with the variance that ties leave (Hollander & Wolfe, Nonparametric Statistical
//! Methods, 1973, section 4.3). Very few values have none: even from the smallest difference to the
//! largest the shift of 3 values against 3 lies with a confidence of 90 % only. It takes every value for independent: for values nested in
//! clusters use [`super::two_level`].
//!
//! [`weighted_shift`] lets values count by weights and compares only within strata. The
//! differences of stratum `s` count by `w_i w_j / (W_before,s + W_after,s)`, van Elteren's weights
//! (Bulletin of the International Statistical Institute 37 (1960) 351-361), so that a stratum
//! with twice the values counts twice, not four times.
//!
//! No list of differences is ever made: see the count in [`super::selection`].

use super::mann_whitney;
use super::quantile::sorted;
use super::selection;
use super::student_t::normal_critical;

/// A confidence interval of a shift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Median of all differences `after - before`. `None` if a sample is empty.
#[must_use]
pub fn shift(before: &[f64], after: &[f64]) -> Option<f64> {
    let differences = Differences::new(before, after)?;
    let (low, high) = differences.ends();
    Some(selection::median(low, high, differences.total(), |t| {
        differences.at_most(t)
    }))
}

/// Confidence interval of the shift, of at least the confidence asked for: ranks are whole, so the
/// exact one has a little more. `None` if so few values cannot carry one, or `confidence` is not
/// between 0 and 1.
#[must_use]
pub fn interval(before: &[f64], after: &[f64], confidence: f64) -> Option<Interval> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let differences = Differences::new(before, after)?;
    let total = differences.total();
    let tail = 0.5 * (1.0 - confidence);
    let rank = match mann_whitney::untied_distribution(before.len(), after.len()) {
        Some(distribution) => {
            let mut below = 0.0;
            let mut quantile = 0;
            for (u, p) in distribution.iter().enumerate() {
                if below + p >= tail {
                    quantile = u;
                    break;
                }
                below += p;
            }
            // Beyond the two extreme differences there is nowhere to go.
            if quantile == 0 {
                return None;
            }
            quantile as u64
        }
        None => {
            let sd = mann_whitney::null_sd(before, after);
            let rank = (0.5 * total as f64 - normal_critical(2.0 * tail) * sd).floor();
            rank.max(1.0) as u64
        }
    };
    let (first, last) = differences.ends();
    let low = selection::first_reached(first, last, |t| differences.at_most(t) >= rank);
    let high = selection::first_reached(first, last, |t| differences.at_most(t) > total - rank);
    Some(Interval { low, high })
}

/// One stratum of a weighted comparison: values with their weights, before and after.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stratum {
    /// Values before, each with its weight.
    pub before: Vec<(f64, f64)>,
    /// Values after, each with its weight.
    pub after: Vec<(f64, f64)>,
}

/// Weighted median of the differences `after - before` within strata. `None` if no stratum has
/// values of positive weight on both sides.
#[must_use]
pub fn weighted_shift(strata: &[Stratum]) -> Option<f64> {
    let mut prepared = Vec::new();
    let mut total = 0.0;
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for stratum in strata {
        let (before, before_weight) = cumulative(&stratum.before);
        let (after, after_weight) = cumulative(&stratum.after);
        if let (Some(b0), Some(b1), Some(a0), Some(a1)) =
            (before.first(), before.last(), after.first(), after.last())
        {
            low = low.min(a0.value - b1.value);
            high = high.max(a1.value - b0.value);
            let scale = 1.0 / (before_weight + after_weight);
            total += before_weight * after_weight * scale;
            prepared.push((before, after, scale));
        }
    }
    if prepared.is_empty() {
        return None;
    }
    let at_most = |t: f64| -> f64 {
        prepared
            .iter()
            .map(|(before, after, scale)| scale * weight_at_most(before, after, t))
            .sum()
    };
    // Sums of weights differ in their last digits with the order of summation.
    let tolerance = 1e-10 * total;
    let lower = selection::first_reached(low, high, |t| at_most(t) >= 0.5 * total - tolerance);
    let upper = selection::first_reached(lower, high, |t| at_most(t) > 0.5 * total + tolerance);
    Some(0.5 * lower + 0.5 * upper)
}

/// All differences of two samples, which are kept sorted and never written down.
struct Differences {
    before: Vec<f64>,
    after: Vec<f64>,
}

impl Differences {
    fn new(before: &[f64], after: &[f64]) -> Option<Self> {
        (!before.is_empty() && !after.is_empty()).then(|| Self {
            before: sorted(before),
            after: sorted(after),
        })
    }

    fn total(&self) -> u64 {
        self.before.len() as u64 * self.after.len() as u64
    }

    fn ends(&self) -> (f64, f64) {
        let first = |values: &[f64]| values.first().copied().unwrap_or(0.0);
        let last = |values: &[f64]| values.last().copied().unwrap_or(0.0);
        (
            first(&self.after) - last(&self.before),
            last(&self.after) - first(&self.before),
        )
    }

    /// How many differences are at most `t`. As y grows, the first x with `y - x <= t` only moves
    /// up, so one pass over both samples counts all.
    fn at_most(&self, t: f64) -> u64 {
        let mut start = 0;
        let mut count = 0;
        for y in &self.after {
            while self.before.get(start).is_some_and(|x| y - x > t) {
                start += 1;
            }
            count += (self.before.len() - start) as u64;
        }
        count
    }
}

struct Weighted {
    value: f64,
    weight: f64,
    /// Weight of this and all later values.
    from_here: f64,
}

fn cumulative(values: &[(f64, f64)]) -> (Vec<Weighted>, f64) {
    let mut sorted: Vec<Weighted> = values
        .iter()
        .filter(|(_, weight)| *weight > 0.0)
        .map(|&(value, weight)| Weighted {
            value,
            weight,
            from_here: 0.0,
        })
        .collect();
    sorted.sort_by(|a, b| a.value.total_cmp(&b.value));
    let mut total = 0.0;
    for entry in sorted.iter_mut().rev() {
        total += entry.weight;
        entry.from_here = total;
    }
    (sorted, total)
}

fn weight_at_most(before: &[Weighted], after: &[Weighted], t: f64) -> f64 {
    let mut start = 0;
    let mut weight = 0.0;
    for y in after {
        while before.get(start).is_some_and(|x| y.value - x.value > t) {
            start += 1;
        }
        weight += y.weight * before.get(start).map_or(0.0, |x| x.from_here);
    }
    weight
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::quantile::median;
    use proptest::prelude::*;

    // Permeability of the human placenta at term and at 12 to 26 weeks: Hollander & Wolfe,
    // Nonparametric Statistical Methods, 1973, p. 69. Expected values computed with the R
    // function that prints them for this example (stats::wilcox.test).
    const TERM: [f64; 10] = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46];
    const EARLY: [f64; 5] = [1.15, 0.88, 0.90, 0.74, 1.21];

    #[test]
    fn published_example() {
        assert!((shift(&EARLY, &TERM).unwrap() - 0.305).abs() < 1e-12);
        let found = interval(&EARLY, &TERM, 0.95).unwrap();
        assert!((found.low + 0.15).abs() < 1e-12, "{found:?}");
        assert!((found.high - 0.76).abs() < 1e-12, "{found:?}");
        // Its confidence is 96.004 %: whoever asks for more gets a wider one.
        assert_eq!(interval(&EARLY, &TERM, 0.960_03), Some(found));
        assert!(interval(&EARLY, &TERM, 0.960_05).unwrap().low < found.low);
    }

    /// From the smallest to the largest difference the confidence is `1 - 2 / (N! / (m! n!))`.
    #[test]
    fn too_few_values_carry_no_interval() {
        let values =
            |n: usize, level: f64| -> Vec<f64> { (0..n).map(|i| level + i as f64).collect() };
        let is_there = |m, n| interval(&values(m, 0.0), &values(n, 10.0), 0.95).is_some();
        for (m, n) in [(1, 1), (3, 3), (1, 8), (2, 7)] {
            assert!(!is_there(m, n) && !is_there(n, m), "{m} against {n}");
        }
        for (m, n) in [(4, 4), (3, 5), (2, 8), (1, 39)] {
            assert!(is_there(m, n) && is_there(n, m), "{m} against {n}");
        }
    }

    #[test]
    fn empty_samples_have_no_shift() {
        assert_eq!(shift(&[], &[1.0]), None);
        assert_eq!(interval(&[1.0], &[], 0.95), None);
        assert_eq!(interval(&[1.0], &[2.0], f64::NAN), None);
        assert_eq!(weighted_shift(&[]), None);
        assert_eq!(
            weighted_shift(&[Stratum {
                before: vec![(1.0, 1.0)],
                after: vec![]
            }]),
            None
        );
    }

    #[test]
    fn ten_thousand_values_need_no_list_of_differences() {
        let before: Vec<f64> = (0..10_000).map(|i| f64::from(i % 997)).collect();
        let after: Vec<f64> = before.iter().map(|v| v - 12.5).collect();
        assert_eq!(shift(&before, &after), Some(-12.5));
        let found = interval(&before, &after, 0.95).unwrap();
        assert!(found.low < -12.5 && found.high > -12.5 && found.high - found.low < 20.0);
    }

    proptest! {
        #[test]
        fn equals_the_median_of_the_written_out_differences(
            before in prop::collection::vec(-20i32..20, 1..25),
            after in prop::collection::vec(-20i32..20, 1..25),
        ) {
            let before: Vec<f64> = before.into_iter().map(|v| f64::from(v) * 0.1).collect();
            let after: Vec<f64> = after.into_iter().map(|v| f64::from(v) * 0.1).collect();
            let all: Vec<f64> =
                after.iter().flat_map(|y| before.iter().map(move |x| y - x)).collect();
            prop_assert_eq!(shift(&before, &after), median(&all).map(|m| m + 0.0));
            // One stratum of equal weights is the plain estimate.
            let weigh = |v: &[f64]| v.iter().map(|x| (*x, 0.3)).collect();
            let one = Stratum { before: weigh(&before), after: weigh(&after) };
            prop_assert_eq!(weighted_shift(&[one]), shift(&before, &after));
        }

        #[test]
        fn follows_the_units_and_mirrors_when_the_sets_are_swapped(
            before in prop::collection::vec(0.0f64..1.0, 3..20),
            after in prop::collection::vec(0.0f64..1.0, 3..20),
            offset in -5.0f64..5.0,
        ) {
            let plain = shift(&before, &after).unwrap();
            prop_assert!((shift(&after, &before).unwrap() + plain).abs() < 1e-12);
            let moved: Vec<f64> = after.iter().map(|v| v + offset).collect();
            prop_assert!((shift(&before, &moved).unwrap() - plain - offset).abs() < 1e-9);
            if let Some(found) = interval(&before, &after, 0.95) {
                prop_assert!(found.low <= plain && plain <= found.high);
            } else {
                prop_assert!(before.len() + after.len() < 8);
            }
        }
    }

    #[test]
    fn strata_are_compared_within_themselves() {
        // Two kinds 100 apart, unequally many on the two sides; the shift is -1 in each.
        let kind = |level: f64, before: usize, after: usize| Stratum {
            before: (0..before)
                .map(|i| (level + i as f64 * 1e-3, 1.0))
                .collect(),
            after: (0..after)
                .map(|i| (level - 1.0 + i as f64 * 1e-3, 1.0))
                .collect(),
        };
        let found = weighted_shift(&[kind(100.0, 9, 2), kind(0.0, 2, 9)]).unwrap();
        assert!((found + 1.0).abs() < 0.01, "{found}");
    }
}
