//! The engagements as runs of samples: slip, speed, pressure, acceleration and sliding, at an even
//! pace.

use slipwright_decoders::role::Role;

use crate::diagnosis::phases::BEFORE_RELEASE_S;
use crate::diagnosis::record::Scene;
use crate::drive::{at_seconds, seconds_between};
use crate::engagement::{Kind, SlipTrace};
use crate::kinematics::slip_rad_s;
use crate::measure::Missing;

/// Runs are looked for from this long before the demand on, s; one begins at the first sample that tells
/// slip, which in a launch from rest comes later.
pub(super) const BEFORE_S: f64 = 0.3;
/// Pace of the samples, s.
const PACE_S: f64 = 0.018;
/// Slower than this slip ratios tell nothing, m/s.
const LEAST_MPS: f64 = 1.0;
/// Half of the span over which acceleration is taken from the rear wheels, s.
const HALF_SPAN_S: f64 = 0.06;
/// The lining's usual middle radius, m. Common practice, no source.
const USUAL_LINING_M: f64 = 0.065;

/// One sample.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    /// Since the sample before, s.
    pub(super) step_s: f64,
    /// Front axle, m/s.
    pub(super) speed_mps: f64,
    /// Front-rear slip over that speed.
    pub(super) slip_ratio: f64,
    /// Pressure above the touch point, bar.
    pub(super) bar: f64,
    /// Along the car, m/s².
    pub(super) accel_mps2: f64,
    /// Sliding speed in the lining, m/s.
    pub(super) sliding_mps: f64,
}

/// The runs of a drive's engagements.
///
/// # Errors
/// What is missing.
pub(super) fn runs(scene: &Scene<'_>) -> Result<Vec<Vec<Sample>>, Missing> {
    let (drive, k, vehicle) = (scene.drive, scene.kinematics, scene.vehicle);
    let pressure = drive.channel(Role::CouplingPressure)?;
    let trace = SlipTrace::of(drive, k)?;
    let front = k.front_mps.as_ref().map_err(Clone::clone)?;
    let rear = k.rear_mps.as_ref().map_err(Clone::clone)?;
    let accel = drive.channel(Role::BodyAccelLong).ok();
    let c = &vehicle.coupling;
    let touch_bar = match (c.return_force_n, c.piston_area_m2) {
        (Some(force), Some(area)) => force / area * 1e-5,
        _ => 0.0,
    };
    let lining_m = match (c.outer_radius_m, c.inner_radius_m) {
        (Some(outer), Some(inner)) => 0.5 * (outer + inner),
        _ => USUAL_LINING_M,
    };
    let ratio = vehicle.driveline.rear_drive_ratio.unwrap_or(2.5);
    let radius_m = vehicle.tyres.rolling_radius_m.unwrap_or(0.31);
    let base = drive.base_ns();
    let half_ns = (HALF_SPAN_S * 1e9) as i64;
    let mut runs = Vec::new();
    for (engagement, found) in scene.engagements() {
        if engagement.kind == Kind::TurnIn {
            continue;
        }
        let mut run: Vec<Sample> = Vec::new();
        let mut taken_ns = i64::MIN;
        let until = at_seconds(found.release_ns, -BEFORE_RELEASE_S);
        for i in trace.range(at_seconds(found.start_ns, -BEFORE_S), until) {
            let (Some(slip), Some(v_f), Some(v_r)) = (trace.slip_mps(i), front.get(i), rear.get(i))
            else {
                continue;
            };
            let t = base[i];
            let speed = slip_rad_s(v_f - v_r, ratio, radius_m);
            if taken_ns != i64::MIN && seconds_between(taken_ns, t) < PACE_S {
                continue;
            }
            let by_wheels = || {
                let from = drive.column_at(rear, t.saturating_sub(half_ns))?;
                let to = drive.column_at(rear, t.saturating_add(half_ns))?;
                Some((to - from) / (2.0 * HALF_SPAN_S))
            };
            let accel_mps2 = match accel {
                Some(sensor) => sensor.at(t),
                None => by_wheels(),
            };
            let (Some(accel_mps2), Some(bar)) = (accel_mps2, pressure.at(t)) else {
                continue;
            };
            let bar = (bar - touch_bar).max(0.0);
            let step_s = match taken_ns {
                i64::MIN => 0.0,
                before => seconds_between(before, t),
            };
            taken_ns = t;
            run.push(Sample {
                step_s,
                speed_mps: v_f.max(LEAST_MPS),
                slip_ratio: slip / v_f.max(LEAST_MPS),
                bar,
                accel_mps2,
                sliding_mps: speed.abs() * lining_m,
            });
        }
        if !run.is_empty() {
            runs.push(run);
        }
    }
    Ok(runs)
}
