//! Would another dealing of the values to the two sides differ as much? Permutation tests.
//!
//! If nothing is there, the labels before and after are arbitrary. Two-sided p is the share of
//! all `N! / (m! n!)` dealings whose difference of means is at least as large in size as the one
//! observed (Fisher, The Design of Experiments, 1935; Edgington & Onghena, Randomization Tests,
//! 2007). Up to [`ENUMERATED`] dealings all are tried; beyond, random ones from a seed, and
//! `p = (1 + count) / (1 + tried)`, which never falls below what so many tries can show (Phipson
//! & Smyth, Stat. Appl. Genet. Mol. Biol. 9 (2010) article 39).
//!
//! [`cluster_test`] deals whole clusters, by their means: values within a cluster are then free to
//! resemble each other. Three clusters against three can at best give p = 2 / 20 = 0.1.

use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_pcg::Pcg64Mcg;

/// Number of dealings up to which all of them are tried.
pub const ENUMERATED: u64 = 200_000;

/// Random dealings beyond that.
pub const RANDOM_TRIES: u64 = 50_000;

/// Outcome of a test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Test {
    /// Mean after less mean before.
    pub difference: f64,
    /// Two-sided p value.
    pub p: f64,
    /// Whether all dealings were tried.
    pub exact: bool,
}

/// Tests the difference of means. `None` if a sample is empty.
#[must_use]
pub fn test(before: &[f64], after: &[f64], seed: u64) -> Option<Test> {
    if before.is_empty() || after.is_empty() {
        return None;
    }
    let all = [before, after].concat();
    let n = after.len();
    // The sum after decides the difference of means, so only it is followed. Centred, so that a
    // common level costs no digits.
    let mean = all.iter().sum::<f64>() / all.len() as f64;
    let centred: Vec<f64> = all.iter().map(|v| v - mean).collect();
    let observed: f64 = centred.iter().skip(before.len()).sum();
    let scale: f64 = centred.iter().map(|v| v.abs()).sum();
    // Sums that are equal in exact arithmetic must count as equal.
    let threshold = observed.abs() - 1e-11 * scale;
    let exact = dealings(all.len(), n).filter(|count| *count <= ENUMERATED);
    let p = match exact {
        Some(total) => {
            let mut beyond = 0_u64;
            every_sum(&centred, n, 0.0, &mut |sum| {
                beyond += u64::from(sum.abs() >= threshold)
            });
            beyond as f64 / total as f64
        }
        None => {
            let mut beyond = 0_u64;
            let mut random = Pcg64Mcg::seed_from_u64(seed);
            let mut shuffled = centred.clone();
            for _ in 0..RANDOM_TRIES {
                let (chosen, _) = shuffled.partial_shuffle(&mut random, n);
                beyond += u64::from(chosen.iter().sum::<f64>().abs() >= threshold);
            }
            (1 + beyond) as f64 / (1 + RANDOM_TRIES) as f64
        }
    };
    let (m, n) = (before.len() as f64, n as f64);
    Some(Test {
        difference: observed / n + observed / m,
        p,
        exact: exact.is_some(),
    })
}

/// Tests the difference of the means of cluster means by dealing whole clusters. Each cluster is
/// its values; empty clusters are left out. `None` if a side has no values.
#[must_use]
pub fn cluster_test(before: &[Vec<f64>], after: &[Vec<f64>], seed: u64) -> Option<Test> {
    let means = |clusters: &[Vec<f64>]| -> Vec<f64> {
        clusters
            .iter()
            .filter(|values| !values.is_empty())
            .map(|values| values.iter().sum::<f64>() / values.len() as f64)
            .collect()
    };
    test(&means(before), &means(after), seed)
}

/// Ways to choose `n` of `total`, or `None` beyond 64 bits.
fn dealings(total: usize, n: usize) -> Option<u64> {
    let mut ways = 1_u64;
    for i in 0..n.min(total - n) as u64 {
        ways = ways.checked_mul(total as u64 - i)? / (i + 1);
    }
    Some(ways)
}

/// Calls `visit` with the sum of every choice of `n` of the values.
fn every_sum(values: &[f64], n: usize, sum: f64, visit: &mut impl FnMut(f64)) {
    if n == 0 {
        return visit(sum);
    }
    for (index, value) in values.iter().enumerate() {
        if values.len() - index < n {
            return;
        }
        every_sum(
            values.get(index + 1..).unwrap_or_default(),
            n - 1,
            sum + value,
            visit,
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_examples() {
        // 252 dealings, 4 at least as far out: p = 4 / 252, counted by hand.
        let before = [182.0, 171.0, 190.0, 105.0, 178.0];
        let after = [96.0, 104.0, 91.0, 110.0, 99.0];
        let found = test(&before, &after, 1).unwrap();
        assert!((found.p - 4.0 / 252.0).abs() < 1e-15 && found.exact);
        assert!((found.difference + 65.2).abs() < 1e-12);
        // Blood pressure with ties: the StatXact manual's example, as tested in R's
        // exactRankTests: raw scores, two-sided 0.1040 of 1365 dealings.
        let treated = [94.0, 108.0, 110.0, 90.0];
        let control = [
            80.0, 94.0, 85.0, 90.0, 90.0, 90.0, 108.0, 94.0, 78.0, 105.0, 88.0,
        ];
        assert!((test(&control, &treated, 1).unwrap().p - 0.1040).abs() < 5e-5);
    }

    #[test]
    fn random_dealings_are_near_the_exact_share_and_repeat_with_the_seed() {
        // 12 against 12: 2.7 million dealings. The exact two-sided p for the two-group rank
        // pattern below is that of the Mann-Whitney test, as the values are ranks.
        let before: Vec<f64> = (0..12).map(|i| f64::from(2 * i)).collect();
        let after: Vec<f64> = (0..12).map(|i| f64::from(2 * i + 7)).collect();
        let mut all = [before.clone(), after.clone()].concat();
        all.sort_by(f64::total_cmp);
        let rank = |v: &f64| all.iter().position(|a| a == v).unwrap() as f64;
        let before: Vec<f64> = before.iter().map(rank).collect();
        let after: Vec<f64> = after.iter().map(rank).collect();
        let found = test(&before, &after, 7).unwrap();
        assert!(!found.exact);
        let exact = crate::statistics::mann_whitney::exact(&before, &after)
            .unwrap()
            .p;
        let error = (exact * (1.0 - exact) / RANDOM_TRIES as f64).sqrt();
        assert!((found.p - exact).abs() < 4.0 * error, "{} {exact}", found.p);
        assert_eq!(test(&before, &after, 7), Some(found));
    }

    #[test]
    fn three_clusters_a_side_cannot_reach_five_per_cent() {
        let before = vec![vec![10.0, 11.0], vec![10.5], vec![9.0, 9.5, 9.2]];
        let after = vec![vec![1.0, 1.1], vec![1.2, 0.9], vec![0.8]];
        let found = cluster_test(&before, &after, 1).unwrap();
        assert!((found.p - 0.1).abs() < 1e-15 && found.exact);
        assert_eq!(cluster_test(&before, &[vec![]], 1), None);
    }

    #[test]
    fn equal_values_show_nothing() {
        assert_eq!(test(&[0.1; 6], &[0.1; 7], 1).unwrap().p, 1.0);
        assert_eq!(test(&[0.1; 60], &[0.1; 70], 1).unwrap().p, 1.0);
        assert_eq!(test(&[], &[1.0], 1), None);
    }
}
