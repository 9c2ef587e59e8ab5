//! What the pack carries while it slips: torque per bar, how friction falls with sliding, whether
//! torque swings once per relative turn, and what slip is left while it holds.
//!
//! [`trace`] takes the engagements' samples; [`traction`] fits the car's acceleration with a tyre
//! curve, the coupling's torque and its swing.

mod trace;
mod traction;

use self::traction::Traction;
use super::feature::Feature;
use super::record::{Gathered, Observation, Scene};
use crate::drive::at_seconds;
use crate::engagement::{Kind, SlipTrace};
use crate::robust::median;

/// Torque per bar is told at most this badly, relative.
const TORQUE_TOLD: f64 = 0.35;
/// Share of the swing that may be taken for torque.
const SWING_DOUBT: f64 = 1.2;
/// Friction's fall is told at most this badly.
const FALL_TOLD: f64 = 0.25;
/// A slip of this size cannot be told from none, m/s.
const NO_SLIP_MPS: f64 = 0.05;
/// From this long after the demand a sound coupling has closed and holds; looked at for so long, s.
const HELD_FROM_S: f64 = 0.45;
const HELD_TO_S: f64 = 1.5;

pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    held_slip(scene, gathered);
    let all = |gathered: &mut Gathered, why: String| {
        gathered.lacks(Feature::TorquePerBar, why.clone());
        gathered.lacks(Feature::FrictionFall, why.clone());
        gathered.lacks(Feature::OncePerTurn, why);
    };
    let runs = match trace::runs(scene) {
        Ok(runs) => runs,
        Err(why) => return all(gathered, why.to_string()),
    };
    let usual = traction::usual_slope(scene.vehicle);
    let Some(traction) = traction::fit(&runs, usual) else {
        return all(
            gathered,
            "the coupling slipped too little while pressure changed; pull away more firmly, where that is safe".into(),
        );
    };
    torque(scene, &traction, gathered);
    if traction.turn_rad >= traction::LEAST_TURN_RAD {
        gathered.add(
            Feature::OncePerTurn,
            Observation::plain(100.0 * traction.swing, 100.0 * traction.u_swing),
        );
    } else {
        gathered.lacks(
            Feature::OncePerTurn,
            "no engagement slipped for half a relative turn",
        );
    }
}

fn torque(scene: &Scene<'_>, traction: &Traction, gathered: &mut Gathered) {
    // What swings within an engagement is not told apart from its level where the swing is large.
    let u_log_slope = traction.u_log_slope.hypot(SWING_DOUBT * traction.swing);
    if u_log_slope < TORQUE_TOLD {
        let per_bar = traction.slope * to_torque(scene);
        gathered.add(
            Feature::TorquePerBar,
            Observation::plain(per_bar.ln(), u_log_slope),
        );
    } else {
        gathered.lacks(
            Feature::TorquePerBar,
            "the car's acceleration does not tell the coupling's torque in this drive",
        );
    }
    if traction.u_fall < FALL_TOLD {
        gathered.add(
            Feature::FrictionFall,
            Observation::plain(100.0 * traction.fall, 100.0 * traction.u_fall),
        );
    } else {
        gathered.lacks(
            Feature::FrictionFall,
            "too little slip, low and high, to compare friction at both",
        );
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

/// Slip that is left while the coupling holds, straight on.
fn held_slip(scene: &Scene<'_>, gathered: &mut Gathered) {
    let Ok(trace) = SlipTrace::of(scene.drive, scene.kinematics) else {
        gathered.lacks(Feature::HeldSlip, "slip cannot be told");
        return;
    };
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
            let value = (middle.max(0.0) + NO_SLIP_MPS).ln();
            gathered.add(Feature::HeldSlip, Observation::plain(value, 0.1));
        }
    }
}
