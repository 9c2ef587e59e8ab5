//! Least-squares fit of one shape to a sampled step.
//!
//! Model: `y(t) = low + amplitude · g(t - onset)`, or with a foot
//! `low + amplitude · (f · F(t) + (1 - f) · g(t - onset))`, where `F` goes evenly from 0 when demand
//! came to 1 at the onset: while the oil closes the clearance, the piston's return springs already take
//! the share `f` of the step. Solved by Levenberg-Marquardt (MINPACK's
//! algorithm, J. J. Moré 1978) from the best few points of a coarse grid, because the sum of squares
//! has kinks where the onset passes a sample. Times of a shape are fitted by their logarithms, so
//! they stay positive.

mod crossing;

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{DMatrix, DVector, Dyn, Owned};

use super::shape::{Numbers, Shape};

/// A fitted shape.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    pub(super) shape: Shape,
    /// Onset, s.
    pub(super) onset_s: f64,
    pub(super) numbers: Numbers,
    pub(super) foot: Option<Foot>,
    pub(super) low: f64,
    pub(super) amplitude: f64,
    /// Sum of squared residuals.
    pub(super) squares: f64,
    /// Fitted parameters, levels included.
    pub(super) parameters: usize,
    /// Inverse of the normal matrix, in the order low, amplitude, onset, shape, foot.
    inverse: DMatrix<f64>,
}

/// What the waveform has already risen by at the onset.
#[derive(Clone, Copy, Debug)]
pub(super) struct Foot {
    /// When it begins, s.
    pub(super) from_s: f64,
    /// Share of the step.
    pub(super) share: f64,
}

impl Foot {
    /// Share of the foot at a time.
    fn value(self, t_s: f64, onset_s: f64) -> f64 {
        if t_s >= onset_s {
            1.0
        } else {
            let lasts_s = (onset_s - self.from_s).max(LEAST_FOOT_S);
            ((t_s - self.from_s) / lasts_s).max(0.0)
        }
    }
}

/// A foot lasts at least this long, s.
const LEAST_FOOT_S: f64 = 1e-3;

/// A foot is no larger than this: beyond, it is a rise.
const MOST_FOOT: f64 = 0.25;

/// A foot is expected to be about this share of the step. Common practice, no source: return springs
/// of half a bar to two, of steps of ten bars and more.
const KNOWN_FOOT: f64 = 0.05;

impl Fit {
    /// Value of the model at a time.
    pub(super) fn value(&self, t_s: f64) -> f64 {
        self.low + self.amplitude * self.share(t_s)
    }

    /// Share of the step at a time.
    pub(super) fn share(&self, t_s: f64) -> f64 {
        let rise = self.shape.value(t_s - self.onset_s, &self.numbers);
        self.foot.map_or(rise, |foot| {
            foot.share * foot.value(t_s, self.onset_s) + (1.0 - foot.share) * rise
        })
    }

    /// By how much later the model crosses a value that is higher by one, at a time, s; 0 where it is
    /// flat and the crossing has no meaning.
    pub(super) fn delay_per_value(&self, t_s: f64) -> f64 {
        let h = 1e-3 * self.numbers[0].max(1e-9);
        let slope = (self.value(t_s + h) - self.value(t_s - h)) / (2.0 * h);
        if slope > 0.0 { 1.0 / slope } else { 0.0 }
    }

    /// Variance of the amplitude for a unit variance of the samples.
    pub(super) fn amplitude_variance(&self) -> f64 {
        self.inverse[(1, 1)].max(0.0)
    }
}

/// Beforehand a time is known to a factor of e (standard deviation of its logarithm),
const KNOWN_LOG_TIME: f64 = 1.0;
/// and a curvature to this much.
const KNOWN_CURVATURE: f64 = 3.0;

/// The shortest of a shape's several times, in sample intervals.
const LEAST_TIME_INTERVALS: f64 = 0.01;

/// A sampled step, and where its naive crossings lie.
pub(super) struct Sampled<'a> {
    pub(super) t_s: &'a [f64],
    pub(super) y: &'a [f64],
    /// Interpolated 10, 50 and 90 % crossings, s.
    pub(super) naive_s: [f64; 3],
    /// Median sample interval, s.
    pub(super) interval_s: f64,
}

/// Best fit of a shape, with a foot from a time on if one is given; `None` where it cannot be fitted or
/// its normal matrix is singular.
pub(super) fn fit(shape: Shape, data: &Sampled<'_>, foot_from_s: Option<f64>) -> Option<Fit> {
    let foot = foot_from_s.map(|from_s| Foot {
        from_s,
        share: KNOWN_FOOT,
    });
    starts(shape, data, foot)
        .into_iter()
        .filter_map(|start| descend(shape, data, start, foot))
        .filter(|fit| fit.squares.is_finite())
        .reduce(|best, next| {
            if next.squares < best.squares {
                next
            } else {
                best
            }
        })
}

struct Start {
    onset_s: f64,
    numbers: Numbers,
    squares: f64,
}

/// How many grid points are worth descending from.
const DESCENTS: usize = 2;

fn starts(shape: Shape, data: &Sampled<'_>, foot: Option<Foot>) -> Vec<Start> {
    let [t10, t50, t90] = data.naive_s;
    let rise = (t90 - t10).max(0.5 * data.interval_s);
    let times: &[f64] = &[0.35, 0.6, 1.0, 1.6];
    let seconds: &[f64] = match shape {
        Shape::SecondOrder => &[0.08, 0.2, 0.4],
        Shape::CutExponential => &[-2.0, 0.5, 3.0],
        Shape::StiffeningRamp => &[0.15, 0.6],
        Shape::RampThenLag | Shape::RampThroughLag | Shape::RampThenLagThroughLag => {
            &[0.1, 0.35, 0.8]
        }
        _ => &[0.0],
    };
    let mut found: Vec<Start> = Vec::new();
    for &time in times {
        for &second in seconds {
            let numbers = match shape {
                Shape::FirstOrder => [time * rise / 2.2, 0.0, 0.0],
                Shape::Ramp => [time * rise / 0.8, 0.0, 0.0],
                Shape::Logistic => [time * rise / 4.4, 0.0, 0.0],
                Shape::RaisedCosine => [time * rise / 0.59, 0.0, 0.0],
                Shape::SecondOrder => [time * rise / 2.0, second, 0.0],
                Shape::StiffeningRamp => [time * rise * (1.0 + second) / 0.8, second, 0.0],
                Shape::UsualStiffeningRamp => [time * rise * 1.5 / 0.8, 0.0, 0.0],
                Shape::CutExponential => [time * rise / 0.8, second, 0.0],
                Shape::RampThenLag | Shape::RampThroughLag => {
                    [time * rise, second * rise / 2.2, 0.0]
                }
                Shape::RampThenLagThroughLag => [time * rise, second * rise / 2.2, 0.08 * rise],
            };
            // Line the shape up with the middle crossing, and a little to either side.
            let Some(middle) = shape.crossing_s(0.5, &numbers) else {
                continue;
            };
            for shift in [-0.12, 0.0, 0.12] {
                let onset_s = t50 - middle + shift * rise.max(data.interval_s);
                let squares =
                    project(shape, data, onset_s, &numbers, foot).map_or(f64::INFINITY, |p| p.2);
                found.push(Start {
                    onset_s,
                    numbers,
                    squares,
                });
            }
        }
    }
    found.sort_by(|a, b| a.squares.total_cmp(&b.squares));
    found.truncate(DESCENTS);
    found
}

/// Best levels for given shape: low, amplitude and the sum of squares.
fn project(
    shape: Shape,
    data: &Sampled<'_>,
    onset_s: f64,
    p: &Numbers,
    foot: Option<Foot>,
) -> Option<(f64, f64, f64)> {
    let n = data.t_s.len() as f64;
    let (mut sg, mut sgg, mut sy, mut sgy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (&t, &y) in data.t_s.iter().zip(data.y) {
        let rise = shape.value(t - onset_s, p);
        let g = foot.map_or(rise, |f| {
            f.share * f.value(t, onset_s) + (1.0 - f.share) * rise
        });
        sg += g;
        sgg += g * g;
        sy += y;
        sgy += g * y;
        syy += y * y;
    }
    let determinant = n * sgg - sg * sg;
    if determinant <= 1e-9 * n * n {
        return None;
    }
    let amplitude = (n * sgy - sg * sy) / determinant;
    let low = (sy - amplitude * sg) / n;
    let squares = syy - low * sy - amplitude * sgy;
    (low.is_finite() && amplitude > 0.0 && squares.is_finite()).then_some((low, amplitude, squares))
}

struct Problem<'a> {
    shape: Shape,
    data: &'a Sampled<'a>,
    /// When a foot begins, s, if there is one.
    foot_from_s: Option<f64>,
    /// low, amplitude, onset, then the shape's coordinates, then the foot's share.
    x: DVector<f64>,
}

impl Problem<'_> {
    fn numbers(&self) -> Numbers {
        let mut numbers = [0.0; 3];
        for (i, number) in numbers.iter_mut().enumerate().take(self.shape.count()) {
            let x = self.x[3 + i];
            *number = if self.shape.positive(i) { x.exp() } else { x };
            if self.shape.one_of_times(i) {
                *number = number.max(self.least_time_s());
            }
        }
        numbers
    }

    /// Where a shape has several times, a shorter one changes no sample; the fit would only drift.
    fn least_time_s(&self) -> f64 {
        LEAST_TIME_INTERVALS * self.data.interval_s
    }

    fn foot(&self) -> Option<Foot> {
        let share = *self.x.iter().last()?;
        self.foot_from_s.map(|from_s| Foot { from_s, share })
    }

    fn jacobian_matrix(&self) -> DMatrix<f64> {
        let numbers = self.numbers();
        let (amplitude, onset) = (self.x[1], self.x[2]);
        let count = self.shape.count();
        let foot = self.foot();
        let rises_by = amplitude * (1.0 - foot.map_or(0.0, |f| f.share));
        let mut jacobian = DMatrix::from_element(self.data.t_s.len(), self.x.len(), 1.0);
        for (row, &t_s) in self.data.t_s.iter().enumerate() {
            let slopes = self.shape.slopes(t_s - onset, &numbers);
            jacobian[(row, 1)] = slopes.value;
            jacobian[(row, 2)] = -rises_by * slopes.by_s;
            if let Some(foot) = foot {
                let filled = foot.value(t_s, onset);
                jacobian[(row, 1)] += foot.share * (filled - slopes.value);
                if t_s < onset {
                    let lasts_s = (onset - foot.from_s).max(LEAST_FOOT_S);
                    jacobian[(row, 2)] -= amplitude * foot.share * filled / lasts_s;
                }
                jacobian[(row, self.x.len() - 1)] = amplitude * (filled - slopes.value);
            }
            for (i, by) in slopes.by_number.iter().enumerate().take(count) {
                let moves = !(self.shape.one_of_times(i) && numbers[i] <= self.least_time_s());
                jacobian[(row, 3 + i)] = if moves { rises_by * by } else { 0.0 };
            }
        }
        jacobian
    }
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for Problem<'_> {
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
        let numbers = self.numbers();
        let (low, amplitude, onset) = (self.x[0], self.x[1], self.x[2]);
        let foot = self.foot();
        let values = self.data.t_s.iter().zip(self.data.y).map(|(&t, &y)| {
            let rise = self.shape.value(t - onset, &numbers);
            let share = foot.map_or(rise, |f| {
                f.share * f.value(t, onset) + (1.0 - f.share) * rise
            });
            low + amplitude * share - y
        });
        let residuals = DVector::from_iterator(self.data.t_s.len(), values);
        residuals.iter().all(|r| r.is_finite()).then_some(residuals)
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let jacobian = self.jacobian_matrix();
        jacobian.iter().all(|v| v.is_finite()).then_some(jacobian)
    }
}

fn descend(shape: Shape, data: &Sampled<'_>, start: Start, foot: Option<Foot>) -> Option<Fit> {
    let count = shape.count();
    let parameters = 3 + count + usize::from(foot.is_some());
    if data.t_s.len() <= parameters {
        return None;
    }
    let (low, amplitude, _) = project(shape, data, start.onset_s, &start.numbers, foot)?;
    let mut x = DVector::zeros(parameters);
    x[0] = low;
    x[1] = amplitude;
    x[2] = start.onset_s;
    for i in 0..count {
        let number = start.numbers[i];
        x[3 + i] = if shape.positive(i) {
            number.ln()
        } else {
            number
        };
    }
    if let Some(foot) = foot {
        x[parameters - 1] = foot.share;
    }
    let problem = Problem {
        shape,
        data,
        foot_from_s: foot.map(|f| f.from_s),
        x,
    };
    // A change of the sum of squares by a millionth moves a parameter by a hundredth of its uncertainty
    // at most; without noise each step changes it by more.
    let (solved, report) = LevenbergMarquardt::new()
        .with_ftol(1e-6)
        .with_xtol(1e-8)
        .with_gtol(1e-10)
        .with_patience(30)
        .minimize(problem);
    let squares = 2.0 * report.objective_function;
    let jacobian = solved.jacobian()?;
    let numbers = solved.numbers();
    let mut normal = jacobian.transpose() * &jacobian;
    // A number that the samples do not tell, as a lag much shorter than a frame, is still not any
    // number: what is known of it beforehand bounds its variance.
    let variance = squares / (data.t_s.len() - parameters) as f64;
    for i in 0..count {
        let known = if shape.positive(i) {
            KNOWN_LOG_TIME
        } else {
            KNOWN_CURVATURE
        };
        normal[(3 + i, 3 + i)] += variance / (known * known);
    }
    let foot = solved.foot();
    if foot.is_some() {
        normal[(parameters - 1, parameters - 1)] += variance / (KNOWN_FOOT * KNOWN_FOOT);
    }
    let inverse = normal.try_inverse()?;
    let is_foot =
        |f: Foot| (0.0..=MOST_FOOT).contains(&f.share) && solved.x[2] > f.from_s + LEAST_FOOT_S;
    let sound = squares.is_finite()
        && inverse.iter().all(|v| v.is_finite())
        && (0..parameters).all(|i| inverse[(i, i)] >= 0.0)
        && solved.x[1] > 0.0
        && foot.is_none_or(is_foot);
    sound.then(|| Fit {
        shape,
        onset_s: solved.x[2],
        numbers,
        foot,
        low: solved.x[0],
        amplitude: solved.x[1],
        squares,
        parameters,
        inverse,
    })
}
