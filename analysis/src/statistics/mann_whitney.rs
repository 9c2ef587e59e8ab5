//! What chance alone makes of the Mann-Whitney statistic, for the interval of a shift.
//!
//! `U` counts the pairs in which the value after exceeds the value before, ties half (Mann &
//! Whitney, Annals of Mathematical Statistics 18 (1947) 50-60). With `m` values before, `n` after
//! and `N = m + n`, and nothing there, `E U = m n / 2`; the variance is
//! `m n / 12 (N + 1 - sum (t³ - t) / (N (N - 1)))` over groups of `t` ties (Hollander & Wolfe 1973,
//! section 4.1). Every value counts as independent.

/// Product of sample sizes up to which the untied distribution is counted.
const UNTIED_LIMIT: usize = 2_500;

/// Standard deviation of U when nothing is there, given the ties.
#[must_use]
pub(super) fn null_sd(before: &[f64], after: &[f64]) -> f64 {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::student_t::normal_above;

    /// The worked example in SciPy's documentation of mannwhitneyu: U = 17 of 5 and 4 values, p
    /// 0.1111 exactly and 0.08641 by the normal approximation.
    #[test]
    fn a_published_example() {
        let males = [19.0, 22.0, 16.0, 29.0, 24.0];
        let females = [20.0, 11.0, 17.0, 12.0];
        let distribution = untied_distribution(4, 5).unwrap();
        let above: f64 = distribution.iter().skip(17).sum();
        assert!((2.0 * above - 0.111_111_1).abs() < 5e-8, "{above}");
        let sd = null_sd(&females, &males);
        let p = 2.0 * normal_above((17.0 - 10.0) / sd);
        assert!((p - 0.086_410_7).abs() < 5e-8, "{p}");
    }

    #[test]
    fn every_dealing_of_a_few_values_is_counted_once() {
        // Six ways to deal two and two: U is 0, 1, 2 twice, 3, 4.
        let sixths = [1.0, 1.0, 2.0, 1.0, 1.0].map(|ways: f64| ways / 6.0);
        assert_eq!(untied_distribution(2, 2).unwrap(), sixths);
        assert_eq!(untied_distribution(51, 51), None);
        // Equal values leave nothing to chance.
        assert_eq!(null_sd(&[1.0; 5], &[1.0; 7]), 0.0);
    }
}
