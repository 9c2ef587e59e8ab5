//! Scale: the median absolute deviation, which outliers cannot move, and the plain standard deviation.
//!
//! `MAD = median |x - median x|`; times `1 / Phi^-1(3/4) = 1.4826` it estimates the standard
//! deviation of a normal sample, and half of the values may be wrong without moving it far
//! (Hampel, "The influence curve and its role in robust estimation", JASA 69 (1974) 383-393).

use super::quantile::{median, of_sorted, quantile_in_place, sorted};

/// What makes the median absolute deviation a standard deviation for normal values:
/// `1 / Phi^-1(3/4)`.
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Distance between the quartiles of a standard normal distribution: `2 Phi^-1(3/4)`.
const NORMAL_QUARTILES: f64 = 1.348_979_500_392_163_6;

/// Median absolute deviation from the median, unscaled. `None` without values.
#[must_use]
pub fn mad(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    median(
        &values
            .iter()
            .map(|v| (v - centre).abs())
            .collect::<Vec<_>>(),
    )
}

/// Robust standard deviation: from the median absolute deviation, or from the quartiles where
/// more than half of the values are equal, so that quantised values do not read as having no
/// spread. Zero only if at least three quarters are equal. `None` without values.
#[must_use]
pub fn robust_sd(values: &[f64]) -> Option<f64> {
    let from_mad = MAD_TO_SD * mad(values)?;
    if from_mad > 0.0 {
        return Some(from_mad);
    }
    let sorted = sorted(values);
    Some((of_sorted(&sorted, 0.75)? - of_sorted(&sorted, 0.25)?) / NORMAL_QUARTILES)
}

/// Median and standard deviation, the latter from the median absolute deviation.
#[must_use]
pub(crate) fn median_and_sigma(values: &[f64]) -> Option<(f64, f64)> {
    let mut work = values.to_vec();
    let centre = quantile_in_place(&mut work, 0.5)?;
    for value in &mut work {
        *value = (*value - centre).abs();
    }
    let mad = quantile_in_place(&mut work, 0.5)?;
    Some((centre, mad * MAD_TO_SD))
}

/// Arithmetic mean. `None` when the slice is empty.
#[must_use]
pub(crate) fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Sample standard deviation. `None` with fewer than two values.
#[must_use]
pub(crate) fn sd(values: &[f64]) -> Option<f64> {
    let mean = mean(values).filter(|_| values.len() > 1)?;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    Some((squares / (values.len() as f64 - 1.0)).sqrt())
}

/// Root of the mean square; 0 for an empty slice.
#[must_use]
pub(crate) fn root_mean_square(values: &[f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// Standard error of the median of `n` normal values of standard deviation `sd`: that of their mean
/// times `sqrt(pi / 2)`, for many values.
#[must_use]
pub(crate) fn error_of_median(sd: f64, n: usize) -> f64 {
    std::f64::consts::FRAC_PI_2.sqrt() * sd / (n as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_wild_value_does_not_move_it() {
        assert_eq!(mad(&[1.0, 2.0, 3.0, 4.0, 5.0]), Some(1.0));
        assert_eq!(mad(&[1.0, 2.0, 3.0, 4.0, 5e9]), Some(1.0));
        assert_eq!(mad(&[]), None);
    }

    #[test]
    fn normal_quantiles_give_their_standard_deviation() {
        use statrs::distribution::{ContinuousCDF, Normal};
        let normal = Normal::new(3.0, 2.0).unwrap();
        let values: Vec<f64> = (0..2001)
            .map(|i| normal.inverse_cdf((f64::from(i) + 0.5) / 2001.0))
            .collect();
        assert!((robust_sd(&values).unwrap() - 2.0).abs() < 2e-3);
    }

    #[test]
    fn mostly_equal_values_keep_the_spread_of_the_rest() {
        let values = [5.0, 5.0, 5.0, 5.0, 5.0, 6.0, 6.0, 6.0, 6.0];
        assert_eq!(mad(&values), Some(0.0));
        assert!(robust_sd(&values).unwrap() > 0.7);
        assert_eq!(robust_sd(&[5.0; 9]), Some(0.0));
    }
}
