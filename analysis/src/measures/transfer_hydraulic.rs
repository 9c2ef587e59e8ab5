//! Transfer fraction, `hydraulic` (definition 11): the share of drive torque that goes through the
//! coupling to the rear wheels, from pressure and engine torque.
//!
//! `f = integral(T_rear dt) / integral(T_total dt)` over the held part, both at the wheels:
//! `T_rear = T_c i_rear` with the coupling torque `T_c` of definition 10 and the ratio `i_rear` of
//! coupling shaft to rear wheel; `T_total = (T_engine - J domega/dt) i_gear i_final eta`, with the
//! usual inertia J of an engine where the bus tells its speed: in first gear it takes a tenth.
//!
//! While the pack slips, `T_c` is what it carries. While it is locked, `T_c` is what it could carry:
//! unless it slipped in nearly all of the held part the fraction is an upper bound, and is labelled
//! so. It never exceeds 1: the rear cannot get more than all there is.
//!
//! `u(f)/f` from the scatter of pressure and torque over the hold, and from what nobody knows
//! better: friction coefficient and engine torque of the bus. The latter two are the same before
//! and after.

use slipwright_decoders::role::Role;

use super::view::View;
use crate::coupling::Pack;
use crate::drive::at_seconds;
use crate::driveline::Driveline;
use crate::measure::{Estimate, Measured, Missing, TransferEstimate, TransferMethod};
use crate::statistics::spread::{mean, median_and_sigma};
use crate::traction::USUAL_ENGINE_INERTIA_KG_M2;
use crate::traction::pack_slip::slipping;

const ASSUMPTION: &str = "the lining's friction coefficient is as in the vehicle file, the engine's inertia is usual for a car, and while the pack is locked its torque is only an upper bound";

/// Share of the held part in which the pack has to slip for its torque to be what it carried.
const SLIPPING_SHARE: f64 = 0.9;

/// Relative standard uncertainty of a wet lining's friction coefficient: values of one material
/// range over about 0.10 to 0.14 with temperature, sliding speed and wear. Common practice, no
/// source.
const U_FRICTION: f64 = 0.10;

/// Relative standard uncertainty of engine torque as the bus tells it, of the losses before and behind
/// the coupling and of what the engine's own inertia takes. Common practice, no source.
const U_TORQUE: f64 = 0.07;

/// Fewest samples of a held part.
const LEAST: usize = 5;

/// The hydraulic estimate of one engagement.
pub(super) fn transfer_hydraulic(view: &View<'_>) -> TransferEstimate {
    let slips = slips_when_held(view);
    TransferEstimate {
        method: TransferMethod::Hydraulic,
        fraction: fraction(view, slips),
        assumption: ASSUMPTION,
        upper_bound: !slips,
    }
}

/// Whether the pack slipped in nearly all of the held part, so that torque from pressure is carried
/// torque.
fn slips_when_held(view: &View<'_>) -> bool {
    let Ok(held) = view.held_samples() else {
        return false;
    };
    // The shafts wind up while pressure rises, before the held part.
    let from = view.samples.start.min(held.start);
    let all = slipping(view.drive, &view.slip, from..held.end);
    let slips = all.iter().skip(held.start - from);
    let slips = slips.filter(|s| **s == Some(true)).count();
    slips as f64 >= SLIPPING_SHARE * held.len() as f64
}

fn fraction(view: &View<'_>, slips: bool) -> Measured {
    let vehicle = view.vehicle;
    let pack = Pack::of(vehicle)?;
    let rear_ratio = vehicle.rear_drive_ratio()?;
    let driveline = Driveline::of(view.drive, view.kinematics, vehicle)?;
    let torque = view.drive.channel(Role::EngineTorque)?;
    view.drive.channel(Role::CouplingPressure)?;
    let span = view.held_ns()?;
    let (t_s, pressure_bar) = view.pressure_between(span, LEAST)?;
    let mut rear = Vec::with_capacity(t_s.len());
    let mut total = Vec::with_capacity(t_s.len());
    let mut times = Vec::with_capacity(t_s.len());
    let stamps: Vec<i64> = t_s.iter().map(|&t| at_seconds(span.0, t)).collect();
    let spin = driveline.engine_rad_s2(&stamps);
    for (k, (&t, &bar)) in t_s.iter().zip(&pressure_bar).enumerate() {
        let t_ns = stamps[k];
        let Some(engine_nm) = torque.at(t_ns) else {
            return Err(Missing::Gap(Role::EngineTorque));
        };
        // No gear engaged, as while shifting: nothing is driven.
        let Some(ratio) = driveline.wheel_ratio(t_ns)? else {
            continue;
        };
        let taken = spin.get(k).unwrap_or(0.0) * USUAL_ENGINE_INERTIA_KG_M2;
        times.push(t);
        rear.push(pack.torque_nm(bar) * rear_ratio);
        total.push((engine_nm - taken) * ratio);
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

fn integral(t_s: &[f64], y: &[f64]) -> f64 {
    t_s.windows(2)
        .zip(y.windows(2))
        .map(|(t, y)| 0.5 * (y[0] + y[1]) * (t[1] - t[0]))
        .sum()
}
