//! Ground speed against the wheels: its scale and its lag.
//!
//! While the coupling is open the rear wheels roll freely, so their speed, once scaled, is the car's.
//! A satellite receiver tells it later: `v_ground(t) = k v_rear(t - lag)`, with the scale `k` (rolling
//! radius against the one the wheel speeds were reckoned with, and the receiver's own) and the lag
//! against the wheels' own. Both are fitted by robust least squares over unbraked moments, the
//! wheels' noise averaged out; the lag shows wherever speed changes. Residuals are alike over some
//! seconds, because road and receiver drift: each uncertainty is the larger of what neighbours and
//! what blocks of the drive tell.

use serde::{Deserialize, Serialize};
use std::ops::Range;

use slipwright_decoders::role::Role;

use super::{evenly, soft};
use crate::closing::ClosedSpan;
use crate::drive::{
    Channel, Column, Drive, at_seconds, centred_average, pressed_above, seconds_between,
};
use crate::kinematics::Kinematics;
use crate::measure::{Estimate, Measured, Missing};
use crate::statistics::huber::neighbour_widening;
use crate::statistics::least_squares::least_squares;
use crate::statistics::spread::{median_and_sigma, root_mean_square};

/// Scale and lag of ground speed against the rear wheels.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GroundSpeed {
    /// Ground speed over the wheels' speed.
    pub scale: Measured,
    /// By how much later ground speed comes, s.
    pub lag_s: Measured,
    /// Standard deviation of a ground speed sample, m/s.
    pub sigma_mps: f64,
}

impl Default for GroundSpeed {
    fn default() -> Self {
        Self::missing(&Missing::Role(Role::GroundSpeed))
    }
}

/// Slower samples are left out, m/s: receivers round and hold near standstill.
const LEAST_MPS: f64 = 2.0;

/// Lags that are tried, s.
const LONGEST_LAG_S: f64 = 1.0;
const LAG_STEP_S: f64 = 0.02;

/// After the coupling opens, s: the driveline's swing and the usual lag.
const AFTER_CLOSED_S: f64 = 0.8;

/// Residuals further apart than this share nothing, s.
const BLOCK_S: f64 = 5.0;

/// Fewest blocks that tell a spread.
const LEAST_BLOCKS: usize = 4;

/// Samples that the fit rests on at least, and at most.
const LEAST: usize = 30;
const MOST: usize = 5000;

/// Scatter that the first look at the lag reckons with, and the least later, m/s.
const COARSE_SIGMA_MPS: f64 = 0.15;
const LEAST_SIGMA_MPS: f64 = 0.01;

const METHOD: &str = "ground speed against the free rear wheels, lag fitted";

/// Beforehand, with standard deviations: scale and lag (s).
const PRIOR: [(f64, f64); 2] = [(1.0, 0.05), (0.15, 0.3)];

/// The wheels' speed is averaged over this long, s.
const AVERAGE_S: f64 = 0.1;

/// After the brake is released the tyres creep back for this long, s.
const AFTER_BRAKE_S: f64 = 0.4;

struct Sample {
    t_ns: i64,
    speed_mps: f64,
}

struct Wheels<'a> {
    drive: &'a Drive,
    rear: Column,
}

impl Wheels<'_> {
    fn at(&self, s: &Sample, lag_s: f64) -> Option<f64> {
        self.drive.column_at(&self.rear, at_seconds(s.t_ns, -lag_s))
    }
}

impl GroundSpeed {
    /// Of a drive.
    ///
    /// # Errors
    /// [`Missing::Role`] without ground speed, or why it cannot be set against the wheels.
    pub(crate) fn of(drive: &Drive, kinematics: &Kinematics) -> Result<Self, Missing> {
        let ground = drive.channel(Role::GroundSpeed)?;
        let rear = kinematics.rear_mps.as_ref().map_err(Clone::clone)?;
        let wheels = Wheels {
            drive,
            rear: centred_average(drive.base_ns(), rear, AVERAGE_S),
        };
        let mut samples = samples(drive, ground, &kinematics.closed);
        // Those at which every lag finds wheel speeds.
        samples.retain(|s| {
            [0.0, 0.5 * LONGEST_LAG_S, LONGEST_LAG_S]
                .iter()
                .all(|&lag| wheels.at(s, lag).is_some())
        });
        let kept = evenly(samples, MOST);
        let mut x = [1.0, coarse_lag(&wheels, &kept)?];
        let mut sigma = COARSE_SIGMA_MPS;
        let blocks = blocks(&kept);
        let mut spread = Spread::default();
        for _ in 0..3 {
            (x, spread) = solve(&wheels, &kept, &blocks, x, sigma)?;
            sigma = median_and_sigma(&residuals(&wheels, &kept, x))
                .map_or(sigma, |(_, s)| s)
                .max(LEAST_SIGMA_MPS);
        }
        let left: Vec<f64> = residuals(&wheels, &kept, x)
            .iter()
            .map(|r| soft(r / sigma))
            .collect();
        let widen = neighbour_widening(&left) * root_mean_square(&left).max(1.0);
        let estimate = |i: usize| {
            Ok(Estimate {
                value: x[i],
                u: (spread.by_size[i].sqrt() * widen).max(spread.by_blocks[i].sqrt()),
                method: METHOD,
                samples: kept.len(),
            })
        };
        Ok(Self {
            scale: estimate(0),
            lag_s: estimate(1),
            sigma_mps: sigma,
        })
    }

    /// Nothing is known, and why.
    #[must_use]
    pub fn missing(why: &Missing) -> Self {
        Self {
            scale: Err(why.clone()),
            lag_s: Err(why.clone()),
            sigma_mps: 0.0,
        }
    }
}

/// Variances of scale and lag: as if residuals were independent and of unit variance, and by blocks.
#[derive(Clone, Copy, Default)]
struct Spread {
    by_size: [f64; 2],
    by_blocks: [f64; 2],
}

/// Samples within [`BLOCK_S`] of each other, as ranges.
fn blocks(samples: &[Sample]) -> Vec<Range<usize>> {
    let mut blocks = Vec::new();
    let mut from = 0;
    for i in 1..=samples.len() {
        let ends = samples
            .get(i)
            .is_none_or(|s| seconds_between(samples[from].t_ns, s.t_ns) > BLOCK_S);
        if ends {
            blocks.push(from..i);
            from = i;
        }
    }
    blocks
}

const NO_STRETCH: Missing = Missing::NoSuitableStretch("moving stretch with ground speed");

/// Ground speed where the coupling is open as far as the bus tells.
fn samples(drive: &Drive, ground: &Channel, closed: &[ClosedSpan]) -> Vec<Sample> {
    let brake = drive
        .channel(Role::PedalBrake)
        .ok()
        .map(|b| (b, pressed_above(b)));
    ground
        .t_ns()
        .iter()
        .zip(ground.value())
        .filter(|(_, v)| **v > LEAST_MPS)
        .filter(|(t, _)| {
            !closed.iter().any(|span| {
                **t > at_seconds(span.start_ns, -0.2)
                    && **t < at_seconds(span.end_ns, AFTER_CLOSED_S)
            })
        })
        .filter(|(t, _)| {
            !brake.is_some_and(|(b, limit)| {
                let range = b.range(at_seconds(**t, -LONGEST_LAG_S - AFTER_BRAKE_S), **t);
                b.value()[range].iter().any(|v| *v > limit)
            })
        })
        .map(|(&t_ns, &speed_mps)| Sample { t_ns, speed_mps })
        .collect()
}

fn residuals(wheels: &Wheels<'_>, samples: &[Sample], [scale, lag_s]: [f64; 2]) -> Vec<f64> {
    samples
        .iter()
        .map(|s| {
            wheels
                .at(s, lag_s)
                .map_or(0.0, |wheels_mps| s.speed_mps - scale * wheels_mps)
        })
        .collect()
}

/// The lag with the least robust sum of squares, on a grid, each with its own scale.
fn coarse_lag(wheels: &Wheels<'_>, samples: &[Sample]) -> Result<f64, Missing> {
    if samples.len() < LEAST {
        return Err(NO_STRETCH);
    }
    let scatter = |lag_s: f64| {
        let pairs: Vec<(f64, f64)> = samples
            .iter()
            .filter_map(|s| Some((wheels.at(s, lag_s)?, s.speed_mps)))
            .collect();
        let (vv, vg) = pairs
            .iter()
            .fold((0.0, 0.0), |(a, b), (v, g)| (a + v * v, b + v * g));
        pairs
            .iter()
            .map(|(v, g)| soft((g - vg / vv * v) / COARSE_SIGMA_MPS).powi(2))
            .sum::<f64>()
    };
    let steps = (LONGEST_LAG_S / LAG_STEP_S) as usize;
    (0..steps)
        .map(|k| k as f64 * LAG_STEP_S)
        .map(|lag| (lag, scatter(lag)))
        .filter(|(_, s)| s.is_finite())
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(lag, _)| lag)
        .ok_or(NO_STRETCH)
}

fn solve(
    wheels: &Wheels<'_>,
    samples: &[Sample],
    blocks: &[Range<usize>],
    start: [f64; 2],
    sigma: f64,
) -> Result<([f64; 2], Spread), Missing> {
    let function = |x: &[f64]| {
        let &[scale, lag] = x else { return None };
        if !(-0.01..=LONGEST_LAG_S).contains(&lag) {
            return None;
        }
        let mut out: Vec<f64> = residuals(wheels, samples, [scale, lag])
            .iter()
            .map(|r| soft(r / sigma))
            .collect();
        for (v, (middle, deviation)) in x.iter().zip(PRIOR) {
            out.push((v - middle) / deviation);
        }
        Some(out)
    };
    let start = [start[0], start[1].clamp(0.01, LONGEST_LAG_S - 0.02)];
    let solution = least_squares(&start, &[1e-4, 5e-3], function).ok_or(NO_STRETCH)?;
    let mut x = start;
    x.copy_from_slice(&solution.x);
    let mut spread = Spread::default();
    for (i, gradient) in [[1.0, 0.0], [0.0, 1.0]].iter().enumerate() {
        spread.by_size[i] = solution.variance(gradient);
        if blocks.len() >= LEAST_BLOCKS {
            spread.by_blocks[i] = solution.variance_by_clusters(gradient, blocks);
        }
    }
    Ok((x, spread))
}
