//! Where engagements begin and end, for demands of every habit.

use slipwright_decoders::signal::{Invalid, InvalidReason, Series, Signals};
use slipwright_decoders::unit::Unit;

use super::*;
use crate::trial::{EPOCH_NS, Random, series, vehicle};

const FRAME_S: f64 = 0.01;

fn times(duration_s: f64) -> Vec<f64> {
    (0..(duration_s / FRAME_S) as usize)
        .map(|k| k as f64 * FRAME_S)
        .collect()
}

/// Four wheels straight ahead at a speed, and one demand.
fn with_demand(
    duration_s: f64,
    unit: Unit,
    speed: impl Fn(f64) -> f64 + Copy,
    demand: impl Fn(f64) -> f64,
) -> Signals {
    let t = times(duration_s);
    let mut all: Vec<Series> = Role::WHEELS
        .map(|role| series(role, Unit::MetrePerSecond, &t, speed))
        .to_vec();
    all.push(series(Role::CouplingDemand, unit, &t, demand));
    Signals { series: all }
}

fn finds(signals: &Signals) -> Finds {
    let drive = Drive::from_signals(signals, &vehicle());
    let kinematics = Kinematics::of(&drive, &vehicle());
    find_engagements(&drive, &kinematics, vehicle().geometry.wheelbase_m)
}

fn s(t_ns: i64) -> f64 {
    (t_ns - EPOCH_NS) as f64 * 1e-9
}

/// Starts, references and ends in s.
fn check(signals: &Signals, expected: &[[f64; 3]]) {
    let found = finds(signals).found;
    let seen: Vec<[f64; 3]> = found
        .iter()
        .map(|f| [s(f.start_ns), s(f.reference_ns), s(f.end_ns)])
        .collect();
    assert_eq!(seen.len(), expected.len(), "{seen:?}");
    for (a, b) in seen.iter().flatten().zip(expected.iter().flatten()) {
        assert!((a - b).abs() < 2e-3, "{seen:?}, not {expected:?}");
    }
}

fn on(t: f64, from: f64, to: f64) -> bool {
    t > from - 1e-6 && t < to - 1e-6
}

/// Nobody saw the first closing begin, so it is no engagement; but the coupling was closed.
#[test]
fn a_capture_that_begins_closed_says_so() {
    let demand = |t: f64| {
        if t < 1.5 || on(t, 4.0, 6.0) {
            60.0
        } else {
            0.0
        }
    };
    let signals = with_demand(8.0, Unit::Percent, |_| 10.0, demand);
    check(&signals, &[[4.0, 4.0, 6.0]]);
    let found = finds(&signals);
    insta::assert_snapshot!(found.warnings.join("; "), @"coupling.demand is up when the capture begins; that engagement is left out, because nobody saw when it began");
    let drive = Drive::from_signals(&signals, &vehicle());
    let closed = crate::closing::closed_spans(&drive);
    let spans: Vec<[f64; 2]> = closed
        .iter()
        .map(|c| [s(c.start_ns), s(c.end_ns)])
        .collect();
    assert_eq!(spans.len(), 2, "{spans:?}");
    assert!(
        spans[0][0] < 0.02 && (spans[0][1] - 1.5).abs() < 0.02,
        "{spans:?}"
    );
}

#[test]
fn an_ideal_step_is_counted_from_the_frame_that_first_carries_it() {
    for (unit, high) in [
        (Unit::Percent, 60.0),
        (Unit::Bar, 18.0),
        (Unit::NewtonMetre, 700.0),
        (Unit::Bare, 0.6),
    ] {
        let demand = |t: f64| if on(t, 2.0, 4.0) { high } else { 0.0 };
        check(
            &with_demand(6.0, unit, |_| 10.0, demand),
            &[[2.0, 2.0, 4.0]],
        );
    }
}

#[test]
fn a_ramp_is_counted_from_its_interpolated_half() {
    let demand = |t: f64| 80.0 * ((t - 2.0) / 0.2).clamp(0.0, 1.0) * f64::from(t < 4.0 - 1e-6);
    let signals = with_demand(6.0, Unit::Percent, |_| 10.0, demand);
    let found = finds(&signals).found;
    assert!(
        (s(found[0].reference_ns) - 2.1).abs() < 1e-6,
        "{}",
        s(found[0].reference_ns)
    );
    assert_eq!(found[0].conditions.demand_step, Some(80.0));
}

/// A code of 4 % that stands for several frames: half lies on the ramp, not on the frame that moves on.
#[test]
fn a_ramp_in_coarse_steps_is_counted_from_its_own_half() {
    for (lasts_s, lag_s) in [(0.9, 0.0), (1.5, 0.004), (1.5, 0.0071), (1.1, 0.0033)] {
        let ramp = |t: f64| match t {
            t if t > 7.0 => 0.0,
            t => 80.0 * ((t - 2.0 - lag_s) / lasts_s).clamp(0.0, 1.0),
        };
        let coarse = |t: f64| (ramp(t) / 4.0).round() * 4.0;
        let signals = with_demand(10.0, Unit::Percent, |_| 10.0, coarse);
        let found = finds(&signals).found;
        assert_eq!(found.len(), 1);
        let off = s(found[0].reference_ns) - (2.0 + lag_s + 0.5 * lasts_s);
        let u = found[0].u_reference_s.clone().unwrap();
        // A step of the code lasts a twentieth of the ramp.
        assert!(off.abs() < 0.0055 && u > 0.005 && u < 0.02, "{off} u {u}");
    }
}

#[test]
fn demand_that_is_modulated_while_held_is_one_engagement() {
    let demand = |t: f64| match t {
        t if on(t, 2.0, 3.0) => 40.0,
        t if on(t, 3.0, 4.0) => 80.0,
        t if on(t, 4.0, 7.0) => 60.0 + 20.0 * (6.0 * (t - 4.0)).sin(),
        _ => 0.0,
    };
    let signals = with_demand(9.0, Unit::Percent, |_| 10.0, demand);
    check(&signals, &[[2.0, 2.0, 7.0]]);
    // Its own step is the first.
    assert_eq!(finds(&signals).found[0].conditions.demand_step, Some(40.0));
}

#[test]
fn a_flutter_is_no_new_engagement_and_a_release_is() {
    let demand = |t: f64| {
        let off = on(t, 3.0, 3.05) || on(t, 4.0, 4.3);
        if on(t, 2.0, 6.0) && !off { 50.0 } else { 0.0 }
    };
    check(
        &with_demand(8.0, Unit::Percent, |_| 10.0, demand),
        &[[2.0, 2.0, 4.0], [4.3, 4.3, 6.0]],
    );
}

#[test]
fn a_preload_is_released_and_a_glitch_is_nothing() {
    let demand = |t: f64| match t {
        t if on(t, 1.0, 1.01) => 90.0,
        t if on(t, 2.0, 4.0) => 60.0,
        _ => 4.0,
    };
    let signals = with_demand(6.0, Unit::Percent, |_| 10.0, demand);
    check(&signals, &[[2.0, 2.0, 4.0]]);
    assert_eq!(finds(&signals).found[0].conditions.demand_step, Some(56.0));
}

#[test]
fn noise_and_stillness_are_no_engagements() {
    let mut signals = with_demand(20.0, Unit::Percent, |_| 10.0, |_| 0.0);
    assert!(finds(&signals).found.is_empty());
    let mut random = Random::new(1);
    for v in &mut signals.series[4].value {
        *v = 20.0 + random.normal();
    }
    let finds = finds(&signals);
    assert!(finds.found.is_empty());
    assert!(
        finds.warnings[0].contains("never rose"),
        "{:?}",
        finds.warnings
    );
}

#[test]
fn a_rise_that_was_not_received_is_left_out_and_said() {
    let demand = |t: f64| {
        if on(t, 2.0, 4.0) || on(t, 6.0, 8.0) {
            60.0
        } else {
            0.0
        }
    };
    let mut signals = with_demand(10.0, Unit::Percent, |_| 10.0, demand);
    let lost = &mut signals.series[4];
    let keep: Vec<bool> = lost.t_ns.iter().map(|&t| !on(s(t), 1.8, 2.3)).collect();
    let mut k = keep.iter();
    lost.t_ns.retain(|_| *k.next().unwrap());
    let mut k = keep.iter();
    lost.value.retain(|_| *k.next().unwrap());
    check(&signals, &[[6.0, 6.0, 8.0]]);
    assert!(
        finds(&signals).warnings[0].contains("one engagement began"),
        "{:?}",
        finds(&signals).warnings
    );
}

#[test]
fn an_invalid_demand_is_a_frame_that_is_lost_and_many_end_what_is_known() {
    let demand = |t: f64| if on(t, 2.0, 4.0) { 60.0 } else { 0.0 };
    let mut signals = with_demand(6.0, Unit::Percent, |_| 10.0, demand);
    signals.series[4].invalid.push(Invalid {
        t_ns: EPOCH_NS + 3_005_000_000,
        reason: InvalidReason::RawCode,
    });
    check(&signals, &[[2.0, 2.0, 4.0]]);
    let known = |t_ns: i64| !on(s(t_ns), 3.005, 3.2);
    let lost = &mut signals.series[4];
    let (kept, invalid): (Vec<_>, Vec<_>) = lost
        .t_ns
        .iter()
        .copied()
        .zip(lost.value.iter().copied())
        .partition(|(t_ns, _)| known(*t_ns));
    (lost.t_ns, lost.value) = kept.into_iter().unzip();
    lost.invalid = invalid
        .into_iter()
        .map(|(t_ns, _)| Invalid {
            t_ns,
            reason: InvalidReason::RawCode,
        })
        .collect();
    check(&signals, &[[2.0, 2.0, 3.0]]);
    let finds = finds(&signals);
    let gap = Err(Missing::Gap(Role::CouplingDemand));
    assert_eq!(finds.found[0].end_seen, gap);
    assert!(
        finds.warnings[0].contains("one engagement was still there"),
        "{:?}",
        finds.warnings
    );
    // Until it is seen open again nobody may take it for open.
    let spans = crate::closing::closed_spans(&Drive::from_signals(&signals, &vehicle()));
    assert!((s(spans[0].end_ns) - 4.0).abs() < 2e-3, "{spans:?}");
}

#[test]
fn the_kind_is_told_by_speed_and_turn() {
    let demand = |t: f64| if on(t, 12.0, 14.0) { 60.0 } else { 0.0 };
    let kind = |signals: &Signals| finds(signals).found[0].kind;
    let launch = |t: f64| (3.0 * (t - 11.9)).clamp(0.0, 8.0);
    assert_eq!(
        kind(&with_demand(16.0, Unit::Percent, launch, demand)),
        Kind::Launch
    );
    let tip_in = with_demand(16.0, Unit::Percent, |_| 10.0, demand);
    assert_eq!(kind(&tip_in), Kind::TipIn);
    // A turn of 30 m radius, told by the wheels, by a sensor, by the steering wheel.
    let t = times(16.0);
    let turning = |t: f64| t > 11.0;
    let mut by_wheels = tip_in.clone();
    for (i, side) in [(2, -1.0), (3, 1.0)] {
        by_wheels.series[i] = series(Role::WHEELS[i], Unit::MetrePerSecond, &t, |t| {
            10.0 * (1.0 + if turning(t) { side * 0.775 / 30.0 } else { 0.0 })
        });
    }
    assert_eq!(kind(&by_wheels), Kind::TurnIn);
    let mut by_sensor = tip_in.clone();
    by_sensor
        .series
        .push(series(Role::BodyYawRate, Unit::RadianPerSecond, &t, |t| {
            if turning(t) { -10.0 / 30.0 } else { 0.0 }
        }));
    assert_eq!(kind(&by_sensor), Kind::TurnIn);
    let mut by_steering = tip_in;
    by_steering.series.remove(3);
    by_steering
        .series
        .push(series(Role::SteeringAngle, Unit::Degree, &t, |t| {
            if turning(t) { 80.0 } else { 0.0 }
        }));
    assert_eq!(kind(&by_steering), Kind::TurnIn);
}

#[test]
fn what_drove_it_is_noted() {
    let demand = |t: f64| if on(t, 12.0, 14.0) { 60.0 } else { 0.0 };
    let mut signals = with_demand(16.0, Unit::Percent, |_| 10.0, demand);
    let t = times(16.0);
    signals
        .series
        .push(series(Role::PedalAccelerator, Unit::Bare, &t, |t| {
            (2.5 * (t - 11.9)).clamp(0.0, 0.5) * f64::from(t < 14.0)
        }));
    let slow: Vec<f64> = (0..16).map(f64::from).collect();
    signals.series.push(series(
        Role::CouplingTemperature,
        Unit::Kelvin,
        &slow,
        |_| 333.15,
    ));
    let c = finds(&signals).found[0].conditions;
    assert!((c.speed_mps.unwrap() - 10.0).abs() < 0.01);
    assert!((c.accelerator_percent.unwrap() - 50.0).abs() < 1e-9);
    assert!(
        (c.accelerator_rate_percent_per_s.unwrap() - 250.0).abs() < 1.0,
        "{c:?}"
    );
    assert!((c.fluid_temperature_c.unwrap() - 60.0).abs() < 1e-9);
    assert_eq!(c.engine_torque_nm, None);
}

/// Four wheels at 15 m/s with noise, and slip added to the front, nothing else on the bus.
fn by_slip_alone(slip: impl Fn(f64) -> f64) -> Signals {
    let mut random = Random::new(2);
    let t = times(60.0);
    let all = Role::WHEELS
        .into_iter()
        .map(|role| {
            let front = Role::WHEELS[..2].contains(&role);
            let mut wheel = series(role, Unit::MetrePerSecond, &t, |t| {
                15.0 + if front { slip(t) } else { 0.0 }
            });
            for v in &mut wheel.value {
                *v += 0.05 * random.normal();
            }
            wheel
        })
        .collect();
    Signals { series: all }
}

#[test]
fn without_demand_and_pressure_slip_that_stays_out_is_an_engagement_and_a_bump_is_not() {
    let pulse = |t: f64| {
        let x = (t - 20.0).max(0.0) / 0.15;
        1.5 * x * (1.0 - x).exp()
    };
    let found = finds(&by_slip_alone(pulse)).found;
    assert_eq!(found.len(), 1);
    assert!(
        (s(found[0].start_ns) - 20.02).abs() < 0.02,
        "{}",
        s(found[0].start_ns)
    );
    assert_eq!(found[0].reference, Reference::Slip);
    // Front wheels over it, then the rear ones a wheelbase later: 20 Hz, decaying.
    let ring = |t: f64| {
        if t < 0.0 {
            0.0
        } else {
            (-t / 0.1).exp() * (125.0 * t).sin()
        }
    };
    let bump = |t: f64| 1.2 * (ring(t - 20.0) - ring(t - 20.0 - 2.7 / 15.0));
    assert!(finds(&by_slip_alone(bump)).found.is_empty());
    assert!(finds(&by_slip_alone(|_| 0.0)).found.is_empty());
}
