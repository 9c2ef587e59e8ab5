//! When slip is over: below a tenth of its peak for 50 ms.
//!
//! A rough end is where lightly smoothed slip first falls below and stays. Of noisy slip that is too
//! early, because the first dip counts. So the end is refined: a local parabola whose reach is a
//! share of the fall is laid through the samples, and its crossing nearest to the best split into
//! samples above and below is taken.

use super::samples::Samples;
use crate::engagement::SlipTrace;
use crate::measure::Missing;
use crate::transition::Timed;

/// Slip is over below this share of its peak,
const END_SHARE: f64 = 0.1;
/// if it stays there for this long, s.
const STAY_S: f64 = 0.05;

/// The parabola's reach as a share of the time from peak to end, and its limits, s.
const REACH_SHARE: f64 = 0.25;
const LONGEST_REACH_S: f64 = 0.15;

/// The end is looked for within this share of the fall around the rough one.
const AROUND_SHARE: f64 = 0.6;

const NEVER: Missing = Missing::NotIdentifiable(
    "slip stayed above a tenth of its peak until the coupling was released",
);

/// When slip ends, s from the first sample; its peak of height `peak_mps` is near sample `at`.
pub(super) fn end(
    trace: &SlipTrace<'_>,
    samples: &Samples,
    at: usize,
    peak_mps: f64,
) -> Result<Timed, Missing> {
    let level = END_SHARE * peak_mps;
    let rough_s = rough_end_s(trace, samples, at, level).ok_or(NEVER)?;
    let peak_s = samples.t_s[at];
    let fall_s = rough_s - peak_s;
    let reach_s = (REACH_SHARE * fall_s).clamp(
        2.1 * samples.interval_s,
        LONGEST_REACH_S.max(2.1 * samples.interval_s),
    );
    let around_s = (AROUND_SHARE * fall_s).max(3.0 * samples.interval_s);
    let near = samples.between((rough_s - around_s).max(peak_s), rough_s + around_s);
    let above: Vec<f64> = near
        .clone()
        .map(|i| samples.local(samples.t_s[i], reach_s).value - level)
        .collect();
    // Best split: before it slip is above, after it below, so the running sum is largest there.
    let mut sum = 0.0;
    let mut best = (f64::NEG_INFINITY, 0);
    for (k, value) in above.iter().enumerate() {
        sum += value;
        if sum > best.0 {
            best = (sum, k);
        }
    }
    let k = best.1;
    let t_s = match (above.get(k), above.get(k + 1)) {
        (Some(&y0), Some(&y1)) if y0 > 0.0 && y1 <= 0.0 => {
            let (t0, t1) = (samples.t_s[near.start + k], samples.t_s[near.start + k + 1]);
            t0 + y0 / (y0 - y1) * (t1 - t0)
        }
        _ => rough_s,
    };
    // The parabola's middle varies by 1.5 times the deviation of a mean over its reach.
    let sigma = 1.5 * trace.noise().of_mean_mps(2.0 * reach_s);
    let slope = -samples.local(t_s, reach_s).slope_per_s;
    let sampled_s = samples.interval_s / 12.0_f64.sqrt();
    // Where the level itself is hardly clear of noise, the crossing found need not be the right one.
    let unclear = (sigma / level).hypot(1.0);
    let by_noise_s = if slope > 0.0 {
        (unclear * sigma / slope).min(fall_s)
    } else {
        fall_s
    };
    let by_choice_s = 0.5 * (t_s - rough_s);
    let hover_s = hover_s(samples, at, t_s, reach_s, (level - sigma, level + sigma));
    let by_hover_s = hover_s / 12.0_f64.sqrt();
    let u_s = by_noise_s
        .max(by_hover_s)
        .hypot(sampled_s)
        .hypot(by_choice_s);
    Ok(Timed { t_s, u_s })
}

/// For how long around its end slip is neither clearly above nor clearly below the level: from where
/// it was last above the higher limit to where it stays below the lower one.
fn hover_s(samples: &Samples, at: usize, end_s: f64, reach_s: f64, limits: (f64, f64)) -> f64 {
    let n = samples.len();
    let (clearly_below, clearly_above) = limits;
    let value = |i: usize| samples.local(samples.t_s[i], reach_s).value;
    let end = samples
        .t_s
        .partition_point(|&t| t < end_s)
        .min(n - 1)
        .max(at);
    let above = (at..end)
        .rev()
        .find(|&i| value(i) > clearly_above)
        .unwrap_or(at);
    let mut below = end;
    let mut i = end;
    // Stays below for as long as makes an end.
    while i < n && samples.t_s[i] - samples.t_s[below] < STAY_S {
        if value(i) > clearly_below {
            below = i;
        }
        i += 1;
    }
    samples.t_s[below] - samples.t_s[above]
}

fn rough_end_s(trace: &SlipTrace<'_>, samples: &Samples, at: usize, level: f64) -> Option<f64> {
    let n = samples.len();
    // Smoothed as much as the level needs to be told from noise, within reason.
    let mut reach_s = (2.1 * samples.interval_s).max(0.025);
    while 1.5 * trace.noise().of_mean_mps(2.0 * reach_s) > level / 2.0 && reach_s < 0.12 {
        reach_s *= 1.3;
    }
    let sigma = 1.5 * trace.noise().of_mean_mps(2.0 * reach_s);
    let curve: Vec<f64> = (at..n)
        .map(|i| samples.local(samples.t_s[i], reach_s).value)
        .collect();
    let stays = |k: usize| {
        let t = samples.t_s[at + k];
        samples.t_s[n - 1] - t >= STAY_S
            && (k..curve.len())
                .take_while(|&j| samples.t_s[at + j] - t <= STAY_S)
                .all(|j| curve[j] < level + 2.0 * sigma)
    };
    let k = (1..curve.len()).find(|&k| curve[k] < level && curve[k - 1] >= level && stays(k))?;
    Some(samples.t_s[at + k])
}
