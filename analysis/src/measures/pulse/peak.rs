//! How high slip rises.
//!
//! The largest of noisy samples lies above the largest of the true slip, and smoothing flattens a
//! sharp peak. So curves that a slip's top can have are fitted to the samples around it, over a
//! part of the top that is made smaller until a curve explains them, and weighted by Schwarz's
//! criterion as the rise of pressure is: a parabola and a cubic for rounded tops, a broken line
//! and two broken curves for a top at which the coupling suddenly grips. The number of samples
//! counts as what correlation leaves of it.

use std::ops::Range;

use nalgebra::{DMatrix, DVector};

use super::Speed;
use super::samples::Samples;
use crate::engagement::SlipTrace;

/// Shares of the rough peak above which the top is fitted, tried in turn.
const TOPS: [f64; 4] = [0.5, 0.7, 0.85, 0.93];

/// A fit is good when its residuals' variance is within this factor of the noise's.
const GOOD: f64 = 1.5;

/// Fewest samples of a top.
const LEAST: usize = 6;

/// Places within the top at which a broken curve may break.
const BREAKS: usize = 24;

/// Columns of a curve for a time `x` from its break, scaled.
type Curve = fn(f64) -> [f64; 4];

/// Curves that break nowhere: number of columns and the columns.
const ROUND: [(usize, Curve); 2] = [
    (3, |x| [1.0, x, x * x, 0.0]),
    (4, |x| [1.0, x, x * x, x * x * x]),
];

/// Curves that break at `x = 0`, where they are highest.
const BROKEN: [(usize, Curve); 3] = [
    (3, |x| [1.0, x.min(0.0), x.max(0.0), 0.0]),
    (4, |x| [1.0, x.min(0.0), x.max(0.0), x.max(0.0).powi(2)]),
    (4, |x| [1.0, x.min(0.0), x.max(0.0), x.min(0.0).powi(2)]),
];

/// Index of the sample nearest to the peak, and its height without systematic uncertainty. Slip
/// stands out from sample `from` on.
pub(super) fn peak(trace: &SlipTrace<'_>, samples: &Samples, from: usize) -> (usize, Speed) {
    let coarse_s = (2.5 * samples.interval_s).max(0.025);
    let curve: Vec<f64> = (from..samples.len())
        .map(|i| samples.local(samples.t_s[i], coarse_s).value)
        .collect();
    let (offset, rough) = curve
        .iter()
        .copied()
        .enumerate()
        .reduce(|best, next| if next.1 > best.1 { next } else { best })
        .unwrap_or((0, samples.slip_mps[from]));
    let at = from + offset;
    let noise = trace.noise();
    let mut best: Option<Speed> = None;
    for share in TOPS {
        let top = top(samples, &curve, from, offset, share * rough);
        let Some((speed, good)) = fitted(samples, top, noise) else {
            continue;
        };
        best = Some(speed);
        if good {
            break;
        }
    }
    let plain = Speed {
        mps: rough,
        u_mps: 1.5 * noise.of_mean_mps(2.0 * coarse_s),
    };
    let mut found = best.unwrap_or(plain);
    found.u_mps = found
        .u_mps
        .hypot(between_samples_mps(samples, &curve, from, offset));
    (at, found)
}

/// What a top that few samples saw may be higher or lower by, as a standard uncertainty, m/s: the largest
/// step beside it, evenly spread. Nothing where enough samples lie above half of it.
fn between_samples_mps(samples: &Samples, curve: &[f64], from: usize, offset: usize) -> f64 {
    let half = 0.5 * curve[offset];
    let above = |values: &mut dyn Iterator<Item = &f64>| values.take_while(|v| **v > half).count();
    let seen = above(&mut curve[..offset].iter().rev()) + above(&mut curve[offset..].iter());
    if seen >= LEAST {
        return 0.0;
    }
    let at = from + offset;
    let beside = at.saturating_sub(2)..(at + 3).min(samples.len());
    let steps = samples.slip_mps[beside].windows(2);
    let largest = steps.map(|w| (w[1] - w[0]).abs()).fold(0.0, f64::max);
    largest / 12.0_f64.sqrt()
}

/// Samples around the peak whose smoothed slip is above `level`, at least [`LEAST`].
fn top(samples: &Samples, curve: &[f64], from: usize, offset: usize, level: f64) -> Range<usize> {
    let mut start = offset;
    while start > 0 && curve[start - 1] > level {
        start -= 1;
    }
    let mut end = offset + 1;
    while end < curve.len() && curve[end] > level {
        end += 1;
    }
    // Widen by turns, to the right first: slip rises faster than it falls.
    let (mut start, mut end) = (from + start, from + end);
    let mut right = true;
    while end - start < LEAST && (start > from || end < samples.len()) {
        if (right && end < samples.len()) || start == from {
            end += 1;
        } else {
            start -= 1;
        }
        right = !right;
    }
    start..end
}

/// One curve fitted to a top.
struct Top {
    mps: f64,
    variance: f64,
    squares: f64,
    parameters: usize,
}

/// Height of a top, and whether the best curve explains its samples.
fn fitted(
    samples: &Samples,
    top: Range<usize>,
    noise: &crate::kinematics::SlipNoise,
) -> Option<(Speed, bool)> {
    let n = top.len();
    if n < 5 {
        return None;
    }
    let t = &samples.t_s[top.clone()];
    let y = &samples.slip_mps[top];
    let span_s = t[n - 1] - t[0] + samples.interval_s;
    let scale_s = 0.5 * span_s;
    let middle_s = 0.5 * (t[0] + t[n - 1]);
    let mut tops: Vec<Top> = ROUND
        .iter()
        .filter(|(columns, _)| n > columns + 1)
        .filter_map(|&(columns, curve)| round(t, y, columns, curve, middle_s, scale_s))
        .collect();
    tops.extend(
        BROKEN
            .iter()
            .filter(|(columns, _)| n > columns + 2)
            .filter_map(|&(columns, curve)| broken(t, y, columns, curve, scale_s)),
    );
    let sigma = noise.sigma_mps();
    let count = n as f64;
    let independent = if sigma > 0.0 {
        (sigma / noise.of_mean_mps(span_s))
            .powi(2)
            .clamp(2.0, count.max(2.0))
    } else {
        count
    };
    let floor = 1e-4 * sigma * sigma + f64::MIN_POSITIVE;
    let score = |t: &Top| {
        independent * (t.squares / count + floor).ln() + independent.ln() * t.parameters as f64
    };
    let best = tops.iter().map(score).reduce(f64::min)?;
    let weights: Vec<f64> = tops
        .iter()
        .map(|t| (-0.5 * (score(t) - best)).exp())
        .collect();
    let total: f64 = weights.iter().sum();
    let of = |value: &dyn Fn(&Top) -> f64| {
        tops.iter()
            .zip(&weights)
            .map(|(t, w)| w * value(t))
            .sum::<f64>()
            / total
    };
    let mps = of(&|t: &Top| t.mps);
    // The samples' own scatter, but not less than what the noise is known to be.
    let left = of(&|t: &Top| t.squares / f64::max(count - t.parameters as f64, 1.0));
    let sample_variance = left.max(sigma * sigma) * count / independent;
    let u2 = of(&|t: &Top| t.variance * sample_variance + (t.mps - mps).powi(2));
    let speed = Speed {
        mps,
        u_mps: u2.sqrt(),
    };
    (mps.is_finite() && u2.is_finite()).then_some((speed, left < GOOD * sigma * sigma + floor))
}

struct Solved {
    x: DVector<f64>,
    inverse: DMatrix<f64>,
    squares: f64,
}

fn solve(t: &[f64], y: &[f64], columns: usize, row: impl Fn(f64) -> [f64; 4]) -> Option<Solved> {
    let design = DMatrix::from_fn(t.len(), columns, |i, k| row(t[i])[k]);
    let right = DVector::from_column_slice(y);
    let normal = design.transpose() * &design;
    let inverse = normal.try_inverse()?;
    let x = &inverse * (design.transpose() * &right);
    let squares = (right - design * &x).norm_squared();
    (squares.is_finite() && inverse.iter().all(|v| v.is_finite())).then_some(Solved {
        x,
        inverse,
        squares,
    })
}

/// A curve without a break: its highest point within the top.
fn round(
    t: &[f64],
    y: &[f64],
    columns: usize,
    curve: Curve,
    middle_s: f64,
    scale_s: f64,
) -> Option<Top> {
    const STEPS: usize = 100;
    let solved = solve(t, y, columns, |t| curve((t - middle_s) / scale_s))?;
    let (first, last) = (t.first()?, t.last()?);
    let value = |t: f64| -> f64 {
        let row = curve((t - middle_s) / scale_s);
        (0..columns).map(|k| row[k] * solved.x[k]).sum()
    };
    let (at, mps) = (0..=STEPS)
        .map(|k| first + (last - first) * k as f64 / STEPS as f64)
        .map(|t| (t, value(t)))
        .reduce(|best, next| if next.1 > best.1 { next } else { best })?;
    let row = curve((at - middle_s) / scale_s);
    let gradient = DVector::from_fn(columns, |k, _| row[k]);
    let variance = (gradient.transpose() * &solved.inverse * &gradient)[(0, 0)];
    (variance >= 0.0).then_some(Top {
        mps,
        variance,
        squares: solved.squares,
        parameters: columns,
    })
}

/// A curve that breaks where it is highest, at the break that leaves least.
fn broken(t: &[f64], y: &[f64], columns: usize, curve: Curve, scale_s: f64) -> Option<Top> {
    let n = t.len();
    let (from, to) = (t[1], t[n - 2]);
    let (at, solved) = (0..=BREAKS)
        .map(|k| from + (to - from) * k as f64 / BREAKS as f64)
        .filter_map(|at| {
            let solved = solve(t, y, columns, |t| curve((t - at) / scale_s))?;
            // Rising before, falling after; otherwise it is no top.
            (solved.x[1] > 0.0 && solved.x[2] < 0.0).then_some((at, solved))
        })
        .reduce(|best, next| {
            if next.1.squares < best.1.squares {
                next
            } else {
                best
            }
        })?;
    // The place of the break is fitted too, and moves with the height.
    let with_place = DMatrix::from_fn(n, columns + 1, |i, k| {
        if k < columns {
            curve((t[i] - at) / scale_s)[k]
        } else {
            -solved.x[if t[i] < at { 1 } else { 2 }]
        }
    });
    // With one sample beyond the break its place is hardly told; the limit stands for that.
    // Rounding can leave a nearly singular fit a variance below nothing: then it tells nothing.
    let plain = Some(solved.inverse[(0, 0)]).filter(|v| *v >= 0.0)?;
    let placed = (with_place.transpose() * &with_place)
        .try_inverse()
        .map(|inverse| inverse[(0, 0)])
        .filter(|v| v.is_finite());
    Some(Top {
        mps: solved.x[0],
        variance: placed.map_or(3.0 * plain, |v| v.clamp(plain, 3.0 * plain)),
        squares: solved.squares,
        parameters: columns + 1,
    })
}

/// The largest slip of an engagement in which none stands out: the largest mean over a tenth of a
/// second, less what the largest of so many means of noise alone is expected to be.
pub(super) fn within_noise(trace: &SlipTrace<'_>, samples: &Samples) -> Speed {
    const REACH_S: f64 = 0.1;
    let largest = samples
        .t_s
        .iter()
        .map(|&t| samples.local(t, REACH_S).value)
        .fold(f64::NEG_INFINITY, f64::max);
    let sigma = 1.5 * trace.noise().of_mean_mps(2.0 * REACH_S);
    let length_s = samples.t_s[samples.len() - 1] - samples.t_s[0];
    // Expected largest of n normal numbers (G. Blom, Statistical Estimates and Transformed
    // Beta-variables, 1958, in the approximation sqrt(2 ln n) less its first correction).
    let n = (length_s / REACH_S).max(2.0);
    let root = (2.0 * n.ln()).sqrt();
    let expected = sigma * (root - ((4.0 * std::f64::consts::PI * n.ln()).ln()) / (2.0 * root));
    let middle = trace.u_systematic_mps(samples.index[samples.len() / 2]);
    Speed {
        mps: (largest - expected.max(0.0)).max(0.0),
        u_mps: sigma.hypot(0.5 * expected).hypot(middle),
    }
}
