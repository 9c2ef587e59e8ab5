//! Transfer fraction, `hydraulic` (definition 11): the share of drive torque that goes through the
//! coupling to the rear wheels, from pressure and engine torque.
//!
//! `f = integral(T_rear dt) / integral(T_total dt)` over the held part, both at the wheels:
//! `T_rear = T_c i_rear` with the coupling torque `T_c` of definition 10 and the ratio `i_rear` of
//! coupling shaft to rear wheel; `T_total = T_engine i_gear i_final eta`. The torque that spins up
//! the engine itself is not known and counts as driving; in a hold it is small.
//!
//! While the coupling slips, `T_c` is what it carries. While it is locked, `T_c` is what it could
//! carry: the fraction is then an upper bound, and is labelled so. It never exceeds 1: the rear
//! cannot get more than all there is.
//!
//! The gear comes from the bus; without it, from engine speed over wheel speed, as the listed ratio
//! that fits within 10 %.
//!
//! `u(f)/f` from the scatter of pressure and torque over the hold, and from what nobody knows
//! better: friction coefficient and engine torque of the bus. The latter two are the same before
//! and after.

use slipwright_decoders::role::Role;

use super::view::View;
use crate::coupling::Pack;
use crate::drive::at_seconds;
use crate::measure::{Estimate, Measured, Missing, TransferEstimate};
use crate::robust::{mean, median_and_sigma};
use crate::vehicle::required;

const METHOD: &str = "hydraulic";

const ASSUMPTION: &str = "the lining's friction coefficient is as in the vehicle file, the engine's own inertia takes no torque, and while the coupling is locked its torque is only an upper bound";

/// A listed gear fits within this share of the ratio seen.
const GEAR_TOLERANCE: f64 = 0.1;

/// Relative standard uncertainty of a wet lining's friction coefficient: values of one material
/// range over about 0.10 to 0.14 with temperature, sliding speed and wear. Common practice, no
/// source.
const U_FRICTION: f64 = 0.10;

/// Relative standard uncertainty of engine torque as the bus tells it, of the efficiency and of what
/// the engine's own inertia takes. Common practice, no source.
const U_TORQUE: f64 = 0.07;

/// Fewest samples of a held part.
const LEAST: usize = 5;

/// The hydraulic estimate of one engagement.
pub(super) fn transfer_hydraulic(view: &View<'_>) -> TransferEstimate {
    let slips = slips_when_held(view);
    TransferEstimate {
        method: METHOD,
        fraction: fraction(view, slips),
        assumption: ASSUMPTION,
        upper_bound: !slips,
    }
}

/// The combined fraction over all estimates; with one method, that one.
pub(super) fn combined(estimates: &[TransferEstimate]) -> Measured {
    estimates
        .first()
        .map_or(Err(Missing::NotIdentifiable("no method applies")), |e| {
            e.fraction.clone()
        })
}

/// Whether slip in the held part is clear of noise, so that torque from pressure is carried torque.
fn slips_when_held(view: &View<'_>) -> bool {
    super::steady_slip::steady_slip_mps(view).is_ok_and(|s| s.value > 3.0 * s.u)
}

fn fraction(view: &View<'_>, slips: bool) -> Measured {
    let vehicle = view.vehicle;
    let pack = Pack::of(vehicle)?;
    let rear_ratio = required(
        &vehicle.driveline.rear_drive_ratio,
        "driveline.rear_drive_ratio",
    )?;
    let gears = required(&vehicle.driveline.gear_ratios, "driveline.gear_ratios")?;
    let final_drive = required(&vehicle.driveline.final_drive, "driveline.final_drive")?;
    let efficiency = required(&vehicle.driveline.efficiency, "driveline.efficiency")?;
    let torque = view.drive.channel(Role::EngineTorque)?;
    view.drive.channel(Role::CouplingPressure)?;
    let span = view.held_ns()?;
    let (t_s, pressure_bar) = view.pressure_between(span, LEAST)?;
    let mut rear = Vec::with_capacity(t_s.len());
    let mut total = Vec::with_capacity(t_s.len());
    let mut times = Vec::with_capacity(t_s.len());
    for (&t, &bar) in t_s.iter().zip(&pressure_bar) {
        let t_ns = at_seconds(span.0, t);
        let Some(engine_nm) = torque.at(t_ns) else {
            return Err(Missing::Gap(Role::EngineTorque));
        };
        // No gear engaged, as while shifting: nothing is driven.
        let gear_ratio = match gear_ratio(view, &gears, final_drive, t_ns)? {
            Some(ratio) => ratio,
            None => continue,
        };
        times.push(t);
        rear.push(pack.torque_nm(bar) * rear_ratio);
        total.push(engine_nm * gear_ratio * final_drive * efficiency);
    }
    if times.len() < LEAST {
        return Err(Missing::TooFewSamples {
            have: times.len(),
            need: LEAST,
        });
    }
    let (rear_nms, total_nms) = (integral(&times, &rear), integral(&times, &total));
    let mean_total = mean(&total).unwrap_or(0.0);
    if total_nms <= 0.0 || mean_total <= 0.0 {
        return Err(Missing::NotIdentifiable(
            "the engine did not drive while the coupling was held",
        ));
    }
    let raw = rear_nms / total_nms;
    let n = times.len() as f64;
    let scatter = |values: &[f64]| {
        let level = mean(values).unwrap_or(0.0).abs().max(f64::MIN_POSITIVE);
        median_and_sigma(values).map_or(0.0, |(_, s)| s / level / n.sqrt())
    };
    let value = raw.clamp(0.0, 1.0);
    let by_scatter = scatter(&rear).hypot(scatter(&total));
    let u = raw.min(1.0 / (1.0 - U_FRICTION)) * by_scatter.hypot(U_FRICTION).hypot(U_TORQUE);
    let method = match (slips, raw > 1.0) {
        (true, false) => "hydraulic",
        (true, true) => "hydraulic, cut at 1: pressure alone would give more than the engine",
        (false, false) => "hydraulic, upper bound: the coupling is locked",
        (false, true) => "hydraulic, upper bound cut at 1: the locked coupling could carry all",
    };
    Ok(Estimate {
        value,
        u,
        method,
        samples: times.len(),
    })
}

/// Engine over front wheels without the final drive; `None` where no gear is engaged.
fn gear_ratio(
    view: &View<'_>,
    gears: &[f64],
    final_drive: f64,
    t_ns: i64,
) -> Result<Option<f64>, Missing> {
    if let Ok(gear) = view.drive.channel(Role::Gear) {
        let Some(number) = gear.held_at(t_ns) else {
            return Err(Missing::Gap(Role::Gear));
        };
        let index = number.round() - 1.0;
        return Ok(if index >= 0.0 {
            gears.get(index as usize).copied()
        } else {
            None
        });
    }
    let radius_m = required(
        &view.vehicle.tyres.rolling_radius_m,
        "tyres.rolling_radius_m",
    )?;
    let engine = view
        .drive
        .channel(Role::EngineSpeed)
        .map_err(|_| Missing::Role(Role::Gear))?
        .at(t_ns)
        .ok_or(Missing::Gap(Role::EngineSpeed))?;
    let front = view.kinematics.front_mps.as_ref().map_err(Clone::clone)?;
    let Some(front_mps) = view.drive.column_at(front, t_ns).filter(|v| *v > 0.5) else {
        return Ok(None);
    };
    let seen = engine / (front_mps / radius_m) / final_drive;
    let nearest = gears
        .iter()
        .copied()
        .min_by(|a, b| (a / seen).ln().abs().total_cmp(&(b / seen).ln().abs()));
    Ok(nearest.filter(|ratio| (ratio / seen - 1.0).abs() < GEAR_TOLERANCE))
}

fn integral(t_s: &[f64], y: &[f64]) -> f64 {
    t_s.windows(2)
        .zip(y.windows(2))
        .map(|(t, y)| 0.5 * (y[0] + y[1]) * (t[1] - t[0]))
        .sum()
}
