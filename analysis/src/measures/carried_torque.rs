//! Torque that the coupling carried, from the tyres' side: what the rear axle got, over the ratio of
//! the coupling's shaft to the rear wheels. `T_c = F_rear W R / i_rear`, with the rear axle's driving
//! force as a share of the weight W (see `traction::split`).

use std::ops::Range;

use slipwright_decoders::role::Role;

use super::view::{View, Whole};
use crate::coupling::touch_bar;
use crate::coupling_model::SlippingTorque;
use crate::measure::Missing;
use crate::traction::Traction;
use crate::traction::split::{Force, divided};
use crate::vehicle::Vehicle;

/// Relative standard uncertainty of the bus's engine torque and of the losses behind the coupling; less
/// than that of the `hydraulic` transfer fraction, because inertia and axle loads are in the variants
/// of the force's division. Common practice, no source.
const U_TORQUE: f64 = 0.03;

/// What reaches the wheels of the torque behind the coupling: a hypoid gear loses two to four per cent.
/// Common practice, no source.
const REAR_EFFICIENCY: f64 = 0.97;

/// Torque at the coupling over a range of samples, N·m; `None` where it is not told.
pub(super) fn rear_torque_nm(
    view: &View<'_>,
    samples: Range<usize>,
) -> Result<Vec<Option<f64>>, Missing> {
    let traction = view.traction.as_ref().map_err(Clone::clone)?;
    let sights = traction.learnt.as_ref().map_err(Clone::clone)?;
    let torque_nm = at_coupling_nm(traction, view.vehicle)?;
    let forces = divided(
        view.drive,
        view.kinematics,
        &traction.motion,
        &sights.middle,
        samples,
    );
    Ok(forces
        .iter()
        .map(|force| match force {
            Force::Divided(d) => Some(d.rear * torque_nm),
            _ => None,
        })
        .collect())
}

/// Torque per bar of the drive's slipping moments, with what its torques share: the tyres' curve, the
/// bus's engine torque, the touch point.
pub(super) fn slipping_torque(whole: &Whole<'_>) -> Result<SlippingTorque, Missing> {
    let Whole { drive, vehicle, .. } = *whole;
    drive.channel(Role::CouplingPressure)?;
    let traction = whole.traction.as_ref().map_err(Clone::clone)?;
    let sights = traction.learnt.as_ref().map_err(Clone::clone)?;
    let torque_nm = at_coupling_nm(traction, vehicle)?;
    let (per_bar, by_sights) = sights
        .value_and_u(|sight| sight.rear_per_bar)
        .ok_or(Missing::NotIdentifiable("no torque per bar was learnt"))?;
    let slipping = traction.slipping;
    let (_, u_touch_bar) = touch_bar(vehicle);
    let by_touch = u_touch_bar / slipping.above_touch_bar.unwrap_or(u_touch_bar);
    Ok(SlippingTorque {
        per_bar_nm: per_bar * torque_nm,
        u_nm: torque_nm * by_sights.hypot(per_bar * U_TORQUE.hypot(by_touch)),
        moments: slipping.moments,
        closings: slipping.closings,
    })
}

/// Torque at the coupling for the rear axle's force, N·m for a force of the weight.
fn at_coupling_nm(traction: &Traction, vehicle: &Vehicle) -> Result<f64, Missing> {
    let weight_n = traction.motion.weight_n.clone()?;
    let radius_m = vehicle.rolling_radius_m()?;
    let ratio = vehicle.rear_drive_ratio()?;
    Ok(weight_n * radius_m / (ratio * REAR_EFFICIENCY))
}
