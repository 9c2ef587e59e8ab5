//! Least squares for a model of any form, with the covariance of its parameters.
//!
//! Minimises `sum r_i(x)²` by Levenberg-Marquardt (MINPACK's algorithm, J. J. Moré 1978), derivatives
//! by central differences ([`least_squares`]) or from the model itself
//! ([`least_squares_with_slopes`]). Near the minimum the covariance of the parameters is
//! `s² (JᵀJ)⁻¹` (G. A. F. Seber, C. J. Wild, Nonlinear Regression, 1989, 2.1); where residuals come
//! in clusters that share an error, it is `(JᵀJ)⁻¹ (Σ g_c g_cᵀ) (JᵀJ)⁻¹`, `g_c = J_cᵀ r_c` over the
//! residuals of cluster c (K.-Y. Liang, S. L. Zeger, Longitudinal data analysis using generalized
//! linear models, Biometrika 73, 1986). What is known of a parameter beforehand enters as one
//! residual more.

use std::ops::Range;

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{DMatrix, DVector, Dyn, Owned};

/// A minimum.
#[derive(Clone, Debug)]
pub struct Solution {
    /// Parameters at the minimum.
    pub x: Vec<f64>,
    /// Residuals there.
    pub residuals: Vec<f64>,
    jacobian: DMatrix<f64>,
    /// `(JᵀJ)⁻¹`.
    inverse: DMatrix<f64>,
}

impl Solution {
    /// Sum of squared residuals.
    #[must_use]
    pub fn squares(&self) -> f64 {
        self.residuals.iter().map(|r| r * r).sum()
    }

    /// Variance of a function of the parameters with this gradient, for residuals that are independent
    /// and of unit variance. 0 for a gradient of the wrong length.
    #[must_use]
    pub fn variance(&self, gradient: &[f64]) -> f64 {
        quadratic(&self.inverse, gradient)
    }

    /// Variance of a function of the parameters with this gradient when residuals are alike within
    /// clusters, given as ranges of the residuals. Residuals outside every cluster (what is known
    /// beforehand) add nothing. Corrected for few clusters by `m / (m - 1)`.
    #[must_use]
    pub fn variance_by_clusters(&self, gradient: &[f64], clusters: &[Range<usize>]) -> f64 {
        let n = self.x.len();
        let mut middle = DMatrix::zeros(n, n);
        for cluster in clusters {
            let end = cluster.end.min(self.residuals.len());
            let rows = cluster.start.min(end)..end;
            let g = DVector::from_fn(n, |j, _| {
                rows.clone()
                    .map(|i| self.jacobian[(i, j)] * self.residuals[i])
                    .sum::<f64>()
            });
            middle += &g * g.transpose();
        }
        let m = clusters.len() as f64;
        let correction = if m > 1.0 { m / (m - 1.0) } else { 1.0 };
        correction * quadratic(&(&self.inverse * middle * &self.inverse), gradient)
    }
}

fn quadratic(matrix: &DMatrix<f64>, gradient: &[f64]) -> f64 {
    if gradient.len() != matrix.nrows() {
        return 0.0;
    }
    let g = DVector::from_column_slice(gradient);
    let value = (g.transpose() * matrix * g)[(0, 0)];
    if value.is_finite() {
        value.max(0.0)
    } else {
        0.0
    }
}

/// Minimises from a start. `steps` are the changes of each parameter over which the residuals bend
/// little, for the derivatives. `None` where the residuals cannot be had, are fewer than the
/// parameters, or do not depend on some combination of them.
#[must_use]
pub fn least_squares(
    start: &[f64],
    steps: &[f64],
    residuals: impl Fn(&[f64]) -> Option<Vec<f64>>,
) -> Option<Solution> {
    if start.len() != steps.len() || start.is_empty() {
        return None;
    }
    minimum(Differenced {
        x: DVector::from_column_slice(start),
        steps,
        function: &residuals,
    })
}

/// Residuals of a model at a point.
#[derive(Clone, Debug, Default)]
pub struct Linearised<const N: usize> {
    /// The residuals.
    pub residuals: Vec<f64>,
    /// How each of them changes with each parameter.
    pub slopes: Vec<[f64; N]>,
}

/// As [`least_squares`], for a model that knows its slopes.
#[must_use]
pub fn least_squares_with_slopes<const N: usize>(
    start: &[f64; N],
    model: impl Fn(&[f64; N]) -> Option<Linearised<N>>,
) -> Option<Solution> {
    if N == 0 {
        return None;
    }
    let mut problem = WithSlopes {
        x: DVector::from_column_slice(start),
        model: &model,
        here: None,
    };
    problem.linearise();
    minimum(problem)
}

fn minimum<P>(problem: P) -> Option<Solution>
where
    P: LeastSquaresProblem<
            f64,
            Dyn,
            Dyn,
            ResidualStorage = Owned<f64, Dyn>,
            JacobianStorage = Owned<f64, Dyn, Dyn>,
            ParameterStorage = Owned<f64, Dyn>,
        >,
{
    let (solved, report) = LevenbergMarquardt::new()
        .with_ftol(1e-10)
        .with_xtol(1e-10)
        .with_gtol(1e-10)
        .with_patience(40)
        .minimize(problem);
    let (x, found) = (solved.params(), solved.residuals()?);
    if !report.objective_function.is_finite() || found.len() < x.len() {
        return None;
    }
    let jacobian = solved.jacobian()?;
    let inverse = inverse_of_normal(&jacobian)?;
    Some(Solution {
        x: x.iter().copied().collect(),
        residuals: found.iter().copied().collect(),
        jacobian,
        inverse,
    })
}

/// `(JᵀJ)⁻¹` through the singular values of J with its columns brought to length 1, so that
/// parameters of very different size lose no digits. `None` where a combination of the parameters
/// has no effect.
fn inverse_of_normal(jacobian: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    /// A combination of parameters whose effect is this much smaller than the largest has none.
    const NO_EFFECT: f64 = 1e-10;
    let n = jacobian.ncols();
    let lengths: Vec<f64> = jacobian.column_iter().map(|c| c.norm()).collect();
    if lengths.iter().any(|l| !(l.is_finite() && *l > 0.0)) {
        return None;
    }
    let scaled = DMatrix::from_fn(jacobian.nrows(), n, |i, j| jacobian[(i, j)] / lengths[j]);
    let decomposed = scaled.svd(false, true);
    let v_t = decomposed.v_t?;
    let values = &decomposed.singular_values;
    let largest = values.iter().copied().fold(0.0, f64::max);
    if values
        .iter()
        .any(|s| s.is_nan() || *s <= NO_EFFECT * largest)
    {
        return None;
    }
    Some(DMatrix::from_fn(n, n, |i, j| {
        (0..n)
            .map(|k| v_t[(k, i)] * v_t[(k, j)] / (values[k] * values[k]))
            .sum::<f64>()
            / (lengths[i] * lengths[j])
    }))
}

/// A model whose slopes are differences.
struct Differenced<'a, F> {
    x: DVector<f64>,
    steps: &'a [f64],
    function: &'a F,
}

impl<F: Fn(&[f64]) -> Option<Vec<f64>>> Differenced<'_, F> {
    fn at(&self, x: &DVector<f64>) -> Option<DVector<f64>> {
        let values = (self.function)(x.as_slice())?;
        values
            .iter()
            .all(|v| v.is_finite())
            .then(|| DVector::from_vec(values))
    }
}

impl<F: Fn(&[f64]) -> Option<Vec<f64>>> LeastSquaresProblem<f64, Dyn, Dyn> for Differenced<'_, F> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, x: &DVector<f64>) {
        self.x.copy_from(x);
    }

    fn params(&self) -> DVector<f64> {
        self.x.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        self.at(&self.x)
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let mut columns = Vec::with_capacity(self.x.len());
        for (i, &step) in self.steps.iter().enumerate() {
            let mut moved = self.x.clone();
            moved[i] += step;
            let up = self.at(&moved)?;
            moved[i] = self.x[i] - step;
            let down = self.at(&moved)?;
            if up.len() != down.len() {
                return None;
            }
            columns.push((up - down) / (2.0 * step));
        }
        Some(DMatrix::from_columns(&columns))
    }
}

/// A model that knows its slopes.
struct WithSlopes<'a, F, const N: usize> {
    x: DVector<f64>,
    model: &'a F,
    /// Residuals and slopes at `x`, all finite.
    here: Option<(DVector<f64>, DMatrix<f64>)>,
}

impl<const N: usize, F: Fn(&[f64; N]) -> Option<Linearised<N>>> WithSlopes<'_, F, N> {
    fn linearise(&mut self) {
        self.here = self.linearised();
    }

    fn linearised(&self) -> Option<(DVector<f64>, DMatrix<f64>)> {
        let Linearised { residuals, slopes } = (self.model)(self.x.as_slice().try_into().ok()?)?;
        let same = residuals.len() == slopes.len();
        let slopes: &[f64] = slopes.as_flattened();
        let mut all = residuals.iter().chain(slopes);
        (same && all.all(|v| v.is_finite())).then(|| {
            let jacobian = DMatrix::from_row_slice(residuals.len(), N, slopes);
            (DVector::from_vec(residuals), jacobian)
        })
    }
}

impl<const N: usize, F: Fn(&[f64; N]) -> Option<Linearised<N>>> LeastSquaresProblem<f64, Dyn, Dyn>
    for WithSlopes<'_, F, N>
{
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, x: &DVector<f64>) {
        self.x.copy_from(x);
        self.linearise();
    }

    fn params(&self) -> DVector<f64> {
        self.x.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        self.here.as_ref().map(|(residuals, _)| residuals.clone())
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        self.here.as_ref().map(|(_, jacobian)| jacobian.clone())
    }
}

#[cfg(test)]
mod tests;
