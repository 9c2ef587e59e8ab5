//! Torque that the coupling carried, from the tyres' side: what the rear axle got, over the ratio of
//! the coupling's shaft to the rear wheels. `T_c = F_rear W R / i_rear`, with the rear axle's driving
//! force as a share of the weight W (see `traction::split`).

use std::ops::Range;

use slipwright_decoders::role::Role;

use super::coupling_slip::slipping;
use super::transfer_balance::held_samples;
use super::view::View;
use crate::coupling_model::CarriedTorque;
use crate::measure::Missing;
use crate::traction::Sight;
use crate::traction::split::{Force, divided};
use crate::vehicle::required;

/// Relative standard uncertainty of the bus's engine torque and of the losses behind the coupling.
/// Common practice, no source.
const U_TORQUE: f64 = 0.03;

/// Pascals in a bar.
const PA_PER_BAR: f64 = 1e5;

/// Without a return spring in the vehicle file the pack is taken to touch at this pressure, bar, and its
/// standard uncertainty. Common practice, no source.
const TOUCH_BAR: (f64, f64) = (0.7, 0.5);

/// Torque at the coupling over a range of samples, N·m; `None` where it is not told.
pub(super) fn rear_torque_nm(
    view: &View<'_>,
    samples: Range<usize>,
) -> Result<Vec<Option<f64>>, Missing> {
    let traction = view.traction.as_ref().map_err(Clone::clone)?;
    let sights = traction.learnt.as_ref().map_err(Clone::clone)?;
    by_sight(view, &sights.middle, samples)
}

fn by_sight(
    view: &View<'_>,
    sight: &Sight,
    samples: Range<usize>,
) -> Result<Vec<Option<f64>>, Missing> {
    let traction = view.traction.as_ref().map_err(Clone::clone)?;
    let vehicle = view.vehicle;
    let weight_n = traction.motion.weight_n.clone()?;
    let radius_m = required(&vehicle.tyres.rolling_radius_m, "tyres.rolling_radius_m")?;
    let ratio = required(
        &vehicle.driveline.rear_drive_ratio,
        "driveline.rear_drive_ratio",
    )?;
    let forces = divided(
        view.drive,
        view.kinematics,
        &traction.motion,
        sight,
        samples,
    );
    Ok(forces
        .iter()
        .map(|force| match force {
            Force::Divided(d) => Some(d.rear * weight_n * radius_m / ratio),
            _ => None,
        })
        .collect())
}

/// Every slipping moment of a drive with the torque that the coupling carried in it.
pub(super) fn carried(views: &[View<'_>]) -> Result<Vec<CarriedTorque>, Missing> {
    let Some(first) = views.first() else {
        return Err(Missing::NotIdentifiable("the drive has no engagement"));
    };
    first.drive.channel(Role::CouplingPressure)?;
    let traction = first.traction.as_ref().map_err(Clone::clone)?;
    let sights = traction.learnt.as_ref().map_err(Clone::clone)?;
    let c = &first.vehicle.coupling;
    let (touch_bar, u_touch_bar) = match (c.return_force_n, c.piston_area_m2) {
        (Some(force_n), Some(area_m2)) => {
            let bar = force_n / area_m2 / PA_PER_BAR;
            (bar, 0.2 * bar)
        }
        _ => TOUCH_BAR,
    };
    let mut found = Vec::new();
    let (mut middle, mut moved) = (0.0, vec![0.0; sights.moved.len()]);
    for (engagement, view) in views.iter().enumerate() {
        let Ok(samples) = held_samples(view) else {
            continue;
        };
        let slips = slipping(view, samples.clone());
        if !slips.contains(&Some(true)) {
            continue;
        }
        let torque = by_sight(view, &sights.middle, samples.clone())?;
        let others: Vec<Vec<Option<f64>>> = sights
            .moved
            .iter()
            .map(|sight| by_sight(view, sight, samples.clone()))
            .collect::<Result<_, _>>()?;
        let base = view.drive.base_ns();
        let pressure = view.drive.channel(Role::CouplingPressure)?;
        for (k, i) in samples.enumerate() {
            let (Some(true), Some(torque_nm), Some(pressure_bar)) =
                (slips[k], torque[k], pressure.at(base[i]))
            else {
                continue;
            };
            if torque_nm <= 0.0 || pressure_bar < 3.0 * touch_bar {
                continue;
            }
            middle += torque_nm;
            for (sum, other) in moved.iter_mut().zip(&others) {
                *sum += other[k].unwrap_or(torque_nm);
            }
            found.push(CarriedTorque {
                engagement,
                above_touch_bar: pressure_bar - touch_bar,
                torque_nm,
                u_shared: u_touch_bar / (pressure_bar - touch_bar),
            });
        }
    }
    if middle > 0.0 {
        let by_sights = moved
            .iter()
            .map(|sum| (sum / middle - 1.0).powi(2))
            .sum::<f64>()
            .sqrt();
        for torque in &mut found {
            torque.u_shared = torque.u_shared.hypot(by_sights).hypot(U_TORQUE);
        }
    }
    Ok(found)
}
