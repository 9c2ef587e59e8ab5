//! Friction work (definition 9): heat put into the pack, J, and per square metre of lining.
//!
//! `E = integral(T_c |slip_rad_s| dt)` with `T_c` of definition 10 from pressure, and
//! `slip_rad_s = i_rear slip_mps / R`. Slip within its noise takes its sign from its mean over a
//! quarter of a second where that is clear, else it counts as drawn: so noise averages out instead
//! of adding up. While the coupling is locked its torque is only a capacity, and its slip is 0 but
//! for noise. The vehicle file's constants count as exact: what they are wrong by is the same
//! before and after.
//!
//! `u² = sum over dt of the noise of slip times torque, correlated as the drive shows, + (integral of
//! T_c i v u(radius ratio) / R)²`.

use slipwright_decoders::role::Role;

use super::view::{View, carried_at};
use crate::coupling::{Pack, lining_area_m2};
use crate::drive::seconds_between;
use crate::kinematics::slip_rad_s;
use crate::measure::{Estimate, Measured, Missing};
use crate::statistics::spread::mean;
use crate::vehicle::Vehicle;

/// Slip within its noise takes its sign from its mean over this long, s.
const SIGN_MEAN_S: f64 = 0.25;

pub(super) fn friction_work_j(view: &View<'_>) -> Measured {
    let vehicle = view.vehicle;
    let pack = Pack::of(vehicle)?;
    let ratio = vehicle.rear_drive_ratio()?;
    let radius_m = vehicle.rolling_radius_m()?;
    let pressure = view.drive.channel(Role::CouplingPressure)?;
    let trace = view.slip.as_ref().map_err(Clone::clone)?;
    let base = trace.base_ns();
    let half_ns = (0.5e9 * SIGN_MEAN_S) as i64;
    let clear_mps = 2.0 * trace.noise().of_mean_mps(SIGN_MEAN_S);
    // Slip that is negative for long is a rear axle that runs ahead, as in a tight bend.
    let sign = |i: usize| {
        let near = trace.range(
            base[i].saturating_sub(half_ns),
            base[i].saturating_add(half_ns),
        );
        let slips: Vec<f64> = near.filter_map(|k| trace.slip_mps(k)).collect();
        if mean(&slips).is_some_and(|m| m < -clear_mps) {
            -1.0
        } else {
            1.0
        }
    };
    // Power of a slip at a time, at a sample or soon after it, its derivative by slip, and its
    // systematic uncertainty, W.
    let power_of = |slip: f64, t_ns: i64, i: usize| -> Option<[f64; 3]> {
        let torque = pack.torque_nm(carried_at(pressure, t_ns)?);
        let counted = if slip.abs() > trace.threshold_mps(i) {
            slip.abs()
        } else {
            slip * sign(i)
        };
        let per_slip = torque * slip_rad_s(1.0, ratio, radius_m);
        Some([
            per_slip * counted,
            per_slip,
            per_slip * trace.u_systematic_mps(i),
        ])
    };
    let power = |i: usize| power_of(trace.slip_mps(i)?, base[i], i);
    let mut sum = Sum::default();
    let (mut samples, mut begun) = (0, false);
    let last_told = view.last_told();
    let first = view.samples.start;
    if let (Some(b), Some((slip, dt))) = (power(first), view.slip_at_begin())
        && let Some(a) = power_of(slip, view.from_ns, first)
    {
        sum.add(a, b, dt);
    }
    let mut previous: Option<[f64; 3]> = None;
    for i in view.samples.clone() {
        let here = power(i);
        let joined = i > first && view.drive.base_joined(i - 1);
        if let (Some(a), Some(b), true) = (previous, here, joined) {
            sum.add(a, b, seconds_between(base[i - 1], base[i]));
            samples += 1;
            begun = true;
        } else if begun && last_told.is_some_and(|last| last >= i) {
            return Err(if carried_at(pressure, base[i]).is_none() {
                Missing::Gap(Role::CouplingPressure)
            } else {
                view.untold(i - 1)
            });
        }
        previous = here;
    }
    if !begun {
        return Err(Missing::BelowSensorSpeed);
    }
    let last = view.samples.end.saturating_sub(1);
    if let (Some(a), Some((slip, dt))) = (previous, view.slip_at_end())
        && let Some(b) = power_of(slip, view.found.end_ns, last)
    {
        sum.add(a, b, dt);
    }
    // The time over which torque acts, as if it were constant.
    let acting_s = if sum.gain_squares > 0.0 {
        sum.gain * sum.gain / sum.gain_squares
    } else {
        sum.length_s
    };
    let noise = sum.gain * trace.noise().of_mean_mps(acting_s);
    Ok(Estimate {
        value: sum.work_j.max(0.0),
        u: noise.hypot(sum.systematic_j),
        method: "torque from pressure times slip at the coupling, integrated",
        samples: samples + 1,
    })
}

/// Integrals over time, by trapezoids: of power, of its derivative by slip and that one's square, and of
/// power's systematic uncertainty.
#[derive(Default)]
struct Sum {
    work_j: f64,
    gain: f64,
    gain_squares: f64,
    systematic_j: f64,
    length_s: f64,
}

impl Sum {
    fn add(&mut self, a: [f64; 3], b: [f64; 3], dt: f64) {
        self.work_j += 0.5 * (a[0] + b[0]) * dt;
        self.gain += 0.5 * (a[1] + b[1]) * dt;
        self.gain_squares += 0.5 * (a[1] * a[1] + b[1] * b[1]) * dt;
        self.systematic_j += 0.5 * (a[2] + b[2]) * dt;
        self.length_s += dt;
    }
}

/// The same spread over the lining.
pub(super) fn friction_work_j_per_m2(vehicle: &Vehicle, work_j: &Measured) -> Measured {
    let area_m2 = lining_area_m2(vehicle)?;
    let work = work_j.clone()?;
    Ok(Estimate {
        value: work.value / area_m2,
        u: work.u / area_m2,
        ..work
    })
}
