//! A straight line that wild points cannot move: Huber's weights (Huber, Robust Statistics, 1981), with
//! uncertainties that know that neighbours are alike.

use super::quantile::median;
use super::spread::{mean, median_and_sigma, root_mean_square};

/// Tuning constant of Huber's weights, in standard deviations: 95 % efficiency for normal errors.
pub const CLIP: f64 = 1.345;

/// A straight line fitted with Huber's weights.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Line {
    /// Value at `x = 0`.
    pub(crate) intercept: f64,
    /// Rise per unit of `x`; 0 for a fit of the level alone.
    pub(crate) slope: f64,
    /// Standard uncertainty of the intercept, autocorrelation of the residuals included.
    pub(crate) u_intercept: f64,
    /// Standard uncertainty of the slope, autocorrelation of the residuals included.
    pub(crate) u_slope: f64,
    /// Standard deviation of the residuals.
    pub(crate) sigma: f64,
}

/// Fits `y = intercept + slope · x` with Huber's weights, residuals in the order of time. With
/// `x` of no spread the slope is 0 and the intercept is the robust level. `None` with fewer than
/// three points or unequal lengths.
///
/// The uncertainties widen by `sqrt((1 + r) / (1 - r))`, `r` the correlation of neighbouring
/// residuals: neighbouring stretches of one drive share wind, road and temperature.
#[must_use]
pub(crate) fn huber_line(x: &[f64], y: &[f64]) -> Option<Line> {
    let n = y.len();
    if n < 3 || x.len() != n {
        return None;
    }
    let spread = x.iter().map(|v| v.abs()).fold(0.0, f64::max);
    let flat = {
        let m = mean(x)?;
        let var = x.iter().map(|v| (v - m).powi(2)).sum::<f64>() / n as f64;
        var.sqrt() <= 1e-9 * (spread + f64::MIN_POSITIVE)
    };
    let mut weights = vec![1.0; n];
    let (mut intercept, mut slope) = (median(y)?, 0.0);
    let mut residuals = vec![0.0; n];
    for _ in 0..50 {
        for i in 0..n {
            residuals[i] = y[i] - intercept - slope * x[i];
        }
        let (_, sigma) = median_and_sigma(&residuals)?;
        // More than half of the residuals alike: what differs from them is not of their kind.
        let scale = if sigma > 0.0 {
            sigma
        } else {
            1e-3 * root_mean_square(&residuals)
        };
        if scale == 0.0 {
            break;
        }
        for (weight, residual) in weights.iter_mut().zip(&residuals) {
            *weight = (CLIP * scale / residual.abs().max(f64::MIN_POSITIVE)).min(1.0);
        }
        let (next_intercept, next_slope) = weighted_line(x, y, &weights, flat)?;
        let change = (next_intercept - intercept).abs() + (next_slope - slope).abs() * spread;
        (intercept, slope) = (next_intercept, next_slope);
        if change <= 1e-12 * (intercept.abs() + scale) {
            break;
        }
    }
    for i in 0..n {
        residuals[i] = y[i] - intercept - slope * x[i];
    }
    // Huber's asymptotic variance: the clipped residuals' square over the unclipped share's.
    let count = n as f64;
    let clipped: f64 = weights
        .iter()
        .zip(&residuals)
        .map(|(w, r)| (w * r).powi(2))
        .sum();
    let unclipped = weights.iter().filter(|&&w| w >= 1.0).count().max(1) as f64 / count;
    let fitted = if flat { 1.0 } else { 2.0 };
    let sigma = (clipped / (count - fitted)).sqrt() / unclipped;
    let widen = neighbour_widening(&residuals);
    let x_mean = mean(x)?;
    let s_xx: f64 = x.iter().map(|v| (v - x_mean).powi(2)).sum();
    let (u_slope, lever) = if flat || s_xx <= 0.0 {
        (0.0, 0.0)
    } else {
        (sigma / s_xx.sqrt(), x_mean.powi(2) / s_xx)
    };
    let u_intercept = sigma * (1.0 / count + lever).sqrt();
    let line = Line {
        intercept,
        slope,
        u_intercept: u_intercept * widen,
        u_slope: u_slope * widen,
        sigma,
    };
    [
        line.intercept,
        line.slope,
        line.u_intercept,
        line.u_slope,
        line.sigma,
    ]
    .iter()
    .all(|v| v.is_finite())
    .then_some(line)
}

fn weighted_line(x: &[f64], y: &[f64], weights: &[f64], flat: bool) -> Option<(f64, f64)> {
    let total: f64 = weights.iter().sum();
    if total <= 0.0 {
        return None;
    }
    let x_mean = weights.iter().zip(x).map(|(w, v)| w * v).sum::<f64>() / total;
    let y_mean = weights.iter().zip(y).map(|(w, v)| w * v).sum::<f64>() / total;
    if flat {
        return Some((y_mean, 0.0));
    }
    let mut s_xx = 0.0;
    let mut s_xy = 0.0;
    for ((w, a), b) in weights.iter().zip(x).zip(y) {
        s_xx += w * (a - x_mean).powi(2);
        s_xy += w * (a - x_mean) * (b - y_mean);
    }
    if s_xx <= 0.0 {
        return Some((y_mean, 0.0));
    }
    let slope = s_xy / s_xx;
    Some((y_mean - slope * x_mean, slope))
}

/// By how much an uncertainty grows because neighbouring residuals are alike: 1 for independent
/// ones, at most 5.
#[must_use]
pub(crate) fn neighbour_widening(residuals: &[f64]) -> f64 {
    let squares: f64 = residuals.iter().map(|r| r * r).sum();
    if residuals.len() < 4 || squares <= 0.0 {
        return 1.0;
    }
    let products: f64 = residuals.windows(2).map(|w| w[0] * w[1]).sum();
    let r = (products / squares).clamp(0.0, 0.923);
    ((1.0 + r) / (1.0 - r)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_wild_point_does_not_move_the_line() {
        let x: Vec<f64> = (0..40).map(f64::from).collect();
        let mut y: Vec<f64> = x
            .iter()
            .enumerate()
            .map(|(i, v)| 2.0 + 0.5 * v + if i % 2 == 0 { 0.01 } else { -0.01 })
            .collect();
        y[7] = 500.0;
        let line = huber_line(&x, &y).unwrap();
        assert!((line.intercept - 2.0).abs() < 0.02, "{line:?}");
        assert!((line.slope - 0.5).abs() < 0.001, "{line:?}");
    }

    #[test]
    fn a_level_is_fitted_when_x_has_no_spread() {
        let line = huber_line(&[3.0; 5], &[1.0, 1.1, 0.9, 1.0, 1.0]).unwrap();
        assert_eq!(line.slope, 0.0);
        assert!((line.intercept - 1.0).abs() < 0.01);
        assert!(huber_line(&[1.0], &[1.0]).is_none());
    }

    #[test]
    fn constant_data_have_no_spread() {
        let line = huber_line(&[0.0, 1.0, 2.0], &[1.0; 3]).unwrap();
        assert_eq!((line.intercept, line.slope, line.sigma), (1.0, 0.0, 0.0));
    }
}
