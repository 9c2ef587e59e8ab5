//! Faults placed on speeds of known truth, and what a wheel truly does.

use slipwright_decoders::signal::{Series, Signals};
use slipwright_decoders::unit::Unit;

use super::*;
use crate::drive::Drive;
use crate::trial::{EPOCH_NS, Random, series, stamps, vehicle};

/// A car that pulls away, cruises and coasts, its rear left wheel as `fault` has it.
fn drive(seed: u64, frame_s: f64, brake: Option<f64>, fault: impl Fn(f64, f64) -> f64) -> Drive {
    let mut random = Random::new(seed);
    let t_s = stamps(&mut random, 0.0, 40.0, frame_s, 0.1);
    let noise: Vec<f64> = t_s.iter().map(|_| 0.02 * random.normal()).collect();
    let car = |t: f64| (2.5 * (t - 2.0).max(0.0)).min(18.0) - 0.4 * (t - 30.0).max(0.0);
    let wheel = |role: Role| {
        let mut wheel = series(role, Unit::MetrePerSecond, &t_s, |t| {
            let v = car(t);
            if role == Role::WheelSpeedRearLeft {
                fault(t, v)
            } else {
                v
            }
        });
        for (v, noise) in wheel.value.iter_mut().zip(&noise) {
            // Sensors tell 0.01 km/h.
            *v = ((*v + noise).max(0.0) * 360.0).round() / 360.0;
        }
        wheel
    };
    let mut all: Vec<Series> = Role::WHEELS.map(wheel).to_vec();
    if let Some(pressed) = brake {
        all.push(series(Role::PedalBrake, Unit::Percent, &t_s, |t| {
            if t > 5.0 { pressed } else { 0.0 }
        }));
    }
    Drive::from_signals(&Signals { series: all }, &vehicle())
}

fn within(t: f64, from_s: f64, every_s: f64, long_s: f64) -> bool {
    t > from_s && (t - from_s).rem_euclid(every_s) < long_s
}

#[test]
fn a_wheel_that_drops_to_nothing_for_moments_is_missing_then_and_only_then() {
    for (seed, frame_s, long_s, every_s) in [
        (31, 0.01, 0.1, 0.7),
        (32, 0.01, 0.2, 1.0),
        (33, 0.02, 0.1, 1.3),
        (34, 0.02, 0.05, 2.0),
    ] {
        for brake in [None, Some(0.0)] {
            let faulty = |t: f64| t < 39.0 && within(t, 6.0, every_s, long_s);
            let drive = drive(seed, frame_s, brake, |t, v| if faulty(t) { 0.0 } else { v });
            let wheel = drive.channel(Role::WheelSpeedRearLeft).unwrap();
            for (&t_ns, &v) in wheel.t_ns().iter().zip(wheel.value()) {
                let t = seconds_between(EPOCH_NS, t_ns);
                assert!(!faulty(t) || v > 5.0, "{t} s: {v} m/s");
            }
            let [fault] = drive.wheel_faults() else {
                panic!("{:?}", drive.wheel_faults());
            };
            assert_eq!(
                (fault.role, fault.fault),
                (Role::WheelSpeedRearLeft, Fault::Away)
            );
            let places = (33.0 / every_s).ceil() as usize;
            assert!(
                fault.runs_ns.len().abs_diff(places) <= 1,
                "{} of {places}",
                fault.runs_ns.len()
            );
            let faulty = wheel.t_ns().len() + fault.readings;
            assert_eq!(
                faulty,
                drive
                    .channel(Role::WheelSpeedFrontLeft)
                    .unwrap()
                    .t_ns()
                    .len()
            );
            // Nothing is carried across.
            let (first_ns, last_ns) = fault.runs_ns[0];
            assert_eq!(wheel.at(first_ns / 2 + last_ns / 2), None);
            assert!(
                drive.warnings()[0].contains("jumps away and back"),
                "{:?}",
                drive.warnings()
            );
        }
    }
}

#[test]
fn a_reading_that_stands_still_while_the_wheel_goes_on_is_missing() {
    let drive = drive(35, 0.01, None, |t, v| {
        if within(t, 3.0, 40.0, 2.0) { 2.5 } else { v }
    });
    // From 2.5 m/s at 3 s to 7.5 m/s at 5 s; noise hides nothing of a reading that is one number.
    let frozen: Vec<_> = drive.wheel_faults().iter().map(|f| f.fault).collect();
    assert!(frozen.is_empty(), "noise was put on it: {frozen:?}");
    let t_s: Vec<f64> = (0..2000).map(|k| f64::from(k) * 0.01).collect();
    let wheels = Role::WHEELS.map(|role| {
        series(role, Unit::MetrePerSecond, &t_s, |t| {
            let held = if role == Role::WheelSpeedRearLeft && (4.0..6.0).contains(&t) {
                4.0
            } else {
                t
            };
            2.5 * (held - 2.0).max(0.0).min(8.0)
        })
    });
    let drive = Drive::from_signals(
        &Signals {
            series: wheels.to_vec(),
        },
        &vehicle(),
    );
    let [fault] = drive.wheel_faults() else {
        panic!("{:?}", drive.wheel_faults());
    };
    assert_eq!(
        (fault.fault, fault.readings, fault.runs_ns.len()),
        (Fault::Stood, 199, 1)
    );
    assert!(
        drive
            .channel(Role::WheelSpeedRearLeft)
            .unwrap()
            .at(EPOCH_NS + 5_000_000_000)
            .is_none()
    );
}

#[test]
fn what_wheels_truly_do_is_left_alone() {
    // Both wheels of an axle, all wheels of the car: steps as only a drawing has them.
    let t_s: Vec<f64> = (0..2000).map(|k| f64::from(k) * 0.01).collect();
    for together in [&Role::WHEELS[..2], &Role::WHEELS[..]] {
        let wheels = Role::WHEELS.map(|role| {
            series(role, Unit::MetrePerSecond, &t_s, |t| {
                let steps = together.contains(&role) && within(t, 5.0, 3.0, 0.8);
                10.0 + if steps { 2.5 } else { 0.0 }
            })
        });
        let drive = Drive::from_signals(
            &Signals {
                series: wheels.to_vec(),
            },
            &vehicle(),
        );
        assert_eq!(drive.wheel_faults(), []);
    }
    // A wheel that spins up and is caught, one that locks and is let go under braking, one that comes
    // to its sensor's least speed again and again, and one that cruises without a count of change.
    let spins = |t: f64, v: f64| v + 60.0 * ((t - 8.0).clamp(0.0, 0.1) - (t - 8.2).clamp(0.0, 0.1));
    let locks = |t: f64, v: f64| {
        v * (1.0 - 14.0 * ((t - 9.0).clamp(0.0, 0.05) - (t - 9.2).clamp(0.0, 0.05)))
    };
    let drops = |t: f64, v: f64| {
        if within(t, 2.0, 0.2, 0.1) && v < 1.5 {
            0.0
        } else {
            v
        }
    };
    let stands = |_: f64, v: f64| if v > 17.99 { 18.0 } else { v };
    for seed in 40..44 {
        for frame_s in [0.005, 0.01, 0.02, 0.05] {
            for (brake, truth) in [
                (None, &spins as &dyn Fn(f64, f64) -> f64),
                (Some(0.0), &spins),
                (Some(60.0), &locks),
                (None, &drops),
                (None, &stands),
            ] {
                let drive = drive(seed, frame_s, brake, truth);
                assert_eq!(drive.wheel_faults(), [], "seed {seed}, {frame_s} s");
            }
        }
    }
}
