//! Checks against closed forms; `statistics/reference_tests.rs` checks against a mixed-model library.

use super::*;
use crate::statistics::student_t::two_sided_p;
use proptest::prelude::*;

fn check_close(found: f64, expected: f64, relative: f64, what: &str) {
    assert!(
        (found - expected).abs() <= relative * expected.abs().max(1e-12),
        "{what}: {found}, expected {expected}"
    );
}

/// Pooled two-sample t test: difference, standard error.
fn t_test(before: &[f64], after: &[f64]) -> (f64, f64) {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let squares = |v: &[f64]| v.iter().map(|x| (x - mean(v)).powi(2)).sum::<f64>();
    let (m, n) = (before.len() as f64, after.len() as f64);
    let pooled = (squares(before) + squares(after)) / (m + n - 2.0);
    (
        mean(after) - mean(before),
        (pooled * (1.0 / m + 1.0 / n)).sqrt(),
    )
}

/// NIST Statistical Reference Datasets, analysis of variance, AtmWtAg: atomic weight of silver,
/// two instruments, 24 values each (Powell, Murphy & Gramlich, J. Res. NBS 87 (1982) 9-19).
const ATM_WT_AG: [[f64; 24]; 2] = [
    [
        107.868_156_8,
        107.868_146_5,
        107.868_157_2,
        107.868_178_5,
        107.868_144_6,
        107.868_190_3,
        107.868_152_6,
        107.868_149_4,
        107.868_161_6,
        107.868_158_7,
        107.868_151_9,
        107.868_148_6,
        107.868_141_9,
        107.868_156_9,
        107.868_150_8,
        107.868_167_2,
        107.868_138_5,
        107.868_151_8,
        107.868_166_2,
        107.868_142_4,
        107.868_136_0,
        107.868_133_3,
        107.868_161_0,
        107.868_147_7,
    ],
    [
        107.868_107_9,
        107.868_134_4,
        107.868_151_3,
        107.868_119_7,
        107.868_160_4,
        107.868_138_5,
        107.868_164_2,
        107.868_136_5,
        107.868_115_1,
        107.868_108_2,
        107.868_151_7,
        107.868_144_8,
        107.868_119_8,
        107.868_148_2,
        107.868_133_4,
        107.868_160_9,
        107.868_110_1,
        107.868_151_2,
        107.868_146_9,
        107.868_136_0,
        107.868_125_4,
        107.868_126_1,
        107.868_145_0,
        107.868_136_8,
    ],
];

proptest! {
    #[test]
    fn balanced_data_give_the_t_test_on_cluster_means(
        noise in prop::collection::vec(-1.0f64..1.0, 6 * 5),
        cluster_noise in prop::collection::vec(-1.0f64..1.0, 6),
        spread in 0.0f64..2.0,
    ) {
        let mut y = Vec::new();
        let mut after = Vec::new();
        let mut cluster = Vec::new();
        for i in 0..6 {
            for j in 0..5 {
                y.push(100.0 + spread * cluster_noise[i] + noise[5 * i + j]);
                after.push(if i < 3 { 0.0 } else { 1.0 });
                cluster.push(i);
            }
        }
        let means: Vec<f64> = y.chunks(5).map(|c| c.iter().sum::<f64>() / 5.0).collect();
        let (difference, se) = t_test(&means[..3], &means[3..]);
        let fit = fit(&y, &[after], &cluster).unwrap();
        let found = fit.coefficient(0, Level::Between).unwrap();
        // Whatever the ratio, also where it stops at zero.
        prop_assert!((found.value - difference).abs() < 1e-9);
        prop_assert!((found.standard_error / se - 1.0).abs() < 1e-6, "{found:?} {se}");
        prop_assert!((found.df - 4.0).abs() < 1e-6, "{found:?}");
        // And the variances are those of the analysis of variance.
        let within: f64 = y.iter().zip(&cluster).map(|(v, c)| (v - means[*c]).powi(2)).sum::<f64>() / 24.0;
        let between = 5.0 * se * se * 1.5;
        if between > within * 1.001 {
            prop_assert!((fit.within_variance / within - 1.0).abs() < 1e-5);
            prop_assert!((fit.between_variance - (between - within) / 5.0).abs() < 1e-5 * between);
        } else if between < within {
            prop_assert_eq!(fit.ratio, 0.0);
        }
    }
}

#[test]
fn certified_one_way_analysis_of_variance() {
    // With the instruments as a fixed set and every value a cluster of its own, the squared t
    // is the certified F statistic.
    let y: Vec<f64> = ATM_WT_AG.iter().flatten().copied().collect();
    let set: Vec<f64> = (0..48).map(|i| f64::from(i / 24)).collect();
    let cluster: Vec<usize> = (0..48).collect();
    let fit = fit(&y, &[set], &cluster).unwrap();
    let found = fit.coefficient(0, Level::Between).unwrap();
    let f = (found.value / found.standard_error).powi(2);
    check_close(f, 15.946_733_567_793_0, 1e-7, "F");
    check_close(found.df, 46.0, 1e-12, "degrees of freedom");
    check_close(
        fit.within_variance.sqrt(),
        1.510_483_144_464_10e-5,
        1e-7,
        "residual",
    );
    assert!(two_sided_p(f.sqrt(), found.df) < 3e-4);
}

#[test]
fn one_value_a_cluster_is_ordinary_regression() {
    // y = 2 + 3 x exactly but for two values; slope and error by hand: x = 0..4, residual sum of
    // squares from the normal equations.
    let x: Vec<f64> = (0..5).map(f64::from).collect();
    let y = [2.0, 5.5, 8.0, 10.5, 14.0];
    let fit = fit(&y, std::slice::from_ref(&x), &[0, 1, 2, 3, 4]).unwrap();
    let found = fit.coefficient(0, Level::Between).unwrap();
    check_close(found.value, 2.9, 1e-12, "slope");
    let rss: f64 = x
        .iter()
        .zip(y)
        .map(|(x, y)| (y - 2.2 - 2.9 * x).powi(2))
        .sum();
    check_close(
        found.standard_error,
        (rss / 3.0 / 10.0).sqrt(),
        1e-9,
        "standard error",
    );
    assert_eq!(found.df, 3.0);
}

#[test]
fn scales_are_taken_off_and_put_back() {
    // Values of the second set spread three times as far; taken off, the model is the t test on
    // cluster means weighted by their inverse variance ratio.
    let noise = [
        0.3, -0.2, 0.5, -0.6, 0.1, 0.4, -0.3, -0.2, 0.6, -0.5, 0.2, -0.3,
    ];
    let after: Vec<f64> = (0..12).map(|i| f64::from(u8::from(i >= 6))).collect();
    let cluster: Vec<usize> = (0..12).map(|i| i / 2).collect();
    let scale: Vec<f64> = after.iter().map(|a| 1.0 + 2.0 * a).collect();
    let y: Vec<f64> = (0..12)
        .map(|i| 10.0 - 2.0 * after[i] + scale[i] * noise[i])
        .collect();
    let found = fit_scaled(&y, std::slice::from_ref(&after), &cluster, &scale, None).unwrap();
    let coefficient = found.coefficient(0, Level::Between).unwrap();
    let means: Vec<f64> = y.chunks(2).map(|c| 0.5 * (c[0] + c[1])).collect();
    let mean = |v: &[f64]| v.iter().sum::<f64>() / 3.0;
    let squares = |v: &[f64]| v.iter().map(|x| (x - mean(v)).powi(2)).sum::<f64>();
    check_close(
        coefficient.value,
        mean(&means[3..]) - mean(&means[..3]),
        1e-9,
        "difference",
    );
    let pooled = (squares(&means[..3]) + squares(&means[3..]) / 9.0) / 4.0;
    let expected = (pooled * (1.0 + 9.0) / 3.0).sqrt();
    check_close(coefficient.standard_error, expected, 1e-6, "standard error");
    check_close(coefficient.df, 4.0, 1e-6, "degrees of freedom");
    assert_eq!(fit_scaled(&y, &[after], &cluster, &[0.0; 12], None), None);
}

#[test]
fn repeated_columns_are_dropped_and_say_so() {
    let y = [1.0, 2.0, 2.5, 4.5, 5.0, 7.0];
    let x: Vec<f64> = vec![0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
    let twice: Vec<f64> = x.iter().map(|v| 2.0 * v + 7.0).collect();
    let fit = fit(&y, &[x, twice, vec![3.0; 6]], &[0, 0, 1, 1, 2, 2]).unwrap();
    assert!(fit.coefficients[0].is_some());
    assert_eq!(fit.coefficients[1..], [None, None]);
    assert_eq!(fit.coefficient(1, Level::Total), None);
}

#[test]
fn what_cannot_be_fitted_is_none() {
    assert_eq!(fit(&[], &[], &[]), None);
    assert_eq!(fit(&[1.0], &[], &[0]), None);
    assert_eq!(fit(&[1.0, f64::NAN], &[], &[0, 1]), None);
    assert_eq!(fit(&[1.0, 2.0], &[vec![1.0]], &[0, 1]), None);
}

#[test]
fn equal_values_have_no_spread_and_no_surprise() {
    let set = vec![0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0];
    let fit = fit(&[0.1; 8], &[set], &[0, 0, 1, 1, 2, 2, 3, 3]).unwrap();
    let found = fit.coefficient(0, Level::Between).unwrap();
    assert!(found.value.abs() < 1e-15 && found.standard_error < 1e-12);
    assert!(found.df.is_finite());
}
