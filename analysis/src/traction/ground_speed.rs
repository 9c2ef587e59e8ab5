//! Ground speed against the wheels: its scale and its lag.
//!
//! While the coupling is open the rear wheels roll freely, so their speed, once scaled, is the car's.
//! A satellite receiver tells it later: `v_ground(t) = k v_rear(t - lag) (1 + c b)`, with the scale `k`
//! (rolling radius against the one the wheel speeds were reckoned with, and the receiver's own), the
//! lag, and the rear tyres' creep `c` per deceleration `b` of g while the brake is on. All three are
//! fitted by least squares; the lag shows wherever speed changes. Neighbouring residuals are alike,
//! and the uncertainties carry that.

use slipwright_decoders::role::Role;

use super::GRAVITY_MPS2;
use crate::drive::{Channel, Column, Drive, at_seconds, centred_slope};
use crate::engagement::closed_spans;
use crate::kinematics::{Kinematics, pressed_above};
use crate::measure::{Estimate, Measured, Missing};
use crate::robust::{median_and_sigma, neighbour_widening};
use crate::statistics::least_squares::least_squares;

/// Scale and lag of ground speed against the rear wheels.
#[derive(Clone, Debug, PartialEq)]
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

/// Samples that the fit rests on at least, and at most.
const LEAST: usize = 30;
const MOST: usize = 5000;

/// Residuals beyond so many deviations are not the receiver's noise.
const OUTLIER: f64 = 4.0;

const METHOD: &str = "ground speed against the free rear wheels, lag fitted";

/// Beforehand, with standard deviations: scale, lag (s) and creep per g of braking.
const BEFOREHAND: [(f64, f64); 3] = [(1.0, 0.05), (0.15, 0.3), (0.03, 0.1)];

struct Sample {
    t_ns: i64,
    speed_mps: f64,
    braked: bool,
}

struct Wheels<'a> {
    drive: &'a Drive,
    rear: &'a Column,
    accel: Column,
}

impl Wheels<'_> {
    fn expected(&self, s: &Sample, [scale, lag_s, creep]: [f64; 3]) -> Option<f64> {
        let t_ns = at_seconds(s.t_ns, -lag_s);
        let speed = self.drive.column_at(self.rear, t_ns)?;
        let braking = if s.braked {
            let accel = self.drive.column_at(&self.accel, t_ns).unwrap_or(0.0);
            (-accel / GRAVITY_MPS2).max(0.0)
        } else {
            0.0
        };
        Some(scale * speed * (1.0 + creep * braking))
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
            rear,
            accel: centred_slope(drive.base_ns(), rear, 0.2),
        };
        let mut samples = samples(drive, ground);
        // Those at which every lag finds wheel speeds.
        samples.retain(|s| {
            [0.0, 0.5 * LONGEST_LAG_S, LONGEST_LAG_S]
                .iter()
                .all(|&lag| wheels.expected(s, [1.0, lag, 0.0]).is_some())
        });
        let every = samples.len().div_ceil(MOST).max(1);
        let mut kept: Vec<Sample> = samples.into_iter().step_by(every).collect();
        let mut x = [1.0, coarse_lag(&wheels, &kept)?, BEFOREHAND[2].0];
        let mut sigma = 0.05;
        for round in 0..3 {
            let left = residuals(&wheels, &kept, x);
            sigma = median_and_sigma(&left).map_or(sigma, |(_, s)| s).max(1e-3);
            if round > 0 {
                let mut keep = left.iter().map(|r| r.abs() < OUTLIER * sigma);
                kept.retain(|_| keep.next().unwrap_or(false));
            }
            x = solve(&wheels, &kept, x, sigma)?.0;
        }
        if kept.len() < LEAST {
            return Err(NO_STRETCH);
        }
        let (x, variances) = solve(&wheels, &kept, x, sigma)?;
        let left = residuals(&wheels, &kept, x);
        let widen = neighbour_widening(&left);
        let estimate = |i: usize| {
            Ok(Estimate {
                value: x[i],
                u: variances[i].sqrt() * widen,
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

const NO_STRETCH: Missing = Missing::NoSuitableStretch("moving stretch with ground speed");

/// Ground speed where the coupling is open as far as the bus tells.
fn samples(drive: &Drive, ground: &Channel) -> Vec<Sample> {
    let closed = closed_spans(drive);
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
                    && **t < at_seconds(span.end_ns, 0.4 + LONGEST_LAG_S)
            })
        })
        .map(|(&t_ns, &speed_mps)| Sample {
            t_ns,
            speed_mps,
            braked: brake.is_some_and(|(b, limit)| {
                let range = b.range(at_seconds(t_ns, -LONGEST_LAG_S), t_ns);
                b.value()[range].iter().any(|v| *v > limit)
            }),
        })
        .collect()
}

fn residuals(wheels: &Wheels<'_>, samples: &[Sample], x: [f64; 3]) -> Vec<f64> {
    samples
        .iter()
        .map(|s| {
            wheels
                .expected(s, x)
                .map_or(0.0, |expected| s.speed_mps - expected)
        })
        .collect()
}

/// The lag with the least scatter, on a grid, each with its own scale.
fn coarse_lag(wheels: &Wheels<'_>, samples: &[Sample]) -> Result<f64, Missing> {
    if samples.len() < LEAST {
        return Err(NO_STRETCH);
    }
    let scatter = |lag_s: f64| {
        let pairs: Vec<(f64, f64)> = samples
            .iter()
            .filter_map(|s| Some((wheels.expected(s, [1.0, lag_s, 0.0])?, s.speed_mps)))
            .collect();
        let (vv, vg) = pairs
            .iter()
            .fold((0.0, 0.0), |(a, b), (v, g)| (a + v * v, b + v * g));
        let left: Vec<f64> = pairs.iter().map(|(v, g)| g - vg / vv * v).collect();
        median_and_sigma(&left).map_or(f64::INFINITY, |(_, s)| s)
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
    start: [f64; 3],
    sigma: f64,
) -> Result<([f64; 3], [f64; 3]), Missing> {
    let function = |x: &[f64]| {
        let &[scale, lag, creep] = x else { return None };
        if !(0.0..=LONGEST_LAG_S).contains(&lag) {
            return None;
        }
        let mut out: Vec<f64> = residuals(wheels, samples, [scale, lag, creep])
            .iter()
            .map(|r| r / sigma)
            .collect();
        for (v, (middle, deviation)) in x.iter().zip(BEFOREHAND) {
            out.push((v - middle) / deviation);
        }
        Some(out)
    };
    let start = [
        start[0],
        start[1].clamp(0.01, LONGEST_LAG_S - 0.02),
        start[2],
    ];
    let solution = least_squares(&start, &[1e-4, 5e-3, 1e-3], function).ok_or(NO_STRETCH)?;
    let mut x = start;
    x.copy_from_slice(&solution.x);
    let variance = |i: usize| {
        let mut gradient = [0.0; 3];
        gradient[i] = 1.0;
        solution.variance(&gradient)
    };
    Ok((x, [variance(0), variance(1), variance(2)]))
}
