//! Drives as long, as empty or as wild as they come.

use proptest::prelude::*;
use slipwright_decoders::signal::{Invalid, InvalidReason};

use super::*;
use crate::measure::Missing;

/// A coupling that stays closed for an hour at a long stop is one engagement. Looking through the
/// rest of it from each of its samples would take minutes.
#[test]
fn a_long_hold_at_a_standstill_is_measured_in_its_length() {
    const STOP_S: f64 = 42.0;
    const HELD_S: f64 = 3600.0;
    let mut signals = Trial {
        duration_s: STOP_S + HELD_S + 600.0,
        ..trial()
    }
    .signals(11);
    let seconds = |t_ns: i64| (t_ns - EPOCH_NS) as f64 * 1e-9;
    for one in &mut signals.series {
        let role = one.key.role().unwrap();
        for (&t_ns, v) in one.t_ns.iter().zip(&mut one.value) {
            let s = seconds(t_ns) - STOP_S;
            match role {
                _ if s < 0.0 => {}
                Role::CouplingDemand | Role::CouplingPressure if s > HELD_S => *v = 0.0,
                Role::CouplingDemand => *v = 60.0,
                Role::CouplingPressure if s > 2.0 => *v = 100.0 * FULL_BAR,
                Role::CouplingPressure => {}
                _ if s < 1.0 => {}
                // Brakes to a standstill in four seconds.
                _ => *v = 3.6 * (12.0 * (1.0 - 0.25 * (s - 1.0))).max(0.0),
            }
        }
    }
    let (done, wait) = std::sync::mpsc::channel();
    std::thread::spawn(move || done.send(measured(&signals)).is_ok());
    let drive = wait
        .recv_timeout(std::time::Duration::from_secs(30))
        .expect("measured in half a minute");
    let last = drive.engagements.last().unwrap();
    assert!(last.end_ns - last.start_ns > 3_500_000_000_000);
    let distance = last.measured(Measure::SlipDistance).clone().unwrap();
    let truth = PEAK_MPS * 0.1 * std::f64::consts::E;
    assert!(
        (distance.value - truth).abs() < 4.0 * distance.u,
        "{distance:?}"
    );
    assert!(last.measured(Measure::FrictionWork).is_ok());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// Whatever was received: no panic, and no number that is not finite.
    #[test]
    fn any_drive_is_borne(
        seed in any::<u64>(),
        n in 0..160_usize,
        kinds in prop::collection::vec(0..7_u8, Role::ALL.len()),
        step_ms in prop_oneof![Just(0_i64), Just(10), Just(100), Just(5000)],
        whole_car in any::<bool>(),
    ) {
        let mut random = Random::new(seed);
        let mut all = Vec::new();
        for (&role, kind) in Role::ALL.iter().zip(kinds) {
            if kind == 0 {
                continue;
            }
            let unit = *Unit::ALL.iter().find(|u| role.accepts(**u)).unwrap();
            let mut one = series(role, unit, &[], |_| 0.0);
            let mut t_ns = EPOCH_NS;
            for i in 0..n {
                t_ns += match kind {
                    1 => step_ms * 1_000_000,
                    2 => (random.between(-20.0, 40.0) * 1e6) as i64,
                    _ => (random.between(5.0, 15.0) * 1e6) as i64,
                };
                let value = match kind {
                    3 => 0.0,
                    4 => if i % 50 < 25 { 0.0 } else { 60.0 },
                    5 => 1e12 * random.normal(),
                    6 => f64::NAN,
                    _ => 10.0 + random.normal(),
                };
                if random.uniform() < 0.05 {
                    one.invalid.push(Invalid { t_ns, reason: InvalidReason::RawCode });
                } else {
                    one.t_ns.push(t_ns);
                    one.value.push(value);
                }
            }
            if kind == 1 && !one.t_ns.is_empty() {
                one.t_ns[0] = if random.uniform() < 0.5 { i64::MIN } else { i64::MAX };
            }
            one.timeout_ns = if random.uniform() < 0.3 { 0 } else { 50_000_000 };
            all.push(one);
        }
        let car = if whole_car { vehicle() } else { Vehicle::default() };
        let drive = measure_drive("any", &Signals { series: all }, FrameSpan::default(), &car);
        let finite = |m: &Measured| m.as_ref().map_or(true, |e| e.value.is_finite() && e.u.is_finite() && e.u >= 0.0);
        prop_assert!(finite(&drive.noise_slip_mps));
        let r = &drive.radius_ratio;
        prop_assert!([&r.front_left, &r.front_right, &r.rear_left, &r.rear_right].into_iter().all(finite));
        let model = &drive.coupling_model;
        for parameter in [
            &model.fill_time_ms,
            &model.rise_rate_bar_per_s,
            &model.leak_rate_percent_per_s,
            &model.torque_per_bar_nm,
        ] {
            prop_assert!(finite(&parameter.estimate), "{:?}", model);
            prop_assert!(parameter.interval.is_none_or(|i| i.iter().all(|v| v.is_finite())), "{:?}", model);
        }
        prop_assert!(finite(&drive.tested.most.percent));
        prop_assert!(finite(&drive.ground_speed.scale) && finite(&drive.ground_speed.lag_s));
        for e in &drive.engagements {
            prop_assert!(finite(&e.tested.percent) && e.tested.slipped_s.is_finite());
            prop_assert!(e.measures.iter().all(finite), "{:?}", e.measures);
            prop_assert!(e.transfer.iter().all(|t| finite(&t.fraction)));
            prop_assert!(e.start_ns <= e.end_ns);
        }
    }
}

#[test]
fn nothing_gives_nothing_but_reasons() {
    let drive = measured(&Signals::default());
    assert!(drive.engagements.is_empty());
    assert!(drive.noise_slip_mps.is_err());
    assert_eq!(
        drive.radius_ratio.front_left,
        Err(Missing::Role(Role::WheelSpeedFrontLeft))
    );
}
