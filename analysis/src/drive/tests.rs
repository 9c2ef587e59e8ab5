//! Alignment: what is interpolated, what is held, and what is never invented.

use proptest::prelude::*;
use slipwright_decoders::frame::CanId;
use slipwright_decoders::signal::{Invalid, InvalidReason, SignalKey};
use slipwright_decoders::unit::Unit;

use super::*;
use crate::trial::vehicle;

const MS: i64 = 1_000_000;

fn series(role: Role, unit: Unit, samples: &[(i64, f64)], timeout_ms: i64) -> Series {
    Series {
        key: SignalKey::Role(role),
        unit,
        bus: "can0".into(),
        id: CanId::Base(1),
        t_ns: samples.iter().map(|(t, _)| t * MS).collect(),
        value: samples.iter().map(|(_, v)| *v).collect(),
        invalid: Vec::new(),
        timeout_ns: timeout_ms * MS,
    }
}

fn drive(series: Vec<Series>) -> Drive {
    Drive::from_signals(&Signals { series }, &vehicle())
}

/// Values of a role at whole milliseconds.
fn check_at(drive: &Drive, role: Role, expected: &[(i64, Option<f64>)]) {
    let channel = drive.channel(role).unwrap();
    for &(t_ms, value) in expected {
        let found = if role.is_state() {
            channel.held_at(t_ms * MS)
        } else {
            channel.at(t_ms * MS)
        };
        match (found, value) {
            (Some(a), Some(b)) => {
                assert!((a - b).abs() < 1e-9, "{role} at {t_ms} ms: {a}, not {b}")
            }
            (a, b) => assert_eq!(a, b, "{role} at {t_ms} ms"),
        }
    }
}

#[test]
fn values_are_linear_between_samples_and_missing_outside_and_across_gaps() {
    let pressure = [(0, 1.0), (10, 2.0), (20, 3.0), (100, 11.0), (110, 12.0)];
    let drive = drive(vec![series(
        Role::CouplingPressure,
        Unit::Bar,
        &pressure,
        50,
    )]);
    check_at(
        &drive,
        Role::CouplingPressure,
        &[
            (-1, None),
            (0, Some(1.0)),
            (5, Some(1.5)),
            (20, Some(3.0)),
            (60, None),
            (105, Some(11.5)),
            (111, None),
        ],
    );
}

/// Samples every 10 ms, then 2 s of nothing.
#[test]
fn a_gap_takes_no_time() {
    let samples: Vec<(i64, f64)> = [0, 10, 20, 2020, 2030].map(|ms| (ms, 1.0)).to_vec();
    let role = Role::WheelSpeedFrontLeft;
    let drive = drive(vec![series(role, Unit::MetrePerSecond, &samples, 50)]);
    let steps: Vec<f64> = (0..6).map(|i| drive.step_s(i)).collect();
    assert_eq!(steps, [0.01, 0.01, 0.0, 0.01, 0.0, 0.0]);
}

#[test]
fn a_gap_as_long_as_the_timeout_is_no_gap() {
    let two = [(0, 1.0), (50, 2.0)];
    let at = |timeout| {
        drive(vec![series(
            Role::CouplingPressure,
            Unit::Bar,
            &two,
            timeout,
        )])
    };
    check_at(&at(50), Role::CouplingPressure, &[(25, Some(1.5))]);
    check_at(&at(49), Role::CouplingPressure, &[(25, None)]);
}

#[test]
fn an_invalid_sample_breaks_the_line() {
    let mut pressure = series(
        Role::CouplingPressure,
        Unit::Bar,
        &[(0, 1.0), (20, 3.0)],
        50,
    );
    pressure.invalid.push(Invalid {
        t_ns: 10 * MS,
        reason: InvalidReason::RawCode,
    });
    let drive = drive(vec![pressure]);
    check_at(
        &drive,
        Role::CouplingPressure,
        &[(0, Some(1.0)), (5, None), (15, None), (20, Some(3.0))],
    );
}

#[test]
fn a_state_is_held_until_it_is_stale_or_invalid() {
    let mut gear = series(
        Role::Gear,
        Unit::Bare,
        &[(0, 1.0), (20, 2.0), (200, 3.0)],
        50,
    );
    gear.invalid.push(Invalid {
        t_ns: 30 * MS,
        reason: InvalidReason::RawCode,
    });
    let drive = drive(vec![gear]);
    check_at(
        &drive,
        Role::Gear,
        &[
            (-1, None),
            (19, Some(1.0)),
            (20, Some(2.0)),
            (30, Some(2.0)),
            (31, None),
            (200, Some(3.0)),
            (250, Some(3.0)),
            (251, None),
        ],
    );
}

#[test]
fn wheel_speeds_in_any_unit_are_metres_per_second() {
    let check = |unit, raw: f64| {
        let drive = drive(vec![series(
            Role::WheelSpeedRearLeft,
            unit,
            &[(0, raw)],
            50,
        )]);
        check_at(&drive, Role::WheelSpeedRearLeft, &[(0, Some(16.0))]);
    };
    check(Unit::KilometrePerHour, 57.6);
    check(Unit::MetrePerSecond, 16.0);
    // The trial car's tyres roll at 0.32 m.
    check(Unit::RadianPerSecond, 50.0);
    check(
        Unit::RevolutionPerMinute,
        50.0 * 60.0 / std::f64::consts::TAU,
    );
}

#[test]
fn angular_wheel_speeds_without_a_radius_name_the_key() {
    let signals = Signals {
        series: vec![series(
            Role::WheelSpeedRearLeft,
            Unit::RadianPerSecond,
            &[(0, 1.0)],
            50,
        )],
    };
    let drive = Drive::from_signals(&signals, &Vehicle::default());
    let key = Missing::VehicleKey("tyres.rolling_radius_m");
    assert_eq!(drive.channel(Role::WheelSpeedRearLeft), Err(key.clone()));
    assert_eq!(drive.wheel_mps()[2], Err(key));
    assert_eq!(
        drive.wheel_mps()[0],
        Err(Missing::Role(Role::WheelSpeedFrontLeft))
    );
}

#[test]
fn wheels_of_two_frames_meet_on_the_longer_base() {
    let front = [(0, 10.0), (10, 11.0), (20, 12.0), (30, 13.0)];
    let rear = [(5, 20.0), (15, 21.0), (25, 22.0)];
    let drive = drive(vec![
        series(Role::WheelSpeedFrontLeft, Unit::MetrePerSecond, &front, 50),
        series(Role::WheelSpeedRearLeft, Unit::MetrePerSecond, &rear, 50),
    ]);
    assert_eq!(drive.base_ns().len(), 4);
    let rear = drive.wheel_mps()[2].as_ref().unwrap();
    assert_eq!(
        rear.iter().collect::<Vec<_>>(),
        [None, Some(20.5), Some(21.5), None]
    );
}

#[test]
fn where_the_clock_stepped_back_times_are_used_once_and_it_is_said() {
    // Started an hour ahead, then set right: most of the drive is after the step.
    let hour = 3_600_000;
    let mut samples: Vec<(i64, f64)> = (0..5).map(|i| (hour + 10 * i, 1.0)).collect();
    samples.extend((0..20).map(|i| (10 * i, 2.0)));
    let late = drive(vec![series(
        Role::CouplingPressure,
        Unit::Bar,
        &samples,
        50,
    )]);
    let channel = late.channel(Role::CouplingPressure).unwrap();
    assert!(channel.value().iter().all(|&v| v == 2.0) && channel.t_ns().len() == 20);
    assert!(
        late.warnings()[0].contains("5 samples"),
        "{:?}",
        late.warnings()
    );
    // A small step back: the first pass counts.
    let samples = [
        (0, 1.0),
        (10, 1.0),
        (20, 1.0),
        (30, 1.0),
        (15, 2.0),
        (25, 2.0),
        (35, 2.0),
    ];
    let early = drive(vec![series(
        Role::CouplingPressure,
        Unit::Bar,
        &samples,
        50,
    )]);
    assert_eq!(
        early.channel(Role::CouplingPressure).unwrap().value(),
        [1.0, 1.0, 1.0, 1.0, 2.0]
    );
}

proptest! {
    /// Aligned columns agree with the channel asked one time after another, and nothing is NaN.
    #[test]
    fn aligning_is_asking_at_every_time(
        samples in prop::collection::vec((-500..500_i64, prop_oneof![-1e6..1e6, Just(f64::NAN)]), 0..40),
        base in prop::collection::vec((-600..600_i64, -10.0..10.0_f64), 1..40),
        invalid in prop::collection::vec(-500..500_i64, 0..5),
        timeout in 0..200_i64,
        state in any::<bool>(),
    ) {
        let role = if state { Role::Gear } else { Role::CouplingPressure };
        let unit = if state { Unit::Bare } else { Unit::Bar };
        let mut signal = series(role, unit, &samples, timeout);
        signal.invalid = invalid.iter().map(|t| Invalid { t_ns: t * MS, reason: InvalidReason::RawCode }).collect();
        let drive = drive(vec![series(Role::WheelSpeedFrontLeft, Unit::MetrePerSecond, &base, 100), signal]);
        if let Ok(column) = drive.aligned(role) {
            let channel = drive.channel(role).unwrap();
            prop_assert_eq!(column.len(), drive.base_ns().len());
            for (i, &t) in drive.base_ns().iter().enumerate() {
                let asked = if state { channel.held_at(t) } else { channel.at(t) };
                prop_assert_eq!(column.get(i), asked);
                prop_assert!(asked.is_none_or(f64::is_finite));
            }
        }
    }
}
