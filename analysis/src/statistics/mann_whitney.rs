//! Is one sample shifted against another? The Mann-Whitney (Wilcoxon rank-sum) test.
//!
//! `U` counts the pairs in which the value after exceeds the value before, ties half (Mann &
//! Whitney, Annals of Mathematical Statistics 18 (1947) 50-60). With `m` values before, `n` after
//! and `N = m + n`, and nothing there, `E U = m n / 2`.
//!
//! - Exact: all `N! / (m! n!)` ways to deal the observed ranks to the two sides are counted by
//!   the shift algorithm (Streitberg & Röhmel, "Exact distributions for permutation and rank
//!   tests", Statistical Software Newsletter 12 (1986) 10-17) on doubled mid-ranks, so ties are
//!   exact as well. Two-sided p is the share of ways in which U lies at least as far from its mean.
//! - Normal: variance `m n / 12 (N + 1 - sum (t³ - t) / (N (N - 1)))` over groups of `t` ties,
//!   with a continuity correction of 1/2 (Hollander & Wolfe 1973, section 4.1).
//!
//! Every value counts as independent. Values nested in clusters need [`super::two_level`] or
//! [`super::permutation::cluster_test`].

use super::student_t::normal_above;

/// Total sample size up to which the exact distribution is used.
const EXACT_LIMIT: usize = 60;

/// Product of sample sizes up to which the untied distribution is counted for intervals.
const UNTIED_LIMIT: usize = 2_500;

/// Outcome of a test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Test {
    /// Pairs in which the value after is the larger, ties half.
    pub u: f64,
    /// Two-sided p value.
    pub p: f64,
    /// Whether p is exact.
    pub exact: bool,
}

/// Tests exactly up to 60 values in all, else by the normal approximation. `None` if a sample is
/// empty.
#[must_use]
pub fn test(before: &[f64], after: &[f64]) -> Option<Test> {
    if before.len() + after.len() <= EXACT_LIMIT {
        exact(before, after)
    } else {
        approximate(before, after, true)
    }
}

/// Exact test, with or without ties. Time grows as the fourth power of the number of values.
/// `None` if a sample is empty.
#[must_use]
pub fn exact(before: &[f64], after: &[f64]) -> Option<Test> {
    let ranks = Ranks::new(before, after)?;
    let distribution = rank_sum_distribution(&ranks.doubled, after.len());
    // Doubled rank sums around their doubled mean, as whole numbers twice as large again.
    let mean = after.len() as i64 * (ranks.doubled.len() as i64 + 1);
    let observed = (ranks.doubled_sum_after as i64 - mean).abs();
    let p: f64 = distribution
        .iter()
        .enumerate()
        .filter(|(sum, _)| (*sum as i64 - mean).abs() >= observed)
        .map(|(_, p)| p)
        .sum();
    Some(Test {
        u: ranks.u(after.len()),
        p: p.clamp(0.0, 1.0),
        exact: true,
    })
}

/// Normal approximation with the variance that ties leave. `None` if a sample is empty; p is 1 if
/// all values are equal.
#[must_use]
pub fn approximate(before: &[f64], after: &[f64], continuity: bool) -> Option<Test> {
    let ranks = Ranks::new(before, after)?;
    let u = ranks.u(after.len());
    let sd = null_sd(before, after);
    let mut distance = (u - 0.5 * before.len() as f64 * after.len() as f64).abs();
    if continuity {
        distance = (distance - 0.5).max(0.0);
    }
    let p = if sd > 0.0 {
        (2.0 * normal_above(distance / sd)).min(1.0)
    } else {
        1.0
    };
    Some(Test { u, p, exact: false })
}

/// Standard deviation of U when nothing is there, given the ties.
#[must_use]
pub fn null_sd(before: &[f64], after: &[f64]) -> f64 {
    let (m, n) = (before.len() as f64, after.len() as f64);
    let total = m + n;
    if total < 2.0 {
        return 0.0;
    }
    let mut all = [before, after].concat();
    all.sort_unstable_by(f64::total_cmp);
    let ties: f64 = all
        .chunk_by(|a, b| a == b)
        .map(|group| {
            let t = group.len() as f64;
            t * t * t - t
        })
        .sum();
    (m * n / 12.0 * (total + 1.0 - ties / (total * (total - 1.0))))
        .max(0.0)
        .sqrt()
}

/// Probability of each `U = 0, 1, ..., m n` without ties, or `None` where there are too many
/// values to count. The number of ways is the coefficient in
/// `product over i = 1..=m of (1 - q^(n+i)) / (1 - q^i)` (Mann & Whitney 1947).
pub(super) fn untied_distribution(m: usize, n: usize) -> Option<Vec<f64>> {
    let top = m
        .checked_mul(n)
        .filter(|product| *product <= UNTIED_LIMIT)?;
    let mut ways = vec![0.0; top + 1];
    *ways.first_mut()? = 1.0;
    for i in 1..=m {
        for u in (n + i..=top).rev() {
            ways[u] -= ways[u - n - i];
        }
        for u in i..=top {
            ways[u] += ways[u - i];
        }
    }
    let total: f64 = ways.iter().sum();
    for p in &mut ways {
        *p /= total;
    }
    Some(ways)
}

/// Mid-ranks of two samples together, doubled to be whole numbers.
struct Ranks {
    doubled: Vec<usize>,
    doubled_sum_after: usize,
}

impl Ranks {
    fn new(before: &[f64], after: &[f64]) -> Option<Self> {
        if before.is_empty() || after.is_empty() {
            return None;
        }
        let mut all: Vec<(f64, bool)> = before.iter().map(|v| (*v, false)).collect();
        all.extend(after.iter().map(|v| (*v, true)));
        all.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let mut doubled = Vec::with_capacity(all.len());
        let mut doubled_sum_after = 0;
        for group in all.chunk_by(|a, b| a.0 == b.0) {
            // Ranks first..=last share the mean of their ends.
            let first = doubled.len() + 1;
            let twice_mean = 2 * first + group.len() - 1;
            for (_, is_after) in group {
                doubled.push(twice_mean);
                doubled_sum_after += if *is_after { twice_mean } else { 0 };
            }
        }
        Some(Self {
            doubled,
            doubled_sum_after,
        })
    }

    fn u(&self, n: usize) -> f64 {
        0.5 * self.doubled_sum_after as f64 - 0.5 * (n * (n + 1)) as f64
    }
}

/// Probability of each sum of `chosen` of the scores when all choices are equally likely.
fn rank_sum_distribution(scores: &[usize], chosen: usize) -> Vec<f64> {
    let top: usize = scores.iter().sum();
    // ways[k][s]: choices of k scores that sum to s.
    let mut ways = vec![vec![0.0_f64; top + 1]; chosen + 1];
    ways[0][0] = 1.0;
    let mut seen = 0;
    for (index, score) in scores.iter().enumerate() {
        for k in (1..=chosen.min(index + 1)).rev() {
            let (smaller, larger) = ways.split_at_mut(k);
            for sum in 0..=seen.min(top - score) {
                larger[0][sum + score] += smaller[k - 1][sum];
            }
        }
        seen += score;
    }
    let mut distribution = ways.pop().unwrap_or_default();
    let total: f64 = distribution.iter().sum();
    for p in &mut distribution {
        *p /= total;
    }
    distribution
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check_p(found: Option<Test>, u: f64, p: f64, tolerance: f64) {
        let found = found.unwrap();
        assert_eq!(found.u, u);
        assert!((found.p - p).abs() < tolerance, "{found:?}, expected {p}");
    }

    #[test]
    fn published_examples() {
        // Hollander & Wolfe 1973, p. 69; p values as R's stats::wilcox.test gives them.
        let term = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46];
        let early = [1.15, 0.88, 0.90, 0.74, 1.21];
        check_p(exact(&early, &term), 35.0, 0.254_412_3, 5e-8);
        check_p(
            approximate(&early, &term, false),
            35.0,
            2.0 * 0.110_335_7,
            1e-6,
        );
        // Blood pressure with ties: the StatXact manual's example, as tested in R's
        // exactRankTests: two-sided 0.0989.
        let treated = [94.0, 108.0, 110.0, 90.0];
        let control = [
            80.0, 94.0, 85.0, 90.0, 90.0, 90.0, 108.0, 94.0, 78.0, 105.0, 88.0,
        ];
        check_p(exact(&control, &treated), 35.0, 0.0989, 5e-5);
        // The worked example in SciPy's documentation of mannwhitneyu.
        let males = [19.0, 22.0, 16.0, 29.0, 24.0];
        let females = [20.0, 11.0, 17.0, 12.0];
        check_p(exact(&females, &males), 17.0, 0.111_111_1, 5e-8);
        check_p(approximate(&females, &males, true), 17.0, 0.111_346_9, 5e-8);
        check_p(
            approximate(&females, &males, false),
            17.0,
            0.086_410_7,
            5e-8,
        );
    }

    #[test]
    fn equal_values_show_nothing() {
        assert_eq!(test(&[1.0; 5], &[1.0; 7]).unwrap().p, 1.0);
        assert_eq!(test(&[1.0; 50], &[1.0; 70]).unwrap().p, 1.0);
        assert_eq!(test(&[], &[1.0]), None);
    }

    #[test]
    fn the_two_ways_to_count_agree() {
        let before = [1.0, 4.0, 6.0, 7.0, 11.0];
        let after = [2.0, 3.0, 5.0, 8.0, 9.0, 10.0, 12.0];
        let untied = untied_distribution(5, 7).unwrap();
        let found = exact(&before, &after).unwrap();
        let p: f64 = untied
            .iter()
            .enumerate()
            .filter(|(u, _)| (*u as f64 - 17.5).abs() >= (found.u - 17.5).abs())
            .map(|(_, p)| p)
            .sum();
        assert!((found.p - p).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn swapping_the_sides_keeps_p(
            before in prop::collection::vec(0i32..12, 1..12),
            after in prop::collection::vec(0i32..12, 1..12),
        ) {
            let before: Vec<f64> = before.into_iter().map(f64::from).collect();
            let after: Vec<f64> = after.into_iter().map(f64::from).collect();
            let one = exact(&before, &after).unwrap();
            let two = exact(&after, &before).unwrap();
            prop_assert!((one.p - two.p).abs() < 1e-12);
            prop_assert_eq!(one.u + two.u, (before.len() * after.len()) as f64);
            prop_assert!(one.p > 0.0 && one.p <= 1.0);
        }
    }
}
