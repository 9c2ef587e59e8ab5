//! What the pack carries while it slips: torque per bar, how friction falls with sliding, whether
//! torque swings once per relative turn, and what slip is left while it holds.
//!
//! [`trace`] takes the engagements' samples, [`traction`] fits the car's acceleration with a tyre
//! curve and the coupling's torque, [`swing`] looks at what the fit leaves over.

mod swing;
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
/// Friction's fall is told at most this badly.
const FALL_TOLD: f64 = 0.25;
/// What the swing of one run must explain of the weighted squares for the torque to be taken from
/// that fit.
const SWING_EXPLAINS: f64 = 4.0;
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
    let Some(plain) = traction::fit(&runs, usual, false) else {
        return all(
            gathered,
            "the coupling slipped too little while pressure changed; pull away more firmly, where that is safe".into(),
        );
    };
    let swung = traction::fit(&runs, usual, true);
    let swing = swung.as_ref().and_then(swing::swing);
    // Two more numbers a run always fit better; they count where they explain much more.
    let explained = |t: &Traction| plain.cost - t.cost > SWING_EXPLAINS * t.swings.len() as f64;
    let better = swung.filter(|t| explained(t) && swing.is_some_and(|(p, u)| p > 2.0 * u));
    torque(scene, better.as_ref().unwrap_or(&plain), gathered);
    match swing {
        Some((percent, u)) => {
            gathered.add(Feature::OncePerTurn, Observation::plain(percent, u));
        }
        None => gathered.lacks(
            Feature::OncePerTurn,
            "no engagement slipped for more than half a relative turn",
        ),
    }
}

fn torque(scene: &Scene<'_>, traction: &Traction, gathered: &mut Gathered) {
    if traction.u_log_slope < TORQUE_TOLD {
        let per_bar = traction.slope * to_torque(scene);
        gathered.add(
            Feature::TorquePerBar,
            Observation::plain(per_bar.ln(), traction.u_log_slope),
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
