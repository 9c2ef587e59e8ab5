//! A linear model for values nested in clusters, honest when clusters are few.
//!
//! `y_ij = intercept + x_ij' beta + b_i + e_ij`, for value `j` of cluster `i`, with
//! `b_i ~ N(0, sigma_b²)` and `e_ij ~ N(0, sigma_e²)` independent. Ten values of one cluster share
//! its `b`, so they say less about what differs between clusters than values of ten clusters.
//!
//! **Variances** by restricted maximum likelihood (Patterson & Thompson, Biometrika 58 (1971)
//! 545-554). With `rho = sigma_b² / sigma_e²`, `N` values and `p` coefficients, the likelihood is
//! profiled to one dimension; minimised over `rho >= 0` is
//!
//! `(N - p) ln RSS(rho) + ln |X' V^-1 X| + sum over i of ln (1 + n_i rho)`,
//!
//! where `V_i = I + rho J` for the `n_i` values of a cluster and RSS is the generalised least
//! squares residual. In balanced data this is the textbook analysis of variance estimate, set to
//! zero where that is negative.
//!
//! **Standard error.** [`Level::Total`] takes `RSS / (N - p)` times `(X' V^-1 X)^-1`, the usual
//! choice. [`Level::Between`] is for coefficients that live between clusters, such as the
//! difference of two sets of clusters. It replaces the scale by what the clusters themselves show:
//!
//! `Q / q`, `Q = RSS(rho) - RSS_within`, `q = clusters - rank gained by x between clusters`,
//!
//! with `RSS_within` from the same regression with one intercept a cluster. At the true `rho`,
//! `Q / sigma_e²` is chi-squared with `q` degrees of freedom and independent of the coefficients.
//! This is Knapp & Hartung's variance (Statistics in Medicine 22 (2003) 2693-2710) carried from
//! study means to the full model. In balanced data without within-cluster regressors it is
//! exactly the t test on cluster means, whatever `rho`, even where the estimate of `rho` stops at
//! zero. Nothing is ever pooled because few clusters happened to agree; pooling then would make
//! the small p values that a correction over many questions asks for far too frequent.
//!
//! **Degrees of freedom** of a coefficient with variance `v(sigma_b², sigma_e²)` after
//! Satterthwaite: `2 v² / (g' I^-1 g)`, `g` the gradient of `v` and `I` the expected information
//! `I_kl = tr(P V_k P V_l) / 2` (Giesbrecht & Burns, Biometrics 41 (1985) 477-486). Both
//! variances stay in `I` even where `rho` is zero, so balanced data give `clusters - 2` for a
//! difference of two sets.
//!
//! Everything is computed from sums over clusters of equal size: time grows with `N p²`, and no
//! matrix has more than `p` rows.

mod moments;
pub mod robust;

use super::minimum;
use moments::{Moments, Profile};
use nalgebra::{DMatrix, DVector};

/// Largest variance ratio considered; beyond it clusters are weighted equally anyway.
const LARGEST_RATIO: f64 = 1e4;

/// Smallest variance ratio that is told from zero.
const SMALLEST_RATIO: f64 = 1e-4;

/// Points of the first search, spread evenly over the logarithm of the ratio.
const SEARCH_POINTS: usize = 13;

/// To what part the ratio is settled: the criterion is flat at its minimum, and the variances
/// follow to a millionth.
const RATIO_TOLERANCE: f64 = 1e-5;

/// What a coefficient's standard error rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// The whole residual.
    Total,
    /// The residual between clusters only.
    Between,
}

/// A coefficient with what is needed to test it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coefficient {
    /// Estimate.
    pub value: f64,
    /// Standard error.
    pub standard_error: f64,
    /// Degrees of freedom of its t statistic.
    pub df: f64,
}

/// A fitted model.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Intercept: the value where every column is zero.
    pub intercept: f64,
    /// One coefficient a column, in the order given; `None` for a column that repeats what
    /// earlier ones say.
    pub coefficients: Vec<Option<f64>>,
    /// Variance between clusters, `sigma_b²`.
    pub between_variance: f64,
    /// Variance within clusters, `sigma_e²`.
    pub within_variance: f64,
    /// `sigma_b² / sigma_e²`.
    pub ratio: f64,
    /// What is left of each value.
    pub residuals: Vec<f64>,
    /// Degrees of freedom of the residual between clusters.
    pub between_df: usize,
    /// Degrees of freedom of the residual within clusters.
    pub within_df: usize,
    /// Minus twice the restricted log likelihood, up to a constant that depends on `x` only.
    pub criterion: f64,
    kept: Vec<usize>,
    inverse: DMatrix<f64>,
    between_scale: f64,
    satterthwaite: Vec<f64>,
}

/// Fits the model. `columns` are the regressors without the intercept, the important first:
/// a column that is a combination of earlier ones is dropped. `cluster` numbers the clusters from
/// zero. `None` if lengths differ, a number is not finite, or the values are no more than the
/// coefficients.
#[must_use]
pub fn fit(y: &[f64], columns: &[Vec<f64>], cluster: &[usize]) -> Option<Fit> {
    fit_scaled(y, columns, cluster, &vec![1.0; y.len()], None)
}

/// As [`fit`], with both standard deviations of each value multiplied by its `scale`, a positive
/// number that is the same for all values of a cluster: the variances found are those at scale 1.
/// The variance ratio is looked for near a value first, if one is given.
fn fit_scaled(
    y: &[f64],
    columns: &[Vec<f64>],
    cluster: &[usize],
    scale: &[f64],
    near: Option<f64>,
) -> Option<Fit> {
    let finite = |values: &[f64]| values.len() == y.len() && values.iter().all(|v| v.is_finite());
    let regular = finite(y)
        && columns.iter().all(|c| finite(c))
        && cluster.len() == y.len()
        && finite(scale)
        && scale.iter().all(|s| *s > 0.0);
    if !regular {
        return None;
    }
    let moments = Moments::new(y, columns, cluster, scale)?;
    let total_df = y.len().checked_sub(moments.rank()).filter(|df| *df > 0)?;
    let within = moments.within();
    let between_df = total_df.saturating_sub(within.df);
    let can_tell = within.df > 0 && between_df > 0;
    let profile = search(&moments, total_df, can_tell, near)?;
    let within_variance = profile.residual / total_df as f64;
    let between_scale = if between_df > 0 {
        (profile.residual - within.residual).max(0.0) / between_df as f64
    } else {
        f64::NAN
    };
    let satterthwaite = if within.df > 0 {
        moments.satterthwaite(&profile)
    } else {
        vec![between_df as f64; moments.rank() - 1]
    };
    let (intercept, coefficients) = moments.coefficients(&profile.solution, columns.len());
    let residuals = residuals(y, columns, cluster, intercept, &coefficients, profile.ratio);
    Some(Fit {
        intercept,
        coefficients,
        between_variance: profile.ratio * within_variance,
        within_variance,
        ratio: profile.ratio,
        residuals,
        between_df,
        within_df: within.df,
        criterion: profile.criterion,
        kept: moments.kept().to_vec(),
        inverse: profile.inverse,
        between_scale,
        satterthwaite,
    })
}

impl Fit {
    /// The coefficient of a column. `None` if the column was dropped, or nothing is left to judge
    /// it by at this level.
    #[must_use]
    pub fn coefficient(&self, column: usize, level: Level) -> Option<Coefficient> {
        let value = (*self.coefficients.get(column)?)?;
        let at = self.kept.iter().position(|kept| *kept == column)?;
        let unscaled = *self.inverse.get((at, at))?;
        let df = *self.satterthwaite.get(at)?;
        let (scale, df) = match level {
            Level::Total => (self.within_variance, df),
            Level::Between if self.between_df > 0 => {
                (self.between_scale, df.min(self.between_df as f64))
            }
            Level::Between => return None,
        };
        Some(Coefficient {
            value,
            standard_error: (unscaled * scale).max(0.0).sqrt(),
            df,
        })
    }

    /// How much a value of a cluster with `n` values counts in a mean over clusters, relative to
    /// the only value of a cluster.
    #[must_use]
    pub fn weight(&self, n: usize) -> f64 {
        (1.0 + self.ratio) / (1.0 + n as f64 * self.ratio)
    }
}

/// The variance ratio with the least criterion.
fn search(
    moments: &Moments,
    total_df: usize,
    can_tell: bool,
    near: Option<f64>,
) -> Option<Profile> {
    let zero = moments.profile(0.0, total_df)?;
    if !can_tell || moments.is_exhausted(zero.residual) {
        return Some(zero);
    }
    let at = |log_ratio: f64| moments.criterion(log_ratio.exp(), total_df);
    let (low, high) = (SMALLEST_RATIO.ln(), LARGEST_RATIO.ln());
    let step = (high - low) / (SEARCH_POINTS - 1) as f64;
    let around = |place: f64| {
        let (a, b) = ((place - step).max(low), (place + step).min(high));
        let (found, _) = minimum::between(a, b, RATIO_TOLERANCE, at)?;
        // A minimum at an end of the stretch may go on beyond it.
        let inside = found - a > 0.1 * step && b - found > 0.1 * step;
        Some((found, inside))
    };
    let mut found = None;
    if let Some(ratio) = near.filter(|ratio| *ratio > SMALLEST_RATIO) {
        found = Some(around(ratio.ln())?).filter(|(_, inside)| *inside);
    }
    let (place, _) = match found {
        Some(found) => found,
        None => {
            let mut best = (low, at(low)?);
            for point in 1..SEARCH_POINTS {
                let log_ratio = low + step * point as f64;
                let criterion = at(log_ratio)?;
                if criterion < best.1 {
                    best = (log_ratio, criterion);
                }
            }
            around(best.0)?
        }
    };
    let found = moments.profile(place.exp(), total_df)?;
    Some(if zero.criterion <= found.criterion {
        zero
    } else {
        found
    })
}

/// What the model leaves of each value, with the clusters' deviations from it shrunk (best linear
/// unbiased predictions).
fn residuals(
    y: &[f64],
    columns: &[Vec<f64>],
    cluster: &[usize],
    intercept: f64,
    coefficients: &[Option<f64>],
    ratio: f64,
) -> Vec<f64> {
    let mut residuals: Vec<f64> = y.iter().map(|v| v - intercept).collect();
    for (column, coefficient) in columns.iter().zip(coefficients) {
        if let Some(beta) = coefficient {
            for (residual, x) in residuals.iter_mut().zip(column) {
                *residual -= beta * x;
            }
        }
    }
    let clusters = cluster.iter().max().map_or(0, |last| last + 1);
    let mut sums = vec![(0.0, 0.0); clusters];
    for (residual, index) in residuals.iter().zip(cluster) {
        if let Some((count, sum)) = sums.get_mut(*index) {
            *count += 1.0;
            *sum += residual;
        }
    }
    let effects: Vec<f64> = sums
        .iter()
        .map(|(count, sum)| ratio * sum / (1.0 + count * ratio))
        .collect();
    for (residual, index) in residuals.iter_mut().zip(cluster) {
        *residual -= effects.get(*index).copied().unwrap_or(0.0);
    }
    residuals
}

/// A column as a vector; the shape that nalgebra wants.
fn vector(values: Vec<f64>) -> DVector<f64> {
    DVector::from_vec(values)
}

#[cfg(test)]
mod tests;
