//! What drives an engagement, and which kind it is.

use slipwright_decoders::role::Role;

use super::{Conditions, Kind};
use crate::drive::{Channel, Column, Drive, at_seconds, percent_factor};
use crate::kinematics::Kinematics;
use crate::statistics::quantile::median;
use crate::statistics::spread::mean;

/// Slower than this at the start is from rest or creeping, m/s.
const CREEPING_MPS: f64 = 1.5;

/// Lateral acceleration from which an engagement is one while steering, m/s².
const TURN_LATERAL_MPS2: f64 = 1.5;

/// Curvature from which it is so at any speed, 1/m.
const TURN_CURVATURE_PER_M: f64 = 0.02;

/// Steering wheel over road wheel. Common practice, no source; only the kind rests on it.
const STEERING_RATIO: f64 = 15.0;

/// Used for that purpose where the vehicle file has no wheelbase, m.
const USUAL_WHEELBASE_M: f64 = 2.7;

/// How long after the start the turn is looked at, s.
const TURN_LOOK_S: f64 = 0.5;

/// The accelerator's rate is the largest within this of the reference, s.
const RATE_LOOK_S: f64 = 0.5;

/// Span over which a rate is taken, s: several frames of a slow pedal signal.
const RATE_SPAN_S: f64 = 0.1;

/// Conditions of an engagement.
pub(super) fn conditions(
    drive: &Drive,
    kinematics: &Kinematics,
    span_ns: (i64, i64),
    reference_ns: i64,
    demand_step: Option<f64>,
) -> Conditions {
    let (start_ns, end_ns) = span_ns;
    let most = |role: Role| {
        let channel = drive.channel(role).ok()?;
        let range = channel.range(start_ns, end_ns);
        channel.value()[range]
            .iter()
            .copied()
            .reduce(f64::max)
            .or_else(|| channel.at(start_ns))
    };
    let pedal = drive.channel(Role::PedalAccelerator).ok();
    let to_percent = pedal.map_or(1.0, percent_factor);
    Conditions {
        speed_mps: speed_at(drive, kinematics, reference_ns),
        demand_step,
        accelerator_percent: most(Role::PedalAccelerator).map(|p| p * to_percent),
        accelerator_rate_percent_per_s: pedal
            .and_then(|p| largest_rate_per_s(p, reference_ns))
            .map(|r| r * to_percent),
        fluid_temperature_c: drive
            .channel(Role::CouplingTemperature)
            .ok()
            .and_then(|c| c.at(reference_ns).or_else(|| c.held_at(reference_ns))),
        engine_torque_nm: most(Role::EngineTorque),
    }
}

/// Rear-axle speed, m/s.
fn speed_at(drive: &Drive, kinematics: &Kinematics, t_ns: i64) -> Option<f64> {
    let rear = kinematics.rear_mps.as_ref().ok()?;
    drive.column_at(rear, t_ns)
}

fn largest_rate_per_s(pedal: &Channel, reference_ns: i64) -> Option<f64> {
    let (t_s, value) = pedal.window(
        at_seconds(reference_ns, -RATE_LOOK_S - RATE_SPAN_S),
        at_seconds(reference_ns, RATE_LOOK_S),
        reference_ns,
    );
    let mut largest: Option<f64> = None;
    let mut early = 0;
    for late in 0..t_s.len() {
        while early + 1 < late && t_s[late] - t_s[early + 1] >= RATE_SPAN_S {
            early += 1;
        }
        let span = t_s[late] - t_s[early];
        if span >= RATE_SPAN_S {
            let rate = (value[late] - value[early]) / span;
            largest = Some(largest.map_or(rate, |l| l.max(rate)));
        }
    }
    largest
}

/// What made the coupling close: from rest it is a launch, in a bend a turn-in, else a tip-in.
pub(super) fn kind(
    drive: &Drive,
    kinematics: &Kinematics,
    wheelbase_m: Option<f64>,
    start_ns: i64,
) -> Kind {
    let speed = speed_at(drive, kinematics, start_ns)
        .or_else(|| drive.channel(Role::GroundSpeed).ok()?.at(start_ns));
    if speed.is_some_and(|v| v < CREEPING_MPS) {
        return Kind::Launch;
    }
    let until_ns = at_seconds(start_ns, TURN_LOOK_S);
    let speed_mps = mean_speed(drive, kinematics, start_ns, until_ns)
        .or(speed)
        .unwrap_or(0.0);
    let curvature = curvature_per_m(
        drive,
        kinematics,
        wheelbase_m,
        (start_ns, until_ns),
        speed_mps,
    );
    let turning = curvature.is_some_and(|c| {
        c.abs() > TURN_CURVATURE_PER_M || c.abs() * speed_mps * speed_mps > TURN_LATERAL_MPS2
    });
    if turning { Kind::TurnIn } else { Kind::TipIn }
}

fn mean_speed(drive: &Drive, kinematics: &Kinematics, from_ns: i64, to_ns: i64) -> Option<f64> {
    let rear = kinematics.rear_mps.as_ref().ok()?;
    mean(&column_values(drive, rear, from_ns, to_ns))
}

fn column_values(drive: &Drive, column: &Column, from_ns: i64, to_ns: i64) -> Vec<f64> {
    let range = drive.base_range(from_ns, to_ns);
    range.filter_map(|i| column.get(i)).collect()
}

fn curvature_per_m(
    drive: &Drive,
    kinematics: &Kinematics,
    wheelbase_m: Option<f64>,
    (from_ns, to_ns): (i64, i64),
    speed_mps: f64,
) -> Option<f64> {
    let by_yaw = kinematics
        .yaw_rad_s
        .as_ref()
        .ok()
        .and_then(|yaw| median(&column_values(drive, yaw, from_ns, to_ns)))
        .filter(|_| speed_mps > CREEPING_MPS)
        .map(|rate| rate / speed_mps);
    let by_steering = || {
        let steering = drive.channel(Role::SteeringAngle).ok()?;
        let range = steering.range(from_ns, to_ns);
        let angle = median(&steering.value()[range]).or_else(|| steering.at(from_ns))?;
        let middle = median(steering.value())?;
        Some((angle - middle) / STEERING_RATIO / wheelbase_m.unwrap_or(USUAL_WHEELBASE_M))
    };
    by_yaw.or_else(by_steering)
}
