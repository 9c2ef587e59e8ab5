//! Checks against tables made by other people's libraries.
//!
//! `tests-data/rank_statistics.json` is written by `tests/reference/rank_statistics.py` (SciPy);
//! `tests-data/mixed_model.json` by `tests/reference/mixed_model.py` (statsmodels' REML, and dense
//! matrices for what it lacks). Both name their versions.

use serde_json::Value;

use super::two_level::{Level, fit};
use super::{hodges_lehmann, mann_whitney, quantile, spread, student_t, theil_sen};

fn table(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_f64().unwrap())
        .collect()
}

fn check_close(what: &str, found: f64, expected: f64, tolerance: f64) {
    let error = (found - expected).abs();
    assert!(
        error <= tolerance * expected.abs().max(1e-3),
        "{what}: {found}, expected {expected}"
    );
}

#[test]
fn rank_statistics_agree_with_scipy() {
    let table = table(include_str!("../../tests-data/rank_statistics.json"));
    let sets = table["sets"].as_array().unwrap();
    let mut compared = 0;
    for (index, set) in sets.iter().enumerate() {
        let (before, after, x) = (
            numbers(&set["before"]),
            numbers(&set["after"]),
            numbers(&set["x"]),
        );
        let d: Vec<f64> = before.iter().zip(&after).map(|(b, a)| a - b).collect();
        let mut check = |key: &str, found: f64| {
            if let Some(expected) = set["expected"][key].as_f64() {
                compared += 1;
                check_close(&format!("set {index}, {key}"), found, expected, 1e-9);
            }
        };
        let mean = 0.5 * (before.len() * after.len()) as f64;
        let off = (set["expected"]["u"].as_f64().unwrap() - mean).abs();
        let sd = mann_whitney::null_sd(&before, &after);
        let p = 2.0 * student_t::normal_above(off / sd);
        check("p_normal", if sd > 0.0 { p } else { 1.0 });
        if let Some(chance) = mann_whitney::untied_distribution(before.len(), after.len()) {
            let far = chance.iter().enumerate();
            let far = far.filter(|(u, _)| (*u as f64 - mean).abs() >= off);
            check("p_exact_untied", far.map(|(_, p)| p).sum());
        }
        check("shift", hodges_lehmann::shift(&before, &after).unwrap());
        // Beyond the exact count the interval is the normal approximation's: checked apart.
        if before.len() * after.len() <= 2_500 {
            let has = set["expected"]["shift_confidence"].as_f64();
            match hodges_lehmann::interval(&before, &after, 0.95) {
                Some(interval) => {
                    check("shift_low", interval.low);
                    check("shift_high", interval.high);
                    assert!(has.is_none_or(|has| has >= 0.95), "set {index}");
                }
                None => assert!(has.is_some_and(|has| has < 0.95), "set {index}"),
            }
        }
        check("median", quantile::median(&before).unwrap());
        check("quartile", quantile::quantile(&before, 0.25).unwrap());
        check("mad", spread::mad(&before).unwrap());
        if let Some(line) = theil_sen::fit(&x, &d, 0.95) {
            check("slope", line.slope);
            check("slope_low", line.low);
            check("slope_high", line.high);
        }
    }
    // Nearly all of the table was used.
    assert!(sets.len() == 30 && compared > 280, "{compared}");
}

#[test]
fn student_t_agrees_with_scipy() {
    let table = table(include_str!("../../tests-data/rank_statistics.json"));
    let rows = |key: &str| table["student_t"][key].as_array().unwrap().clone();
    let number = |row: &Value, key: &str| row[key].as_f64().unwrap();
    for row in rows("p") {
        let p = student_t::two_sided_p(number(&row, "t"), number(&row, "df"));
        let expected = number(&row, "p");
        assert!((p / expected - 1.0).abs() < 1e-9, "{row}: {p}");
    }
    for row in rows("quantiles") {
        let t = student_t::two_sided_critical(number(&row, "alpha"), number(&row, "df"));
        assert!((t / number(&row, "t") - 1.0).abs() < 1e-9, "{row}: {t}");
    }
    for row in rows("powers") {
        let critical = student_t::two_sided_critical(number(&row, "alpha"), number(&row, "df"));
        let power = student_t::power(number(&row, "effect"), critical, number(&row, "df"));
        assert!(
            (power - number(&row, "power")).abs() < 1e-5,
            "{row}: {power}"
        );
    }
}

#[test]
fn two_level_model_agrees_with_statsmodels() {
    let table = table(include_str!("../../tests-data/mixed_model.json"));
    let sets = table["sets"].as_array().unwrap();
    assert_eq!(sets.len(), 24);
    for (index, set) in sets.iter().enumerate() {
        let columns: Vec<Vec<f64>> = set["columns"]
            .as_array()
            .unwrap()
            .iter()
            .map(numbers)
            .collect();
        let cluster: Vec<usize> = numbers(&set["cluster"])
            .into_iter()
            .map(|v| v as usize)
            .collect();
        let fit = fit(&numbers(&set["y"]), &columns, &cluster).unwrap();
        let expected = &set["expected"];
        let number = |key: &str| expected[key].as_f64().unwrap();
        let check = |what: &str, found: f64, expected: f64, tolerance: f64| {
            check_close(&format!("set {index}, {what}"), found, expected, tolerance);
        };
        // Their optimiser stops at about five digits of the variances.
        check("intercept", fit.intercept, number("intercept"), 1e-5);
        check(
            "within",
            fit.within_variance,
            number("within_variance"),
            1e-4,
        );
        let slack = 1e-3 * number("within_variance");
        let between = number("between_variance");
        assert!(
            (fit.between_variance - between).abs() < slack + 1e-3 * between,
            "set {index}"
        );
        assert_eq!(fit.between_df as f64, number("between_df"));
        let (beta, errors, df) = (
            numbers(&expected["coefficients"]),
            numbers(&expected["standard_errors"]),
            numbers(&expected["degrees_of_freedom"]),
        );
        let scale = (number("between_scale") / number("within_variance")).sqrt();
        for column in 0..columns.len() {
            let total = fit.coefficient(column, Level::Total).unwrap();
            check("coefficient", total.value, beta[column], 1e-3);
            check("standard error", total.standard_error, errors[column], 2e-3);
            check("degrees of freedom", total.df, df[column], 1e-2);
            let between = fit.coefficient(column, Level::Between).unwrap();
            check(
                "between",
                between.standard_error,
                errors[column] * scale,
                2e-3,
            );
            check("df", between.df, df[column].min(number("between_df")), 1e-2);
        }
    }
}
