//! Kinematics of motions that are known.

use slipwright_decoders::role::Role;
use slipwright_decoders::signal::Signals;
use slipwright_decoders::unit::Unit;

use super::*;
use crate::trial::{Random, series, stamps, vehicle};

/// Speed ratios to the rear axle's centre in steady turns without slip, wheelbase 2.70 m, track 1.55
/// m on both axles: radius of the rear axle's centre, front left, front right, rear left, rear
/// right, and how much faster the front axle's centre goes, per cent. From the geometry: each
/// wheel's distance from the turn's centre.
const TURNS: [(f64, [f64; 4], f64); 6] = [
    (6.0, [0.98023, 1.21553, 0.87083, 1.12917], 9.65856),
    (10.0, [0.96120, 1.11081, 0.92250, 1.07750], 3.58089),
    (20.0, [0.97068, 1.04749, 0.96125, 1.03875], 0.90714),
    (50.0, [0.98598, 1.01693, 0.98450, 1.01550], 0.14569),
    (100.0, [0.99262, 1.00811, 0.99225, 1.00775], 0.03644),
    (300.0, [0.99746, 1.00262, 0.99742, 1.00258], 0.00405),
];

#[test]
fn a_front_axle_that_does_not_slip_goes_the_longer_way_by_the_geometry() {
    for (radius, _, percent) in TURNS {
        let free = free_front_mps(5.0, 5.0 / radius, 2.7);
        assert!(
            (100.0 * (free / 5.0 - 1.0) - percent).abs() < 6e-6,
            "{radius} m: {free}"
        );
    }
}

/// A drive at a speed over time, each wheel's decoded speed its contact speed times a factor.
fn drive_of(
    duration_s: f64,
    factors: [f64; 4],
    noise_mps: f64,
    speed: impl Fn(f64) -> f64 + Copy,
) -> Signals {
    let mut random = Random::new(9);
    let t = stamps(&mut random, 0.0, duration_s, 0.01, 0.1);
    let mut all = Vec::new();
    for (role, factor) in Role::WHEELS.into_iter().zip(factors) {
        let mut wheel = series(role, Unit::MetrePerSecond, &t, |t| factor * speed(t));
        for v in &mut wheel.value {
            *v += noise_mps * random.normal();
        }
        all.push(wheel);
    }
    Signals { series: all }
}

fn kinematics(signals: &Signals) -> Kinematics {
    Kinematics::of(&Drive::from_signals(signals, &vehicle()), &vehicle())
}

fn mean_slip(k: &Kinematics) -> f64 {
    crate::statistics::spread::mean(
        &k.slip_mps
            .as_ref()
            .unwrap()
            .iter()
            .flatten()
            .collect::<Vec<_>>(),
    )
    .unwrap()
}

/// A turn is no slip. The definition's front speed is that of the axle's centre; the mean of the two
/// front wheels lies above it by at most 0.13 % (6 m radius), which is left as slip.
#[test]
fn a_turn_is_not_slip() {
    for (radius, ratios, _) in TURNS {
        // A long straight first, so that the radius correction has something to rest on.
        let t: Vec<f64> = (0..4000).map(|i| f64::from(i) * 0.01).collect();
        let speed = 5.0;
        let all = Role::WHEELS
            .into_iter()
            .zip(ratios)
            .map(|(role, ratio)| {
                series(role, Unit::MetrePerSecond, &t, |t| {
                    if t < 30.0 { speed } else { ratio * speed }
                })
            })
            .collect();
        let k = kinematics(&Signals { series: all });
        let slip = k.slip_mps.as_ref().unwrap();
        for i in 3100..4000 {
            let left = slip.get(i).unwrap() / speed;
            assert!(left.abs() < 1.4e-3, "{radius} m: {left}");
        }
    }
}

#[test]
fn radius_corrections_are_found_within_their_uncertainty() {
    // Front tyres 0.4 % small (they turn faster), rear left 0.2 % large.
    let factors = [1.004, 1.004, 0.998, 1.0];
    let k = kinematics(&drive_of(60.0, factors, 0.03, |t| {
        12.0 + 3.0 * (t / 9.0).sin()
    }));
    let rear = (factors[2] + factors[3]) / 2.0;
    let r = &k.radius_ratio;
    for (ratio, factor) in [&r.front_left, &r.front_right, &r.rear_left, &r.rear_right]
        .into_iter()
        .zip(factors)
    {
        let ratio = ratio.clone().unwrap();
        assert!(
            (ratio.value - rear / factor).abs() < 2.0 * ratio.u,
            "{ratio:?} {factor}"
        );
        assert!(ratio.u < 2e-3);
    }
    assert!(mean_slip(&k).abs() < 12.0 * k.u_front_ratio);
}

/// Drive makes the front tyres creep by force over stiffness; at zero force the radii remain.
#[test]
fn creep_under_drive_is_not_taken_for_a_smaller_tyre() {
    let speed = |t: f64| 12.0 + 2.0 * (t / 5.0).sin();
    let force = |t: f64| 300.0 + 1600.0 * 0.4 * (t / 5.0).cos();
    let creep = |t: f64| 1.0 + force(t) / 150_000.0;
    let mut signals = drive_of(80.0, [1.0; 4], 0.0, speed);
    for wheel in &mut signals.series[..2] {
        let t: Vec<f64> = wheel
            .t_ns
            .iter()
            .map(|t| (t - crate::trial::EPOCH_NS) as f64 * 1e-9)
            .collect();
        for (v, t) in wheel.value.iter_mut().zip(t) {
            *v *= 1.002 * creep(t);
        }
    }
    let t: Vec<f64> = (0..8000).map(|i| f64::from(i) * 0.01).collect();
    signals
        .series
        .push(series(Role::EngineSpeed, Unit::RadianPerSecond, &t, |_| {
            200.0
        }));
    signals
        .series
        .push(series(Role::EngineTorque, Unit::NewtonMetre, &t, |t| {
            force(t) * speed(t) / 200.0
        }));
    let ratio = kinematics(&signals).radius_ratio.front_left.unwrap();
    assert!(
        (ratio.value - 1.0 / 1.002).abs() < 2.0 * ratio.u && ratio.u < 8e-4,
        "{ratio:?}"
    );
}

/// Nothing tells the force: the car's motion does, on the level within a resistance of 0.9 to 1.6 per
/// cent of the weight, both ways of the throttle. Coasting alone would put the engine's braking, 0.4
/// m/s², on the tyres: 0.0024 with this creep.
#[test]
fn creep_is_told_by_motion_where_nothing_tells_the_force() {
    const CREEP_S2_PER_M: f64 = 0.006;
    for resistance_mps2 in [0.09, 0.12, 0.16] {
        // Throttle and overrun by turns; when the pedal is up the engine brakes.
        let pressed = |t: f64| (t / 10.0).fract() < 0.5;
        let accel = |t: f64| if pressed(t) { 0.4 } else { -0.4 };
        let speed = |t: f64| {
            let into = t % 10.0;
            12.0 + if into < 5.0 {
                0.4 * into
            } else {
                4.0 - 0.4 * into
            }
        };
        let mut signals = drive_of(120.0, [1.0; 4], 0.01, speed);
        for wheel in &mut signals.series[..2] {
            for (v, at) in wheel.value.iter_mut().zip(&wheel.t_ns) {
                let t = (at - crate::trial::EPOCH_NS) as f64 * 1e-9;
                *v *= 1.003 * (1.0 + CREEP_S2_PER_M * (accel(t) + resistance_mps2));
            }
        }
        let t: Vec<f64> = (0..12_000).map(|i| f64::from(i) * 0.01).collect();
        signals
            .series
            .push(series(Role::PedalAccelerator, Unit::Percent, &t, |t| {
                if pressed(t) { 30.0 } else { 0.0 }
            }));
        signals
            .series
            .push(series(Role::PedalBrake, Unit::Bare, &t, |_| 0.0));
        let ratio = kinematics(&signals).radius_ratio.front_left.unwrap();
        let off = ratio.value - 1.0 / 1.003;
        assert!(
            off.abs() < 2.0 * ratio.u && off.abs() < 5e-4 && ratio.u < 8e-4,
            "{off} {ratio:?}"
        );
    }
}

/// Hard pulls and overrun, and nothing between them that a line could rest on: the engine brakes whenever
/// the pedal is up, so that the front wheels turn slower than the road by what their tyres creep.
#[test]
fn creep_of_an_engine_that_brakes_does_not_stay_in_the_radius_ratio() {
    for (creep_s2_per_m, overrun_mps2) in [(0.004, -0.45), (0.006, -0.35), (0.008, -0.3)] {
        let pulled_s = -12.0 * overrun_mps2 / 2.5;
        let pressed = |t: f64| t % (12.0 + pulled_s) < pulled_s;
        let speed = |t: f64| {
            let into = t % (12.0 + pulled_s);
            9.0 + if into < pulled_s {
                2.5 * into
            } else {
                -12.0 * overrun_mps2 + overrun_mps2 * (into - pulled_s)
            }
        };
        let mut signals = drive_of(120.0, [1.0; 4], 0.01, speed);
        for wheel in &mut signals.series[..2] {
            for (v, at) in wheel.value.iter_mut().zip(&wheel.t_ns) {
                let t = (at - crate::trial::EPOCH_NS) as f64 * 1e-9;
                let accel = if pressed(t) { 2.5 } else { overrun_mps2 };
                let driven = accel + 0.12 + 2.8e-4 * speed(t).powi(2);
                *v *= 1.003 * (1.0 + creep_s2_per_m * driven);
            }
        }
        let t: Vec<f64> = (0..12_000).map(|i| f64::from(i) * 0.01).collect();
        let pedal = series(Role::PedalAccelerator, Unit::Percent, &t, |t| {
            if pressed(t) { 60.0 } else { 0.0 }
        });
        signals.series.push(pedal);
        let ratio = kinematics(&signals).radius_ratio.front_left.unwrap();
        assert!(ratio.method.contains("coasting"), "{ratio:?}");
        let off = ratio.value - 1.0 / 1.003;
        assert!(off.abs() < 6.5e-4, "{off} {ratio:?}");
    }
}

/// One rear wheel spins by 3 m/s at a straight pull-away, one turn is as tight as a car steers: nothing but
/// the wheels tells the car's turn, then the steering wheel as well.
#[test]
fn a_spinning_rear_wheel_is_no_turn() {
    let (_, turn, _) = TURNS[0];
    // It runs away within half a second, and is caught as fast.
    let ahead = |t: f64| (6.0 * (t - 30.5).min(33.5 - t)).clamp(0.0, 3.0);
    let turns = |t: f64| t >= 36.0;
    let t: Vec<f64> = (0..4000).map(|i| f64::from(i) * 0.01).collect();
    let speed = 4.0;
    let wheels = || {
        let all = Role::WHEELS.into_iter().enumerate().zip(turn);
        all.map(|((i, role), ratio)| {
            series(role, Unit::MetrePerSecond, &t, |t| match () {
                () if turns(t) => ratio * speed,
                () if i == 3 => speed + ahead(t),
                () => speed,
            })
        })
    };
    let straight = Signals {
        series: wheels().collect(),
    };
    let mut steered = straight.clone();
    let steering = series(Role::SteeringAngle, Unit::Degree, &t, |t| {
        if turns(t) { 370.0 } else { 0.0 }
    });
    steered.series.push(steering);
    for signals in [straight, steered] {
        let k = kinematics(&signals);
        let yaw = k.yaw_rad_s.as_ref().unwrap();
        for i in [3120, 3200, 3280] {
            assert!(k.rear_spins(i) && yaw.get(i).unwrap().abs() < 0.01, "{i}");
        }
        for i in [2000, 3450, 3700, 3950] {
            assert!(!k.rear_spins(i), "{i}");
        }
        assert!((yaw.get(3900).unwrap() - speed / 6.0).abs() < 0.01);
    }
}

#[test]
fn a_yaw_sensor_is_used_without_its_offset() {
    // At rest for 3 s, straight for 30 s, then a 20 m turn.
    let (radius, ratios, _) = TURNS[2];
    let turning = |t: f64| t >= 33.0;
    let speed = |t: f64| if t < 3.0 { 0.0 } else { 6.0 };
    let t: Vec<f64> = (0..4300).map(|i| f64::from(i) * 0.01).collect();
    let mut all: Vec<_> = Role::WHEELS
        .into_iter()
        .zip(ratios)
        .map(|(role, ratio)| {
            series(role, Unit::MetrePerSecond, &t, |t| {
                speed(t) * if turning(t) { ratio } else { 1.0 }
            })
        })
        .collect();
    all.push(series(Role::BodyYawRate, Unit::DegreePerSecond, &t, |t| {
        (if turning(t) { 6.0 / radius } else { 0.0 }).to_degrees() + 1.5
    }));
    // Nothing but the sensor can tell the turn without the track.
    let mut car = vehicle();
    car.geometry.track_rear_m = None;
    let k = Kinematics::of(&Drive::from_signals(&Signals { series: all }, &car), &car);
    let yaw = k.yaw_rad_s.as_ref().unwrap();
    assert!((yaw.get(4200).unwrap() - 0.3).abs() < 1e-6 && yaw.get(1000).unwrap().abs() < 1e-6);
    assert!(k.slip_mps.as_ref().unwrap().get(4200).unwrap().abs() < 1e-3);
}

#[test]
fn below_the_sensors_dropout_slip_is_missing_not_zero() {
    // A sensor that reads zero until 0.8 m/s.
    let speed = |t: f64| {
        let v = (2.0 * (t - 2.0)).clamp(0.0, 10.0);
        if v < 0.8 { 0.0 } else { v }
    };
    let k = kinematics(&drive_of(40.0, [1.0; 4], 0.0, speed));
    assert!((0.7..1.0).contains(&k.dropout_mps), "{}", k.dropout_mps);
    let slip = k.slip_mps.as_ref().unwrap();
    assert_eq!(slip.get(100), None);
    assert!(slip.get(1000).is_some());
    // One that tells every speed.
    let k = kinematics(&drive_of(40.0, [1.0; 4], 0.005, |t| {
        (2.0 * (t - 2.0)).clamp(0.0, 10.0)
    }));
    assert!(k.dropout_mps < 0.2, "{}", k.dropout_mps);
}

/// Wheels that spun with the coupling open, and come back to the road's speed with the pedal released,
/// are no noise.
#[test]
fn a_spun_axle_is_not_noise() {
    let mut signals = drive_of(60.0, [1.0; 4], 0.02, |_| 10.0);
    for wheel in &mut signals.series[..2] {
        for v in &mut wheel.value[3000..3200] {
            *v += 20.0;
        }
    }
    let t: Vec<f64> = (0..6000).map(|i| f64::from(i) * 0.01).collect();
    for role in [Role::CouplingDemand, Role::PedalAccelerator] {
        signals
            .series
            .push(series(role, Unit::Percent, &t, |_| 0.0));
    }
    let noise = kinematics(&signals).noise.unwrap().sigma_mps();
    assert!((0.01..0.03).contains(&noise), "{noise}");
}

/// Three stretches in which the front axle slides, with a force like no other: a line that they could pull
/// would tell a tyre several per cent off.
#[test]
fn an_axle_that_slides_does_not_pull_the_radius_ratio() {
    let mut signals = drive_of(60.0, [1.0; 4], 0.01, |t| 12.0 + (t / 8.0).sin());
    let slides = |t: f64| (30.0..31.5).contains(&t);
    for wheel in &mut signals.series[..2] {
        for v in &mut wheel.value[3000..3150] {
            *v *= 2.0;
        }
    }
    let t: Vec<f64> = (0..6000).map(|i| f64::from(i) * 0.01).collect();
    let speed = |_: f64| 200.0;
    let torque = |t: f64| {
        if slides(t) {
            -120.0
        } else {
            -15.0 + 3.0 * (t / 3.0).sin()
        }
    };
    signals
        .series
        .push(series(Role::EngineSpeed, Unit::RadianPerSecond, &t, speed));
    signals
        .series
        .push(series(Role::EngineTorque, Unit::NewtonMetre, &t, torque));
    let ratio = kinematics(&signals).radius_ratio.front_left.unwrap();
    assert!((ratio.value - 1.0).abs() < 2.0 * ratio.u, "{ratio:?}");
    assert!(ratio.u < 2e-3, "{ratio:?}");
}

/// On ice the front wheels spin wherever the engine drives: what they are ahead is slip, and no tyre.
#[test]
fn wheels_that_slide_all_along_tell_no_radius() {
    for (ahead, missing) in [(1.6, true), (1.08, false)] {
        let signals = drive_of(60.0, [ahead, ahead, 1.0, 1.0], 0.01, |t| {
            12.0 + (t / 8.0).sin()
        });
        let k = kinematics(&signals);
        let ratio = &k.radius_ratio.front_left;
        assert_eq!(
            matches!(ratio, Err(Missing::NotIdentifiable(_))),
            missing,
            "{ratio:?}"
        );
        let slip = if missing { 12.0 * (ahead - 1.0) } else { 0.0 };
        assert!((mean_slip(&k) - slip).abs() < 0.2, "{}", mean_slip(&k));
    }
}

#[test]
fn slip_ratio_follows_its_definition() {
    let mut signals = drive_of(40.0, [1.0; 4], 0.0, |_| 10.0);
    for wheel in &mut signals.series[..2] {
        for v in &mut wheel.value[3000..3100] {
            *v = 12.5;
        }
    }
    let k = kinematics(&signals);
    assert!(
        (k.slip_ratio(3050).unwrap() - 2.5 / 12.5).abs() < 1e-3,
        "{:?} {:?}",
        k.slip_ratio(3050),
        k.radius_ratio
    );
    assert!((slip_rad_s(0.32, 2.5, 0.32) - 2.5).abs() < 1e-12);
}
