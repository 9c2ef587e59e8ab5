//! Do differences of pairs lean to one side? The Wilcoxon signed-rank test and its estimate.
//!
//! The non-zero differences are ranked by size, ties sharing mid-ranks; `V` is the rank sum of
//! the positive ones (Wilcoxon, "Individual comparisons by ranking methods", Biometrics Bulletin 1
//! (1945) 80-83). Zero differences are left out, as Wilcoxon did.
//!
//! - Exact: all `2^n` ways to give signs are counted on doubled ranks, ties included (Streitberg &
//!   Röhmel 1986). Two-sided p is the share of ways in which V lies at least as far from its mean.
//! - Normal: mean `n (n + 1) / 4`, variance `sum of squared ranks / 4`, which is
//!   `n (n + 1) (2 n + 1) / 24` less `sum (t³ - t) / 48` for ties; continuity correction 1/2.
//!
//! The estimate that belongs to it is the pseudo-median: the median of all means `(d_i + d_j) / 2`
//! with `i <= j` (Hodges & Lehmann 1963; Walsh averages), here of all differences, zeros too.

use super::quantile::sorted;
use super::selection;
use super::student_t::normal_above;

/// Number of non-zero differences up to which the exact distribution is used.
const EXACT_LIMIT: usize = 60;

/// Outcome of a test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Test {
    /// Rank sum of the positive differences.
    pub v: f64,
    /// Two-sided p value.
    pub p: f64,
    /// Whether p is exact.
    pub exact: bool,
}

/// Tests exactly up to 60 non-zero differences, else by the normal approximation. `None` without
/// a non-zero difference.
#[must_use]
pub fn test(differences: &[f64]) -> Option<Test> {
    if differences.iter().filter(|d| **d != 0.0).count() <= EXACT_LIMIT {
        exact(differences)
    } else {
        approximate(differences, true)
    }
}

/// Exact test, with or without ties. `None` without a non-zero difference.
#[must_use]
pub fn exact(differences: &[f64]) -> Option<Test> {
    let (doubled, positive) = doubled_ranks(differences);
    let top: usize = doubled.iter().sum();
    if top == 0 {
        return None;
    }
    let mut ways = vec![0.0_f64; top + 1];
    ways[0] = 1.0;
    let mut seen = 0;
    for rank in &doubled {
        seen += rank;
        for sum in (*rank..=seen).rev() {
            ways[sum] += ways[sum - rank];
        }
    }
    let total: f64 = ways.iter().sum();
    let far = |sum: usize| (2 * sum as i64 - top as i64).abs();
    let beyond: f64 = ways
        .iter()
        .enumerate()
        .filter(|(sum, _)| far(*sum) >= far(positive))
        .map(|(_, count)| count)
        .sum();
    Some(Test {
        v: 0.5 * positive as f64,
        p: (beyond / total).clamp(0.0, 1.0),
        exact: true,
    })
}

/// Normal approximation. `None` without a non-zero difference.
#[must_use]
pub fn approximate(differences: &[f64], continuity: bool) -> Option<Test> {
    let (doubled, positive) = doubled_ranks(differences);
    let top: usize = doubled.iter().sum();
    if top == 0 {
        return None;
    }
    let variance = doubled
        .iter()
        .map(|r| (0.5 * *r as f64).powi(2))
        .sum::<f64>()
        / 4.0;
    let v = 0.5 * positive as f64;
    let mut distance = (v - 0.25 * top as f64).abs();
    if continuity {
        distance = (distance - 0.5).max(0.0);
    }
    Some(Test {
        v,
        p: (2.0 * normal_above(distance / variance.sqrt())).min(1.0),
        exact: false,
    })
}

/// Pseudo-median of the differences. `None` without differences.
#[must_use]
pub fn pseudo_median(differences: &[f64]) -> Option<f64> {
    let d = sorted(differences);
    let (low, high) = (*d.first()?, *d.last()?);
    let n = d.len() as u64;
    // Means are halves of sums, so sums are counted and the result is halved.
    let at_most = |t: f64| -> u64 {
        let mut end = d.len();
        let mut count = 0;
        for (index, value) in d.iter().enumerate() {
            while end > 0 && d.get(end - 1).is_some_and(|other| value + other > t) {
                end -= 1;
            }
            count += end.saturating_sub(index) as u64;
        }
        count
    };
    Some(0.5 * selection::median(2.0 * low, 2.0 * high, n * (n + 1) / 2, at_most))
}

/// Doubled mid-ranks of the sizes of the non-zero differences, and the doubled rank sum of the
/// positive ones.
fn doubled_ranks(differences: &[f64]) -> (Vec<usize>, usize) {
    let mut nonzero: Vec<f64> = differences.iter().copied().filter(|d| *d != 0.0).collect();
    nonzero.sort_unstable_by(|a, b| a.abs().total_cmp(&b.abs()));
    let mut doubled = Vec::with_capacity(nonzero.len());
    let mut positive = 0;
    for group in nonzero.chunk_by(|a, b| a.abs() == b.abs()) {
        let twice_mean = 2 * (doubled.len() + 1) + group.len() - 1;
        for difference in group {
            doubled.push(twice_mean);
            positive += if *difference > 0.0 { twice_mean } else { 0 };
        }
    }
    (doubled, positive)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::quantile::median;
    use proptest::prelude::*;

    #[test]
    #[allow(clippy::approx_constant, reason = "a measured 3.14")]
    fn published_example() {
        // Depression scale before and after a tranquiliser: Hollander & Wolfe 1973, p. 29;
        // V = 40, one-sided p 0.01953.
        let before = [1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30];
        let after = [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29];
        let d: Vec<f64> = before.iter().zip(after).map(|(b, a)| b - a).collect();
        let found = exact(&d).unwrap();
        assert_eq!(found.v, 40.0);
        assert!((found.p - 2.0 * 0.019_531_25).abs() < 1e-12);
    }

    #[test]
    fn zeros_only_have_no_test() {
        assert_eq!(test(&[0.0, 0.0]), None);
        assert_eq!(approximate(&[], true), None);
        assert_eq!(pseudo_median(&[]), None);
        assert_eq!(pseudo_median(&[0.0, 0.0]), Some(0.0));
    }

    proptest! {
        #[test]
        fn pseudo_median_equals_the_written_out_one(d in prop::collection::vec(-30i32..30, 1..30)) {
            let d: Vec<f64> = d.into_iter().map(|v| f64::from(v) / 4.0).collect();
            let mut walsh = Vec::new();
            for (i, a) in d.iter().enumerate() {
                walsh.extend(d.iter().skip(i).map(|b| 0.5 * (a + b)));
            }
            prop_assert_eq!(pseudo_median(&d), median(&walsh));
        }

        #[test]
        fn turning_all_signs_keeps_p(d in prop::collection::vec(-9i32..9, 1..14)) {
            let d: Vec<f64> = d.into_iter().map(f64::from).collect();
            let turned: Vec<f64> = d.iter().map(|v| -v).collect();
            prop_assert_eq!(exact(&d).map(|t| t.p), exact(&turned).map(|t| t.p));
        }
    }
}
