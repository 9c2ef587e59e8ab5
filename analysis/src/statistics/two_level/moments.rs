//! Sums over clusters, and the generalised least squares solution that they give at one variance
//! ratio.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::vector;

/// Part of a column's sum of squares below which it is a combination of earlier columns.
const COLLINEAR: f64 = 1e-9;

/// Part of the values' sum of squares below which the residual is rounding.
const ROUNDING: f64 = 1e-24;

/// Sums over all clusters of one size. Only they enter the model, so its cost does not grow with
/// the number of clusters. Columns are the intercept and the kept ones, centred, as is y.
struct SizeGroup {
    /// Values in each cluster.
    n: f64,
    /// How many clusters.
    clusters: f64,
    /// Sum over clusters of the outer product of a cluster's column sums.
    outer: DMatrix<f64>,
    /// Sum over clusters of column sums times sum of y.
    cross: DVector<f64>,
    /// Sum over clusters of the squared sum of y.
    square: f64,
}

/// Everything the model needs to know of the data; each value's row is divided by its scale.
pub(super) struct Moments {
    groups: Vec<SizeGroup>,
    values: f64,
    /// Logarithm of the product of the squared scales.
    log_scale: f64,
    /// Cross products of the intercept and the kept columns, over all values.
    xx: DMatrix<f64>,
    xy: DVector<f64>,
    yy: f64,
    kept: Vec<usize>,
    means: Vec<f64>,
    mean_y: f64,
    size_y: f64,
}

/// The regression with one intercept a cluster.
pub(super) struct Within {
    pub(super) residual: f64,
    pub(super) df: usize,
}

/// The solution at one variance ratio.
pub(super) struct Profile {
    pub(super) ratio: f64,
    pub(super) criterion: f64,
    pub(super) residual: f64,
    /// Intercept first, then the kept columns, for centred data.
    pub(super) solution: DVector<f64>,
    /// `(X' V^-1 X)^-1` of the kept columns, without the intercept.
    pub(super) inverse: DMatrix<f64>,
    full_inverse: DMatrix<f64>,
}

impl Moments {
    pub(super) fn new(
        y: &[f64],
        columns: &[Vec<f64>],
        cluster: &[usize],
        scale: &[f64],
    ) -> Option<Self> {
        let count = y.len() as f64;
        if y.is_empty() {
            return None;
        }
        let mut log_scale = 0.0;
        let mean = |values: &[f64]| values.iter().sum::<f64>() / count;
        let mean_y = mean(y);
        let all_means: Vec<f64> = columns.iter().map(|c| mean(c)).collect();
        let kept = independent(columns, &all_means);
        let size = kept.len() + 1;
        let numbers = cluster.iter().max().map_or(0, |last| last + 1);
        let mut sums = vec![(0.0, DVector::zeros(size), 0.0); numbers];
        let mut xx = DMatrix::zeros(size, size);
        let mut xy = DVector::zeros(size);
        let mut yy = 0.0;
        let mut row = DVector::zeros(size);
        for (index, ((value, number), scale)) in y.iter().zip(cluster).zip(scale).enumerate() {
            row[0] = 1.0 / scale;
            for (slot, column) in kept.iter().enumerate() {
                row[slot + 1] = (columns[*column][index] - all_means[*column]) / scale;
            }
            let value = (value - mean_y) / scale;
            log_scale += 2.0 * scale.ln();
            xx.ger(1.0, &row, &row, 1.0);
            xy.axpy(value, &row, 1.0);
            yy += value * value;
            if let Some((n, x, y)) = sums.get_mut(*number) {
                *n += 1.0;
                *x += &row;
                *y += value;
            }
        }
        let groups = by_size(sums, size);
        let means = kept.iter().map(|column| all_means[*column]).collect();
        let size_y = y.iter().map(|v| v * v).sum();
        Some(Self {
            groups,
            values: count,
            log_scale,
            xx,
            xy,
            yy,
            kept,
            means,
            mean_y,
            size_y,
        })
    }

    /// Coefficients with the intercept.
    pub(super) fn rank(&self) -> usize {
        self.kept.len() + 1
    }

    pub(super) fn kept(&self) -> &[usize] {
        &self.kept
    }

    /// Whether a residual sum of squares is no more than rounding of the values.
    pub(super) fn is_exhausted(&self, residual: f64) -> bool {
        residual <= ROUNDING * self.size_y
    }

    pub(super) fn within(&self) -> Within {
        let mut xx = self.xx.clone();
        let mut xy = self.xy.clone();
        let mut yy = self.yy;
        for g in &self.groups {
            xx -= &g.outer / g.n;
            xy.axpy(-1.0 / g.n, &g.cross, 1.0);
            yy -= g.square / g.n;
        }
        // Columns that do not vary within clusters vanish; the rest is solved by sweeping.
        let mut rank = 0;
        let size = xy.len();
        for pivot in 0..size {
            if xx[(pivot, pivot)] <= COLLINEAR * self.xx[(pivot, pivot)] {
                continue;
            }
            rank += 1;
            let scale = xx[(pivot, pivot)];
            let column = xx.column(pivot).into_owned();
            let share = xy[pivot];
            yy -= share * share / scale;
            xy.axpy(-share / scale, &column, 1.0);
            xx.ger(-1.0 / scale, &column, &column, 1.0);
        }
        let clusters: f64 = self.groups.iter().map(|g| g.clusters).sum();
        let df = (self.values as usize).saturating_sub(clusters as usize + rank);
        Within {
            residual: yy.max(0.0),
            df,
        }
    }

    /// The solution at one variance ratio.
    pub(super) fn profile(&self, ratio: f64, total_df: usize) -> Option<Profile> {
        let step = self.step(ratio, total_df)?;
        let full_inverse = step.factor.inverse();
        let size = full_inverse.nrows();
        let inverse = full_inverse.view((1, 1), (size - 1, size - 1)).into_owned();
        let Step {
            criterion,
            residual,
            solution,
            ..
        } = step;
        Some(Profile {
            ratio,
            criterion,
            residual,
            solution,
            inverse,
            full_inverse,
        })
    }

    /// What is minimised.
    pub(super) fn criterion(&self, ratio: f64, total_df: usize) -> Option<f64> {
        Some(self.step(ratio, total_df)?.criterion)
    }

    fn step(&self, ratio: f64, total_df: usize) -> Option<Step> {
        let mut xx = self.xx.clone();
        let mut xy = self.xy.clone();
        let mut yy = self.yy;
        let mut log_determinant = self.log_scale;
        for g in &self.groups {
            let k = ratio / (1.0 + g.n * ratio);
            xx.zip_apply(&g.outer, |x, o| *x -= k * o);
            xy.axpy(-k, &g.cross, 1.0);
            yy -= k * g.square;
            log_determinant += g.clusters * (g.n * ratio).ln_1p();
        }
        let factor = Cholesky::new(xx)?;
        let solution = factor.solve(&xy);
        let residual = (yy - solution.dot(&xy)).max(0.0);
        let log_determinant_x: f64 = 2.0
            * factor
                .l_dirty()
                .diagonal()
                .iter()
                .map(|v| v.ln())
                .sum::<f64>();
        let criterion = total_df as f64 * residual.max(f64::MIN_POSITIVE).ln()
            + log_determinant_x
            + log_determinant;
        Some(Step {
            factor,
            criterion,
            residual,
            solution,
        })
    }

    /// Degrees of freedom of each kept column's coefficient. All in units of `sigma_e²`.
    pub(super) fn satterthwaite(&self, profile: &Profile) -> Vec<f64> {
        let m = &profile.full_inverse;
        let size = self.xy.len();
        let zeros = || DMatrix::<f64>::zeros(size, size);
        // Index b: the derivative of V by sigma_b² (J); index e: by sigma_e² (I).
        let (mut a_b, mut a_e) = (zeros(), self.xx.clone());
        let (mut b_bb, mut b_be, mut b_ee) = (zeros(), zeros(), self.xx.clone());
        let (mut t_bb, mut t_be, mut t_ee) = (0.0, 0.0, 0.0);
        for g in &self.groups {
            // The eigenvalue of V^-1 along the ones; across them it is 1.
            let a = 1.0 / (1.0 + g.n * profile.ratio);
            a_b += &g.outer * (a * a);
            a_e += &g.outer * ((a * a - 1.0) / g.n);
            b_bb += &g.outer * (a * a * a * g.n);
            b_be += &g.outer * (a * a * a);
            b_ee += &g.outer * ((a * a * a - 1.0) / g.n);
            t_bb += g.clusters * a * a * g.n * g.n;
            t_be += g.clusters * a * a * g.n;
            t_ee += g.clusters * (g.n - 1.0 + a * a);
        }
        let (m_b, m_e) = (m * &a_b, m * &a_e);
        let information = |t: f64, b: &DMatrix<f64>, left: &DMatrix<f64>, right: &DMatrix<f64>| {
            0.5 * (t - 2.0 * (m * b).trace() + (left * right).trace())
        };
        let i_bb = information(t_bb, &b_bb, &m_b, &m_b);
        let i_be = information(t_be, &b_be, &m_b, &m_e);
        let i_ee = information(t_ee, &b_ee, &m_e, &m_e);
        let determinant = i_bb * i_ee - i_be * i_be;
        let (gradient_b, gradient_e) = (&m_b * m, &m_e * m);
        (1..size)
            .map(|at| {
                let v = m[(at, at)];
                let (g_b, g_e) = (gradient_b[(at, at)], gradient_e[(at, at)]);
                let variance =
                    (g_b * g_b * i_ee - 2.0 * g_b * g_e * i_be + g_e * g_e * i_bb) / determinant;
                let df = 2.0 * v * v / variance;
                if df.is_finite() && df > 0.0 { df } else { 1.0 }
            })
            .collect()
    }

    /// The intercept and one coefficient a column, for the data as given.
    pub(super) fn coefficients(
        &self,
        solution: &DVector<f64>,
        columns: usize,
    ) -> (f64, Vec<Option<f64>>) {
        let mut coefficients = vec![None; columns];
        let mut intercept = self.mean_y + solution[0];
        for ((column, mean), value) in self
            .kept
            .iter()
            .zip(&self.means)
            .zip(solution.iter().skip(1))
        {
            intercept -= value * mean;
            if let Some(slot) = coefficients.get_mut(*column) {
                *slot = Some(*value);
            }
        }
        (intercept, coefficients)
    }
}

struct Step {
    factor: Cholesky<f64, nalgebra::Dyn>,
    criterion: f64,
    residual: f64,
    solution: DVector<f64>,
}

/// Gathers clusters (size, column sums, sum of y) by their size; empty ones are left out.
fn by_size(mut clusters: Vec<(f64, DVector<f64>, f64)>, size: usize) -> Vec<SizeGroup> {
    clusters.retain(|(n, _, _)| *n > 0.0);
    clusters.sort_by(|a, b| a.0.total_cmp(&b.0));
    clusters
        .chunk_by(|a, b| a.0 == b.0)
        .map(|same| {
            let mut group = SizeGroup {
                n: same.first().map_or(1.0, |c| c.0),
                clusters: same.len() as f64,
                outer: DMatrix::zeros(size, size),
                cross: DVector::zeros(size),
                square: 0.0,
            };
            for (_, x, y) in same {
                group.outer.ger(1.0, x, x, 1.0);
                group.cross.axpy(*y, x, 1.0);
                group.square += y * y;
            }
            group
        })
        .collect()
}

/// Columns that are no combination of the intercept and earlier ones, by Gram-Schmidt in the
/// order given.
fn independent(columns: &[Vec<f64>], means: &[f64]) -> Vec<usize> {
    let mut basis: Vec<DVector<f64>> = Vec::new();
    let mut kept = Vec::new();
    for (index, (column, mean)) in columns.iter().zip(means).enumerate() {
        let mut rest = vector(column.iter().map(|v| v - mean).collect());
        let before = column.iter().map(|v| v * v).sum::<f64>();
        // Twice, since once leaves rounding in the direction of the basis.
        for direction in basis.iter().chain(&basis) {
            let along = direction.dot(&rest);
            rest.axpy(-along, direction, 1.0);
        }
        let length = rest.norm_squared();
        if length > COLLINEAR * before {
            basis.push(rest / length.sqrt());
            kept.push(index);
        }
    }
    kept
}
