//! Engine: what torque the pedal asks for at a speed. The torque itself follows with a lag, which
//! is a state (see `drivetrain`).
//!
//! Full-load curve, closed-throttle drag that rises with speed, and a first-order lag are the
//! mean-value form of U. Kiencke, L. Nielsen, "Automotive Control Systems", 2nd ed., Springer 2005
//! (from memory); the lag of about a tenth of a second stands for manifold filling. Idle governor
//! and speed limit are our own, proportional both.

use crate::car::EngineParameters;

/// rad/s in one rpm.
pub const RAD_S_PER_RPM: f64 = std::f64::consts::TAU / 60.0;

/// Torque of the idle governor per speed below idle, N·m s/rad.
const IDLE_GAIN_NM_S: f64 = 3.0;
/// Range below the speed limit over which fuel fades out, rpm.
const LIMIT_RANGE_RPM: f64 = 150.0;

/// Full-load torque at a crankshaft speed, N·m: linear between the curve's points, held outside.
#[must_use]
pub fn full_load_nm(p: &EngineParameters, engine_rad_s: f64) -> f64 {
    let rpm = engine_rad_s / RAD_S_PER_RPM;
    let points = || {
        p.full_load_rpm
            .iter()
            .copied()
            .zip(p.full_load_nm.iter().copied())
    };
    let mut before: Option<(f64, f64)> = None;
    for (at, torque) in points() {
        if rpm < at {
            return match before {
                None => torque * (rpm / at).max(0.0),
                Some((from, low)) => low + (torque - low) * (rpm - from) / (at - from),
            };
        }
        before = Some((at, torque));
    }
    before.map_or(0.0, |(_, torque)| torque)
}

/// Drag torque with closed throttle, N·m, negative.
#[must_use]
pub fn drag_nm(p: &EngineParameters, engine_rad_s: f64) -> f64 {
    -(p.drag_nm + p.drag_nm_s * engine_rad_s.max(0.0)) * (engine_rad_s / 20.0).clamp(0.0, 1.0)
}

/// Share of the available torque that a pedal position of 0 to 100 per cent asks for. The map is
/// generous at small pedals, as drivers like it (common practice, no source).
#[must_use]
pub fn pedal_share(pedal_percent: f64) -> f64 {
    libm::pow((pedal_percent / 100.0).clamp(0.0, 1.0), 0.7)
}

/// Flywheel torque asked for by a share of 0 to 1 of the torque range, N·m, with idle governor and speed
/// limit. `allowed` below 1 is an intervention (gear change, traction control).
#[must_use]
pub fn requested_nm(p: &EngineParameters, engine_rad_s: f64, share: f64, allowed: f64) -> f64 {
    let idle_rad_s = p.idle_rpm * RAD_S_PER_RPM;
    let most = full_load_nm(p, engine_rad_s);
    let drag = drag_nm(p, engine_rad_s);
    let driver = drag + (most - drag) * (share * allowed).clamp(0.0, 1.0);
    let idle = IDLE_GAIN_NM_S * (idle_rad_s - engine_rad_s);
    let limit = (p.limit_rpm - engine_rad_s / RAD_S_PER_RPM) / LIMIT_RANGE_RPM;
    let fuelled = driver.max(idle.min(most));
    drag + (fuelled - drag) * limit.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn torque_follows_its_curve_and_its_limits() {
        let p = EngineParameters::default();
        let at = |rpm: f64, pedal: f64| requested_nm(&p, rpm * RAD_S_PER_RPM, pedal, 1.0);
        assert!((at(3000.0, 1.0) - 250.0).abs() < 1e-9);
        assert!((full_load_nm(&p, 1375.0 * RAD_S_PER_RPM) - 200.0).abs() < 1e-9);
        assert!(at(6500.0, 1.0) < 0.0, "fuel is cut at the limit");
        assert!(at(3000.0, 0.0) < -20.0, "closed throttle drags");
        assert!(
            at(500.0, 0.0) > 50.0,
            "idle governor lifts a stalling engine"
        );
        assert_eq!(full_load_nm(&p, 0.0), 0.0);
    }
}
