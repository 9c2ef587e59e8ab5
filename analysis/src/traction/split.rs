//! Front and rear force from their sum and the slip between the axles.
//!
//! `N_f F(s_f) + N_r F(s_r) = F_all` with `(1 + s_f) = (1 + s)(1 + s_r)`, `s` the slip between the
//! axles as the wheels show it. Up to the rear tyres' peak the left side rises with `s_r`, so there is
//! one solution; no ground speed is needed. What an axle's wheels take for themselves is put back on
//! top, because the transfer fraction is that of torques at the wheels.

use std::ops::Range;

use super::Sight;
use super::curve::Curve;
use super::motion::{Motion, follow};
use crate::drive::{Drive, seconds_between};
use crate::kinematics::Kinematics;
use crate::statistics::root;

/// Driving force at the wheels of each axle, of the weight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Divided {
    pub(crate) front: f64,
    pub(crate) rear: f64,
}

/// One sample's forces: both axles', or only their sum where the wheel sensors tell nothing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Force {
    /// Divided.
    Divided(Divided),
    /// Their sum.
    Sum(f64),
    /// Nothing.
    Missing,
}

/// Front and rear force at the contact.
pub(crate) fn divide(all: f64, slip: f64, loads: [f64; 2], sight: &Sight) -> Divided {
    let balance = Balance {
        all,
        slip,
        loads,
        curve: &sight.curve,
    };
    let found = balance.forces(balance.rear_slip());
    // Beyond the friction limit of both axles more force has nowhere to go.
    let sum = found.front + found.rear;
    if sum > 0.0 && sum < all {
        let scale = all / sum;
        return Divided {
            front: found.front * scale,
            rear: found.rear * scale,
        };
    }
    found
}

/// What the slip of the rear tyres follows from.
pub(super) struct Balance<'a> {
    /// Whole force at the contact, of the weight.
    pub(super) all: f64,
    /// Slip between the axles.
    pub(super) slip: f64,
    /// Load shares of front and rear axle.
    pub(super) loads: [f64; 2],
    pub(super) curve: &'a Curve,
}

impl Balance<'_> {
    /// Both forces at a slip of the rear tyres.
    pub(super) fn forces(&self, rear_slip: f64) -> Divided {
        let front_slip = (1.0 + self.slip) * (1.0 + rear_slip) - 1.0;
        Divided {
            front: self.loads[0] * self.curve.force(front_slip),
            rear: self.loads[1] * self.curve.force(rear_slip),
        }
    }

    /// Slip of the rear tyres at which the forces add up to the whole; at most that of their peak.
    pub(super) fn rear_slip(&self) -> f64 {
        /// Force that is left over, of the weight.
        const CLOSE: f64 = 1e-7;
        let left = |slip: f64| {
            let d = self.forces(slip);
            d.front + d.rear - self.all
        };
        let peak = self.curve.peak_slip();
        let (low, high) = ((-peak, left(-peak)), (peak, left(peak)));
        if low.1 >= 0.0 {
            return low.0;
        }
        if high.1 <= 0.0 {
            return high.0;
        }
        root::crossing(low, high, left, |_, _, here| here.abs() < CLOSE)
    }
}

/// Forces over a range of samples. Force follows slip over the relaxation length, so the slip is led
/// through it first; it begins some way before the range.
pub(crate) fn divided(
    drive: &Drive,
    kinematics: &Kinematics,
    motion: &Motion,
    sight: &Sight,
    samples: Range<usize>,
) -> Vec<Force> {
    /// Lead-in of the relaxation, s.
    const LEAD_S: f64 = 0.3;
    let base = drive.base_ns();
    let Some(&first_ns) = base.get(samples.start) else {
        return Vec::new();
    };
    let from = base.partition_point(|&t| seconds_between(t, first_ns) > LEAD_S);
    let since_s = |i: usize| seconds_between(first_ns, base[i]).max(0.0);
    let mut out = Vec::with_capacity(samples.len());
    let mut followed: Option<f64> = None;
    for i in from..samples.end.min(base.len()) {
        let speed = kinematics.front_mps.as_ref().ok().and_then(|v| v.get(i));
        let slip = motion.slip.get(i);
        if let Some(slip) = slip {
            let before = followed.unwrap_or_else(|| slip * built_up(speed, since_s(i), sight));
            let dt = i
                .checked_sub(1)
                .map_or(0.0, |k| seconds_between(base[k], base[i]));
            let way = speed.unwrap_or(0.0).max(0.1) * dt / sight.assumed.relaxation_m;
            followed = Some(follow(before, slip, way));
        }
        if i < samples.start {
            continue;
        }
        let force = motion.force(i, &sight.assumed);
        let loads = sight.assumed.loads(force.unwrap_or(0.0));
        let take = motion.wheels_take(i, loads);
        out.push(match (slip.and(followed), force) {
            (Some(slip), Some(all)) => {
                let d = divide(all, slip, loads, sight);
                Force::Divided(Divided {
                    front: d.front + take[0],
                    rear: d.rear + take[1],
                })
            }
            (None, Some(all)) => Force::Sum(all + take[0] + take[1]),
            _ => Force::Missing,
        });
    }
    out
}

/// Share of its slip that a tyre has built up when the sensors first tell a speed: all of it while
/// rolling. After standstill the tread's way ahead of the ground stretches the tyre before it rolls:
/// with slip speed that rose evenly over the time since, half of it times that time, over the
/// relaxation length.
fn built_up(speed: Option<f64>, since_s: f64, sight: &Sight) -> f64 {
    /// Slower than this the car has only just left standstill, m/s.
    const LAUNCHED_MPS: f64 = 2.0;
    match speed {
        Some(speed) if speed < LAUNCHED_MPS => {
            (0.5 * speed * since_s / sight.assumed.relaxation_m).min(1.0)
        }
        _ => 1.0,
    }
}
