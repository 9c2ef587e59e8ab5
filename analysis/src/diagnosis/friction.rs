//! What the pack carries while it slips: torque per bar, how friction falls with sliding, and what
//! slip is left while it holds.
//!
//! [`trace`] takes the engagements' samples; [`lock`] finds where slip ends.

mod lock;
mod trace;

use self::lock::NoCorner;
use super::feature::Feature;
use super::record::{Gathered, Observation, Scene};
use crate::coupling::Pack;
use crate::drive::at_seconds;
use crate::engagement::{Kind, SlipTrace};
use crate::statistics::quantile::median;
use crate::vehicle::Vehicle;

/// Torque per bar is told at most this badly, relative.
const TORQUE_TOLD: f64 = 0.6;
/// A slip of this size cannot be told from none, m/s.
const NO_SLIP_MPS: f64 = 0.05;
/// So many launches tell held slip alone.
const LEAST_LAUNCHES: usize = 3;
/// From this long after the demand a sound coupling has closed and holds; looked at for so long, s.
const HELD_FROM_S: f64 = 0.45;
const HELD_TO_S: f64 = 2.5;

pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    held_slip(scene, gathered);
    let runs = match trace::runs(scene) {
        Ok(runs) => runs,
        Err(why) => {
            gathered.lacks(Feature::TorquePerBar, why.to_string());
            return gathered.lacks(Feature::FrictionFall, why.to_string());
        }
    };
    let bar_to_torque = to_torque(scene).ln();
    let lock = match lock::find(&runs, usual_slope(scene.vehicle)) {
        Ok(lock) => lock,
        Err(why) => {
            if let NoCorner::AtMost { log_slope, u } = why
                && u < TORQUE_TOLD
            {
                let bound = Observation::at_most(log_slope + bar_to_torque, u);
                gathered.add(Feature::TorquePerBar, bound);
            } else {
                gathered.lacks(Feature::TorquePerBar, no_corner(why));
            }
            return gathered.lacks(Feature::FrictionFall, no_corner(why));
        }
    };
    if lock.u_log_slope < TORQUE_TOLD {
        let value = lock.log_slope + bar_to_torque;
        let told = Observation::plain(value, lock.u_log_slope);
        gathered.add(Feature::TorquePerBar, told);
    } else {
        gathered.lacks(
            Feature::TorquePerBar,
            "where slip ends differs too much from one pull-away to the next",
        );
    }
    gathered.add(
        Feature::FrictionFall,
        Observation::plain(lock.fall.ln_1p(), lock.u_fall / (1.0 + lock.fall)),
    );
}

/// Why nothing is told of where slip ends, in words.
fn no_corner(why: NoCorner) -> &'static str {
    match why {
        NoCorner::Unseen => {
            "no pull-away shows where slip ends; pull away gently, the pedal just past where the coupling closes, on a loose road"
        }
        NoCorner::AtMost { .. } => "slip ends in none of the pull-aways; pull away more gently",
        NoCorner::AtLeast => "slip begins in too few pull-aways; pull away on a loose road",
    }
}

/// Acceleration per bar that the vehicle file lets expect, m/s² per bar.
fn usual_slope(vehicle: &Vehicle) -> f64 {
    let pack = Pack::of(vehicle).ok();
    let v = vehicle;
    match (
        pack,
        v.mass.kg,
        v.tyres.rolling_radius_m,
        v.driveline.rear_drive_ratio,
    ) {
        (Some(pack), Some(kg), Some(radius_m), Some(ratio)) => {
            pack.torque_per_bar_nm() * ratio / (kg * radius_m)
        }
        _ => 0.12,
    }
}

/// N·m per bar of each m/s² per bar; 1 where the vehicle file does not tell, and changes still
/// show.
fn to_torque(scene: &Scene<'_>) -> f64 {
    let v = scene.vehicle;
    match (
        v.mass.kg,
        v.tyres.rolling_radius_m,
        v.driveline.rear_drive_ratio,
    ) {
        (Some(kg), Some(radius_m), Some(ratio)) => kg * radius_m / ratio,
        _ => 1.0,
    }
}

/// Slip that is left while the coupling holds, straight on: in launches, which ask most of it; where a
/// drive has few of them, in all.
fn held_slip(scene: &Scene<'_>, gathered: &mut Gathered) {
    let trace = match SlipTrace::of(scene.drive, scene.kinematics) {
        Ok(trace) => trace,
        Err(why) => return gathered.lacks(Feature::HeldSlip, why.to_string()),
    };
    let mut straight: Vec<(Kind, f64)> = Vec::new();
    for (engagement, found) in scene.engagements() {
        if engagement.kind == Kind::TurnIn {
            continue;
        }
        let from = at_seconds(found.start_ns, HELD_FROM_S);
        let to = at_seconds(found.start_ns, HELD_TO_S).min(found.release_ns);
        let values: Vec<f64> = trace
            .range(from, to)
            .filter_map(|i| trace.slip_mps(i))
            .collect();
        if values.len() >= 10
            && let Some(middle) = median(&values)
        {
            straight.push((engagement.kind, (middle.max(0.0) + NO_SLIP_MPS).ln()));
        }
    }
    let launches = straight.iter().filter(|(kind, _)| *kind == Kind::Launch);
    if launches.count() >= LEAST_LAUNCHES {
        straight.retain(|(kind, _)| *kind == Kind::Launch);
    }
    for (_, value) in straight {
        gathered.add(Feature::HeldSlip, Observation::plain(value, 0.1));
    }
}
