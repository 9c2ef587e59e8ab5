//! The least squares of the traction fit: damped Gauss-Newton steps on six numbers a drive and,
//! where asked for, two a run.

use nalgebra::{DMatrix, DVector};

use super::{
    DEVIATION_MPS2, HUBER, LEAST_CARRYING, LEAST_DEVIATION_MPS2, LEAST_RUNS, LEAST_SLIPPING,
    LEAST_SPREAD_BAR, LEAST_SWING_STEP, LEAST_TURN_RAD, PARAMETERS, PRIOR, SHARING, SWINGS, Sample,
    Swing, Traction, Use, Vector, residuals,
};
use crate::robust::{median_and_sigma, neighbour_widening, quantile};

/// What is fitted, and with which priors.
struct Problem<'a> {
    runs: &'a [Vec<Sample>],
    /// The run of each used sample.
    owner: Vec<usize>,
    /// Place of each run's swing among the parameters.
    place: Vec<Option<usize>>,
    prior: Vec<(f64, f64)>,
    /// Deviation of one residual, m/s².
    deviation: f64,
    /// Weight of a squared residual.
    weight: f64,
}

/// Fits a drive. `None` where the coupling slipped too little.
///
/// How large the swing is, is a question of evidence: the same fit with ever larger swings allowed,
/// each judged by its marginal likelihood (D. J. C. MacKay, Bayesian Interpolation, Neural
/// Computation 4 (1992) 415-447).
pub(in crate::diagnosis::friction) fn fit(
    runs: &[Vec<Sample>],
    usual_slope: f64,
) -> Option<Traction> {
    let slipping: Vec<f64> = runs
        .iter()
        .flatten()
        .filter(|s| s.used == Use::Slips)
        .map(|s| s.bar)
        .collect();
    let range = quantile(&slipping, 0.9)? - quantile(&slipping, 0.1)?;
    if slipping.len() < LEAST_SLIPPING || range < LEAST_SPREAD_BAR || runs.len() < LEAST_RUNS {
        return None;
    }
    let mut problem = Problem::new(runs, usual_slope);
    let mut best: Option<(f64, DVector<f64>)> = None;
    // Grip is the one thing that a poor start cannot find: ice and asphalt are far apart.
    for log_d in [-0.15, -0.7, -1.3] {
        let mut start = DVector::from_iterator(
            problem.prior.len(),
            problem.prior.iter().map(|(mean, _)| *mean),
        );
        start[0] = log_d;
        let (cost, found) = problem.descend(start);
        if best.as_ref().is_none_or(|(least, _)| cost < *least) {
            best = Some((cost, found));
        }
    }
    let (_, first) = best?;
    // Now that the residuals are known they say themselves how much each counts.
    problem.learn_noise(&first);
    let mut at = first;
    let mut tried = Vec::new();
    for deviation in SWINGS {
        problem.allow_swing(deviation);
        let (cost, found) = problem.descend(at);
        let evidence = problem.log_evidence(&found, cost)?;
        at = found.clone();
        tried.push((deviation, evidence, found));
    }
    let top = tried
        .iter()
        .map(|(_, evidence, _)| *evidence)
        .fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = tried.iter().map(|(_, e, _)| (e - top).exp()).collect();
    let total: f64 = weights.iter().sum();
    let mean = |of: &dyn Fn(f64) -> f64| {
        let sum = tried.iter().zip(&weights).map(|((d, _, _), w)| of(*d) * w);
        sum.sum::<f64>() / total
    };
    let swing = mean(&|d| d);
    let spread = mean(&|d| (d - swing).powi(2)).sqrt();
    let (deviation, _, x) = tried
        .into_iter()
        .max_by(|(_, a, _), (_, b, _)| a.total_cmp(b))?;
    problem.allow_swing(deviation);
    let mut traction = problem.sum_up(&x)?;
    // Sine and cosine of this deviation each make an amplitude of its root-two fold.
    traction.u_swing = std::f64::consts::SQRT_2 * spread.max(0.5 * LEAST_SWING_STEP);
    if problem.place.iter().any(Option::is_some) {
        traction.swing = std::f64::consts::SQRT_2 * swing;
        traction.turn_rad = runs.iter().map(|run| turn_rad(run)).fold(0.0, f64::max);
    }
    Some(traction)
}

impl<'a> Problem<'a> {
    fn new(runs: &'a [Vec<Sample>], usual_slope: f64) -> Self {
        let owner = runs
            .iter()
            .enumerate()
            .flat_map(|(k, run)| {
                let used = run.iter().filter(|s| s.used != Use::Passed);
                used.map(move |_| k)
            })
            .collect();
        let mut prior = PRIOR.to_vec();
        prior[3].0 = usual_slope.ln();
        let place = runs
            .iter()
            .map(|run| {
                let carrying = run.iter().filter(|s| s.used == Use::Slips && s.bar > 1.0);
                let told = carrying.count() >= LEAST_CARRYING && turn_rad(run) >= LEAST_TURN_RAD;
                told.then(|| {
                    prior.extend([(0.0, SWINGS[0]); 2]);
                    prior.len() - 2
                })
            })
            .collect();
        Self {
            runs,
            owner,
            place,
            prior,
            deviation: DEVIATION_MPS2,
            weight: 1.0 / (DEVIATION_MPS2 * DEVIATION_MPS2 * SHARING),
        }
    }

    fn learn_noise(&mut self, x: &DVector<f64>) {
        let rest: Vec<f64> = self.rest(x).into_iter().filter(|r| *r != 0.0).collect();
        let Some((_, sigma)) = median_and_sigma(&rest) else {
            return;
        };
        let widen = neighbour_widening(&rest).powi(2).clamp(1.0, 2.0 * SHARING);
        self.deviation = sigma.clamp(LEAST_DEVIATION_MPS2, 2.0 * DEVIATION_MPS2);
        self.weight = 1.0 / (self.deviation * self.deviation * widen);
    }

    fn allow_swing(&mut self, deviation: f64) {
        for prior in self.prior.iter_mut().skip(PARAMETERS) {
            prior.1 = deviation;
        }
    }

    /// Logarithm of the marginal likelihood by Laplace's method, but for a constant.
    fn log_evidence(&self, x: &DVector<f64>, cost: f64) -> Option<f64> {
        let (normal, _) = self.normal(x);
        let chol = normal.cholesky()?;
        let log_det = 2.0 * chol.l().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        let priors: f64 = self.prior.iter().map(|(_, d)| 2.0 * d.ln()).sum();
        Some(-0.5 * (cost + log_det + priors)).filter(|e| e.is_finite())
    }

    fn huber(&self, residual: f64) -> f64 {
        (HUBER * self.deviation / residual.abs().max(1e-12)).min(1.0)
    }

    fn swing(&self, x: &DVector<f64>, run: usize) -> Swing {
        self.place[run].map_or([0.0; 2], |at| [x[at], x[at + 1]])
    }

    fn rest(&self, x: &DVector<f64>) -> Vec<f64> {
        let p = Vector::from_fn(|i, _| x[i]);
        self.runs
            .iter()
            .enumerate()
            .flat_map(|(k, run)| residuals(run, &p, self.swing(x, k)))
            .flatten()
            .collect()
    }

    fn cost(&self, rest: &[f64], x: &DVector<f64>) -> f64 {
        let limit = HUBER * self.deviation;
        let data: f64 = rest
            .iter()
            .map(|r| match r.abs() <= limit {
                true => r * r,
                false => 2.0 * limit * r.abs() - limit * limit,
            })
            .sum();
        let held = self.prior.iter().zip(x.iter());
        self.weight * data
            + held
                .map(|((mean, deviation), x)| ((x - mean) / deviation).powi(2))
                .sum::<f64>()
    }

    /// Residuals and their derivatives: central differences for the drive's numbers, and for each
    /// run's own as well, all runs at once because no run answers to another's.
    fn linearised(&self, x: &DVector<f64>) -> (DMatrix<f64>, Vec<f64>) {
        const STEP: f64 = 1e-4;
        let rest = self.rest(x);
        let mut jacobian = DMatrix::zeros(rest.len(), self.prior.len());
        let difference = |change: &dyn Fn(&mut DVector<f64>, f64)| {
            let (mut up, mut down) = (x.clone(), x.clone());
            change(&mut up, STEP);
            change(&mut down, -STEP);
            let (up, down) = (self.rest(&up), self.rest(&down));
            up.iter()
                .zip(&down)
                .map(|(a, b)| (a - b) / (2.0 * STEP))
                .collect::<Vec<f64>>()
        };
        for j in 0..PARAMETERS {
            for (i, d) in difference(&|x, step| x[j] += step).iter().enumerate() {
                jacobian[(i, j)] = *d;
            }
        }
        if self.prior.len() > PARAMETERS {
            for part in 0..2 {
                let all = difference(&|x, step| {
                    for at in self.place.iter().flatten() {
                        x[at + part] += step;
                    }
                });
                for (i, d) in all.iter().enumerate() {
                    if let Some(at) = self.place[self.owner[i]] {
                        jacobian[(i, at + part)] = *d;
                    }
                }
            }
        }
        (jacobian, rest)
    }

    /// Normal matrix and gradient, priors included.
    fn normal(&self, x: &DVector<f64>) -> (DMatrix<f64>, DVector<f64>) {
        let (jacobian, rest) = self.linearised(x);
        let mut weighted = jacobian.clone();
        for (i, r) in rest.iter().enumerate() {
            weighted.row_mut(i).scale_mut(self.weight * self.huber(*r));
        }
        let mut normal = weighted.transpose() * &jacobian;
        let mut gradient = weighted.transpose() * DVector::from_vec(rest);
        for (j, (mean, deviation)) in self.prior.iter().enumerate() {
            let w = 1.0 / (deviation * deviation);
            normal[(j, j)] += w;
            gradient[j] += w * (x[j] - mean);
        }
        (normal, gradient)
    }

    /// Damped Gauss-Newton steps from a start; the cost and where it is least.
    fn descend(&self, start: DVector<f64>) -> (f64, DVector<f64>) {
        let mut x = start;
        let mut least = self.cost(&self.rest(&x), &x);
        let mut damping = 1e-2;
        for _ in 0..30 {
            let (normal, gradient) = self.normal(&x);
            let mut gained = 0.0;
            for _ in 0..8 {
                let mut damped = normal.clone();
                for j in 0..damped.nrows() {
                    damped[(j, j)] *= 1.0 + damping;
                }
                let Some(step) = damped.lu().solve(&gradient) else {
                    damping *= 10.0;
                    continue;
                };
                let next = &x - step;
                let now = self.cost(&self.rest(&next), &next);
                if now < least {
                    gained = least - now;
                    (x, least) = (next, now);
                    damping = (damping * 0.3).max(1e-6);
                    break;
                }
                damping *= 10.0;
            }
            if gained <= 1e-5 * least {
                break;
            }
        }
        (least, x)
    }

    fn sum_up(&self, x: &DVector<f64>) -> Option<Traction> {
        let (jacobian, rest) = self.linearised(x);
        let n = self.prior.len();
        let (normal, _) = self.normal(x);
        let inverse = normal.try_inverse()?;
        let mut scores = vec![DVector::zeros(n); self.runs.len()];
        for (i, r) in rest.iter().enumerate() {
            let row = jacobian.row(i).transpose();
            scores[self.owner[i]] += self.weight * self.huber(*r) * *r * row;
        }
        let mut middle = DMatrix::zeros(n, n);
        for score in &scores {
            middle += score * score.transpose();
        }
        for (j, (_, deviation)) in self.prior.iter().enumerate() {
            middle[(j, j)] += 1.0 / (deviation * deviation);
        }
        let few = self.runs.len() as f64 / (self.runs.len() as f64 - 1.0);
        let by_runs = few * &inverse * middle * &inverse;
        // Neither the scatter of few runs nor the assumed deviation alone is trusted.
        let u = |j: usize| by_runs[(j, j)].max(inverse[(j, j)]).max(0.0).sqrt();
        Some(Traction {
            slope: x[3].exp(),
            u_log_slope: u(3),
            fall: x[4],
            u_fall: u(4),
            swing: 0.0,
            u_swing: 0.0,
            turn_rad: 0.0,
        })
        .filter(|t| t.slope.is_finite() && t.u_log_slope.is_finite() && t.u_fall.is_finite())
    }
}

/// Relative turn over which a run slips under pressure, rad.
fn turn_rad(run: &[Sample]) -> f64 {
    let carrying = || {
        run.iter()
            .filter(|s| s.used == Use::Slips && s.bar > 1.0)
            .map(|s| s.turn_rad)
    };
    let low = carrying().fold(f64::INFINITY, f64::min);
    let high = carrying().fold(f64::NEG_INFINITY, f64::max);
    (high - low).max(0.0)
}
