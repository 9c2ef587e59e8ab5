//! The slip of one engagement: onset, peak and end (definition 8).
//!
//! The largest of noisy samples lies above the largest of the true slip. So slip is smoothed by a
//! local parabola before its maximum is taken; the parabola follows a rounded peak, and its
//! reach is a share of the pulse's own width, so that narrow peaks are not flattened. What half
//! the reach would have given tells how much the reach matters, and is part of the uncertainty.

use std::ops::Range;

use crate::drive::seconds_between;
use crate::engagement::{Onset, SlipTrace};
use crate::measure::Missing;
use crate::transition::Timed;

/// The parabola reaches this share of the pulse's width at half its height to either side.
const REACH_SHARE: f64 = 0.2;

/// Its reach, at most, s.
const LONGEST_REACH_S: f64 = 0.12;

/// Slip is over below this share of its peak,
const END_SHARE: f64 = 0.1;
/// if it stays there for this long, s.
const END_STAY_S: f64 = 0.05;

/// The slip of one engagement.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Pulse {
    /// Where slip leaves its noise; `None` if it never does.
    pub(super) onset: Option<Onset>,
    /// Largest slip, m/s.
    pub(super) peak_mps: f64,
    /// Its standard uncertainty, m/s.
    pub(super) u_peak_mps: f64,
    /// Time from the onset to the end; or why there is none.
    pub(super) lasts: Result<Timed, Missing>,
    /// Samples looked at.
    pub(super) samples: usize,
}

/// Times in s from the first sample, slip and base index of every sample that has slip.
struct Samples {
    t_s: Vec<f64>,
    slip_mps: Vec<f64>,
    index: Vec<usize>,
    interval_s: f64,
}

/// Finds the slip of an engagement among its samples on the base.
pub(super) fn pulse(trace: &SlipTrace<'_>, range: Range<usize>) -> Result<Pulse, Missing> {
    let samples = gather(trace, range.clone())?;
    let onset = trace.first_onset(range);
    let from = onset.map_or(0, |o| samples.index.partition_point(|&i| i < o.index));
    let coarse_s = (2.5 * samples.interval_s).max(0.03);
    let (rough_at, rough_peak) = highest(&samples, from, coarse_s);
    let width_s = width_at_half(&samples, rough_at, rough_peak, coarse_s);
    let reach_s = (REACH_SHARE * width_s).clamp(1.6 * samples.interval_s, LONGEST_REACH_S);
    let (at, peak_mps) = highest(&samples, from, reach_s);
    let (_, finer) = highest_near(&samples, at, reach_s, reach_s / 2.0);
    // The middle of a local parabola varies by 1.5 times the deviation of a mean over its reach.
    let noise = 1.5 * trace.noise().of_mean_mps(2.0 * reach_s);
    let systematic = trace.u_systematic_mps(samples.index[at]);
    let u_peak_mps = noise.hypot(systematic).hypot(0.5 * (finer - peak_mps).max(0.0));
    let lasts = match onset {
        Some(onset) => end(trace, &samples, at, peak_mps).map(|end| Timed {
            t_s: end.t_s
                - seconds_between(trace.base_ns()[samples.index[0]], onset.t_ns),
            u_s: end.u_s.hypot(onset.u_s),
        }),
        None => Err(Missing::SlipInNoise),
    };
    Ok(Pulse { onset, peak_mps, u_peak_mps, lasts, samples: samples.t_s.len() })
}

fn gather(trace: &SlipTrace<'_>, range: Range<usize>) -> Result<Samples, Missing> {
    const LEAST: usize = 5;
    let base = trace.base_ns();
    let (mut t_s, mut slip_mps, mut index) = (Vec::new(), Vec::new(), Vec::new());
    for i in range {
        if let Some(slip) = trace.slip_mps(i) {
            let first = *index.first().unwrap_or(&i);
            t_s.push(seconds_between(base[first], base[i]));
            slip_mps.push(slip);
            index.push(i);
        }
    }
    if index.is_empty() {
        return Err(Missing::BelowSensorSpeed);
    }
    if index.len() < LEAST {
        return Err(Missing::TooFewSamples { have: index.len(), need: LEAST });
    }
    let mut intervals: Vec<f64> = t_s.windows(2).map(|w| w[1] - w[0]).collect();
    let interval_s = crate::robust::quantile_in_place(&mut intervals, 0.5).unwrap_or(0.01);
    Ok(Samples { t_s, slip_mps, index, interval_s })
}

/// Where and how high the smoothed slip is highest, from sample `from` on.
fn highest(samples: &Samples, from: usize, reach_s: f64) -> (usize, f64) {
    highest_in(samples, from..samples.t_s.len(), reach_s)
}

fn highest_near(samples: &Samples, at: usize, within_s: f64, reach_s: f64) -> (usize, f64) {
    let t = samples.t_s[at];
    let from = samples.t_s.partition_point(|&s| s < t - within_s);
    let to = samples.t_s.partition_point(|&s| s <= t + within_s);
    highest_in(samples, from..to, reach_s)
}

fn highest_in(samples: &Samples, range: Range<usize>, reach_s: f64) -> (usize, f64) {
    let start = range.start.min(samples.t_s.len() - 1);
    range
        .map(|i| (i, smoothed(samples, samples.t_s[i], reach_s, 2)))
        .reduce(|best, next| if next.1 > best.1 { next } else { best })
        .unwrap_or((start, samples.slip_mps[start]))
}

/// Local polynomial of degree 1 or 2 at a time, tricube-weighted over `reach_s` to either side; the
/// weighted mean where too few samples lie there.
fn smoothed(samples: &Samples, t_s: f64, reach_s: f64, degree: usize) -> f64 {
    let wide_s = 1.2 * reach_s + 1e-9;
    let from = samples.t_s.partition_point(|&s| s < t_s - wide_s);
    let to = samples.t_s.partition_point(|&s| s <= t_s + wide_s);
    let mut m = [0.0; 5];
    let mut b = [0.0; 3];
    for i in from..to {
        let x = (samples.t_s[i] - t_s) / wide_s;
        let w = (1.0 - x.abs().powi(3)).max(0.0).powi(3);
        let mut power = w;
        for (k, moment) in m.iter_mut().enumerate() {
            *moment += power;
            if k < 3 {
                b[k] += power * samples.slip_mps[i];
            }
            power *= x;
        }
    }
    if m[0] <= 0.0 {
        return samples.slip_mps.get(from.min(samples.slip_mps.len() - 1)).copied().unwrap_or(0.0);
    }
    let mean = b[0] / m[0];
    let linear = {
        let determinant = m[0] * m[2] - m[1] * m[1];
        (determinant > 1e-6 * m[0] * m[0]).then(|| (m[2] * b[0] - m[1] * b[1]) / determinant)
    };
    if degree < 2 {
        return linear.unwrap_or(mean);
    }
    // Cramer's rule for the value at x = 0 of the parabola.
    let minor = m[2] * m[4] - m[3] * m[3];
    let determinant = m[0] * minor - m[1] * (m[1] * m[4] - m[3] * m[2]) + m[2] * (m[1] * m[3] - m[2] * m[2]);
    let value = (b[0] * minor - m[1] * (b[1] * m[4] - m[3] * b[2]) + m[2] * (b[1] * m[3] - m[2] * b[2]))
        / determinant;
    if to - from >= 5 && determinant > 1e-6 * m[0].powi(3) && value.is_finite() {
        value
    } else {
        linear.unwrap_or(mean)
    }
}

/// Width of the smoothed pulse at half of its height, s.
fn width_at_half(samples: &Samples, at: usize, peak: f64, reach_s: f64) -> f64 {
    let below = |&i: &usize| smoothed(samples, samples.t_s[i], reach_s, 1) < 0.5 * peak;
    let left = (0..at).rev().find(below).unwrap_or(0);
    let right = (at..samples.t_s.len()).find(below).unwrap_or(samples.t_s.len() - 1);
    samples.t_s[right] - samples.t_s[left]
}

/// When the smoothed slip has fallen below a tenth of its peak and stays there, s from the first
/// sample.
fn end(
    trace: &SlipTrace<'_>,
    samples: &Samples,
    at: usize,
    peak: f64,
) -> Result<Timed, Missing> {
    const NEVER: Missing = Missing::NotIdentifiable(
        "slip stayed above a tenth of its peak until the coupling was released",
    );
    let level = END_SHARE * peak;
    // Smoothed as much as the level needs to be told from noise, within reason.
    let mut reach_s = (2.0 * samples.interval_s).max(0.025);
    while trace.noise().of_mean_mps(2.0 * reach_s) > level / 3.0 && reach_s < 0.1 {
        reach_s *= 1.3;
    }
    let sigma = trace.noise().of_mean_mps(2.0 * reach_s);
    let n = samples.t_s.len();
    let curve: Vec<f64> =
        (at..n).map(|i| smoothed(samples, samples.t_s[i], reach_s, 1)).collect();
    let stays = |k: usize| {
        let t = samples.t_s[at + k];
        (k..curve.len())
            .take_while(|&j| samples.t_s[at + j] - t <= END_STAY_S)
            .all(|j| curve[j] < level + 2.0 * sigma)
            && samples.t_s[n - 1] - t >= END_STAY_S
    };
    let k = (1..curve.len())
        .find(|&k| curve[k] < level && curve[k - 1] >= level && stays(k))
        .ok_or(NEVER)?;
    let (t0, t1) = (samples.t_s[at + k - 1], samples.t_s[at + k]);
    let (y0, y1) = (curve[k - 1], curve[k]);
    let t_s = t0 + (y0 - level) / (y0 - y1) * (t1 - t0);
    // The slope over the smoothing's reach, so that noise does not make it steep.
    let early = samples.t_s[at..].partition_point(|&t| t < t_s - reach_s).min(k - 1);
    let late = (samples.t_s[at..].partition_point(|&t| t < t_s + reach_s)).clamp(k, curve.len() - 1);
    let span = samples.t_s[at + late] - samples.t_s[at + early];
    let slope = (curve[early] - curve[late]) / span;
    let by_noise = if slope > 0.0 { sigma / slope } else { span };
    let u_s = by_noise.min(samples.t_s[n - 1]).hypot(samples.interval_s / 12.0_f64.sqrt());
    Ok(Timed { t_s, u_s })
}
