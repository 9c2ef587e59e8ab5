//! Wheels that are not where the decoder file says.

use super::*;

/// Bends of nine metres to either side at 5 m/s; `place` says whose speed a wheel tells: front left, front right,
/// rear left, rear right. The yaw rate is positive to the left, or has the other sign.
fn told(place: [usize; 4], yaw_sign: f64) -> Option<ReadinessFinding> {
    let (base_m, track_m, v) = (2.6, 1.5, 5.0_f64);
    let rate = |t: f64| 0.55 * (0.4 * t).sin();
    let mut trial = Trial::new();
    for (role, of) in Role::WHEELS.into_iter().zip(place) {
        trial.set(role, |t, _| {
            let r = rate(t);
            let side = if of % 2 == 0 { -0.5 } else { 0.5 };
            let axle = if of < 2 { v.hypot(r * base_m) } else { v };
            axle + side * track_m * r
        });
    }
    let mut yaw = trial.series(Role::WheelSpeedFrontLeft).clone();
    yaw.key = SignalKey::Role(Role::BodyYawRate);
    yaw.unit = Unit::RadianPerSecond;
    for (value, t) in yaw.value.iter_mut().zip(&yaw.t_ns) {
        *value = yaw_sign * rate((t - EPOCH_NS) as f64 * 1e-9);
    }
    trial.signals.series.push(yaw);
    let mut findings = trial.assessed().findings.into_iter();
    findings.find(|f| f.what == "wheels_exchanged")
}

#[test]
fn wheels_that_are_exchanged_in_the_decoder_file_are_told() {
    assert_eq!(told([0, 1, 2, 3], 1.0), None);
    for (place, yaw_sign, what) in [
        ([1, 0, 2, 3], 1.0, "of one axle"),
        ([0, 1, 3, 2], 1.0, "of one axle"),
        ([2, 3, 0, 1], 1.0, "front and rear axle"),
        ([1, 0, 3, 2], 1.0, "the sign of the yaw rate"),
        ([0, 1, 2, 3], -1.0, "the sign of the yaw rate"),
    ] {
        let finding = told(place, yaw_sign).unwrap();
        assert!(
            finding.blocking && finding.why.contains(what),
            "{place:?}: {finding:?}"
        );
    }
}
