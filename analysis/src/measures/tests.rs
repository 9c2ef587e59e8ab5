//! Whole drives from closed forms, whose measures are known.

use proptest::prelude::*;
use slipwright_decoders::role::Role;
use slipwright_decoders::signal::{Invalid, InvalidReason, Signals};
use slipwright_decoders::unit::Unit;

use super::*;
use crate::engagement::{Kind, Reference};
use crate::measure::{Missing, TransferMethod};
use crate::trial::{EPOCH_NS, Random, series, span, stamps, vehicle};

/// Tip-ins every 5 s on a road driven at 12 m/s, straight: demand steps to 60 % for 2 s; pressure
/// follows after 45 ms with a time constant of 30 ms to 20 bar; slip swells and dies. Between them
/// the car coasts.
struct Trial {
    duration_s: f64,
    frame_s: f64,
    noise_mps: f64,
    front_ratio: f64,
}

const DEAD_S: f64 = 0.045;
const TAU_S: f64 = 0.030;
const FULL_BAR: f64 = 20.0;
const PEAK_MPS: f64 = 1.2;

/// Time since the last demand step, and whether it is on.
fn since_step(t: f64) -> (f64, bool) {
    let s = (t - 2.0).rem_euclid(5.0);
    (s, t >= 2.0 && s < 2.0)
}

fn pressure_bar(t: f64) -> f64 {
    if t < 2.0 {
        return 0.0;
    }
    let (s, on) = since_step(t);
    let rise = |s: f64| {
        if s < DEAD_S {
            0.0
        } else {
            -(-(s - DEAD_S) / TAU_S).exp_m1()
        }
    };
    FULL_BAR
        * if on {
            rise(s)
        } else {
            (-(s - 2.0) / 0.05).exp()
        }
}

/// A pulse that peaks 0.1 s after demand: x e^(1 - x), x = s / 0.1.
fn slip_mps(t: f64) -> f64 {
    let (s, on) = since_step(t);
    if on {
        PEAK_MPS * (s / 0.1) * (1.0 - s / 0.1).exp()
    } else {
        0.0
    }
}

impl Trial {
    fn signals(&self, seed: u64) -> Signals {
        let mut random = Random::new(seed);
        let wheels = stamps(&mut random, 0.0, self.duration_s, self.frame_s, 0.1);
        let pressure = stamps(&mut random, 0.0, self.duration_s, 0.01, 0.1);
        // Demand is sent at the very times of its steps.
        let demand: Vec<f64> = (0..(self.duration_s / 0.01) as usize)
            .map(|k| k as f64 * 0.01)
            .collect();
        let mut all = Vec::new();
        for (i, role) in Role::WHEELS.into_iter().enumerate() {
            let front = i < 2;
            let noise: Vec<f64> = wheels
                .iter()
                .map(|_| self.noise_mps * random.normal())
                .collect();
            all.push(series(role, Unit::KilometrePerHour, &wheels, |t| {
                let v = 12.0 + if front { slip_mps(t) } else { 0.0 };
                let ratio = if front { self.front_ratio } else { 1.0 };
                3.6 * v / ratio
            }));
            let last = all.last_mut().unwrap();
            for (v, e) in last.value.iter_mut().zip(&noise) {
                *v += 3.6 * e;
            }
        }
        all.push(series(
            Role::CouplingPressure,
            Unit::Kilopascal,
            &pressure,
            |t| 100.0 * pressure_bar(t),
        ));
        for v in &mut all.last_mut().unwrap().value {
            *v += 100.0 * FULL_BAR * 0.01 * random.normal();
        }
        all.push(series(Role::CouplingDemand, Unit::Percent, &demand, |t| {
            if since_step(t + 1e-6).1 { 60.0 } else { 0.0 }
        }));
        Signals { series: all }
    }
}

fn trial() -> Trial {
    Trial {
        duration_s: 42.0,
        frame_s: 0.01,
        noise_mps: 0.03,
        front_ratio: 0.998,
    }
}

fn measured(signals: &Signals) -> DriveMeasures {
    measure_drive("trial.pcapng", signals, span(signals), &vehicle())
}

#[test]
fn every_engagement_is_found_and_measured() {
    let drive = measured(&trial().signals(1));
    assert_eq!(drive.engagements.len(), 8, "{:?}", drive.warnings);
    for (k, e) in drive.engagements.iter().enumerate() {
        let start_s = (e.start_ns - EPOCH_NS) as f64 * 1e-9;
        assert!((start_s - 2.0 - 5.0 * k as f64).abs() < 1e-6, "{start_s}");
        assert_eq!((e.kind, e.reference), (Kind::TipIn, Reference::Demand));
        let check = |m: Measure, truth: f64, least_u: f64| {
            let found = e.measured(m).clone().unwrap();
            let tolerance = 4.0 * found.u.max(least_u);
            assert!(
                (found.value - truth).abs() < tolerance,
                "{m}: {found:?}, true {truth}"
            );
        };
        check(
            Measure::DeadTime,
            1e3 * (DEAD_S + TAU_S * (10.0_f64 / 9.0).ln()),
            0.0,
        );
        check(
            Measure::EngagementDelay,
            1e3 * (DEAD_S + TAU_S * 2.0_f64.ln()),
            0.0,
        );
        check(Measure::RiseTime, 1e3 * TAU_S * 9.0_f64.ln(), 0.0);
        check(Measure::PeakSlip, PEAK_MPS, 0.0);
        // Integral of x e^(1-x) from 0 to infinity is e.
        check(
            Measure::SlipDistance,
            PEAK_MPS * 0.1 * std::f64::consts::E,
            0.0,
        );
        check(Measure::SteadySlip, 0.0, 0.01);
        check(Measure::Hold, 0.0, 0.0);
        check(Measure::Ripple, 0.2, 0.0);
    }
    for ratio in [
        &drive.radius_ratio.front_left,
        &drive.radius_ratio.front_right,
    ] {
        let ratio = ratio.clone().unwrap();
        assert!((ratio.value - 0.998).abs() < 2.0 * ratio.u, "{ratio:?}");
    }
    let noise = drive.noise_slip_mps.unwrap();
    assert!((noise.value - 0.03).abs() < 4.0 * noise.u, "{noise:?}");
    assert!(drive.warnings.is_empty(), "{:?}", drive.warnings);
}

#[test]
fn without_demand_times_count_from_slip() {
    let mut signals = trial().signals(2);
    signals.series.pop();
    let drive = measured(&signals);
    assert_eq!(drive.engagements.len(), 8);
    assert!(
        drive
            .engagements
            .iter()
            .all(|e| e.reference == Reference::Slip)
    );
    assert!(
        drive
            .engagements
            .iter()
            .all(|e| e.measured(Measure::RiseTime).is_ok())
    );
    assert!(
        drive
            .warnings
            .iter()
            .any(|w| w.contains("no coupling demand"))
    );
}

#[test]
fn without_pressure_slip_is_still_measured() {
    let mut signals = trial().signals(3);
    signals.series.remove(4);
    let drive = measured(&signals);
    assert_eq!(drive.engagements.len(), 8);
    for e in &drive.engagements {
        let missing = Err(Missing::Role(Role::CouplingPressure));
        assert_eq!(*e.measured(Measure::DeadTime), missing);
        assert_eq!(*e.measured(Measure::FrictionWork), missing);
        assert!(e.measured(Measure::PeakSlip).is_ok());
        assert!(e.measured(Measure::SteadySlip).is_ok());
    }
}

#[test]
fn with_neither_the_slip_itself_is_the_engagement() {
    let mut signals = trial().signals(4);
    signals.series.truncate(4);
    let drive = measured(&signals);
    assert_eq!(drive.engagements.len(), 8, "{:?}", drive.noise_slip_mps);
}

/// Wheels in one frame, in two, in four, at 10, 20 and 100 ms, in any unit: the same drive.
#[test]
fn the_frames_of_the_wheels_do_not_matter() {
    for (frame_s, offsets_s) in [
        (0.01, [0.0, 0.0, 0.004, 0.004]),
        (0.02, [0.0, 0.005, 0.010, 0.015]),
        (0.1, [0.0, 0.0, 0.05, 0.05]),
    ] {
        let mut signals = trial().signals(6);
        let mut random = Random::new(8);
        for (i, role) in Role::WHEELS.into_iter().enumerate() {
            let mut t = stamps(&mut random, 0.0, 41.0, frame_s, 0.02);
            for t in &mut t {
                *t += offsets_s[i];
            }
            let slip = |t: f64| if i < 2 { slip_mps(t) } else { 0.0 };
            let ratio = if i < 2 { 0.998 } else { 1.0 };
            let rpm_per_mps = 60.0 / (std::f64::consts::TAU * 0.32);
            let mut wheel = series(role, Unit::RevolutionPerMinute, &t, |t| {
                rpm_per_mps * (12.0 + slip(t)) / ratio
            });
            for v in &mut wheel.value {
                // Quantised to an eighth of a revolution a minute.
                *v = ((*v + rpm_per_mps * 0.02 * random.normal()) * 8.0).round() / 8.0;
            }
            signals.series[i] = wheel;
        }
        let drive = measured(&signals);
        assert_eq!(drive.engagements.len(), 8);
        for e in &drive.engagements {
            let peak = e.measured(Measure::PeakSlip).clone().unwrap();
            let allowed = 4.0 * peak.u + if frame_s > 0.05 { 0.3 } else { 0.05 };
            assert!(
                (peak.value - PEAK_MPS).abs() < allowed,
                "{frame_s}: {peak:?}"
            );
            let distance = e.measured(Measure::SlipDistance).clone().unwrap();
            let truth = PEAK_MPS * 0.1 * std::f64::consts::E;
            assert!(
                (distance.value - truth).abs() < 4.0 * distance.u,
                "{frame_s}: {distance:?}"
            );
        }
    }
}

/// One closing of a coupling between two inertias, torque constant: heat is known in closed form,
/// E = I1 I2 / (2 (I1 + I2)) times the square of the speed difference. Inertias 800 kg at 0.26 m and
/// 1350 kg at 0.225 m, from 1250 and 600 r/min: 69 939.70 J. (The problem, with an arithmetic slip in
/// its answer, is at assignmentexpert.com, question 150068; the form at exergic.in, 2017.)
#[test]
fn heat_of_two_inertias_is_the_closed_form() {
    let (i1, i2) = (800.0 * 0.26 * 0.26, 1350.0 * 0.225 * 0.225);
    let difference = (1250.0 - 600.0) * std::f64::consts::TAU / 60.0;
    let heat_j = i1 * i2 / (2.0 * (i1 + i2)) * difference * difference;
    assert!((heat_j - 69_939.70).abs() < 0.01);
    let car = vehicle();
    let pack = crate::coupling::Pack::of(&car).unwrap();
    let bar = 16.0;
    let torque = pack.torque_nm(bar);
    let together_s = i1 * i2 * difference / ((i1 + i2) * torque);
    // Slip at the coupling over the front axle's: shaft ratio over rolling radius.
    let mps = 0.32 / 2.6;
    let starts = 30.0;
    let slip = |t: f64| match t - starts {
        s if s < -0.4 => 0.0,
        s if s < 0.0 => mps * difference,
        s => mps * difference * (1.0 - s / together_s).max(0.0),
    };
    let t: Vec<f64> = (0..4000).map(|i| f64::from(i) * 0.01).collect();
    let closed = |t: f64| t > starts - 1e-6 && t < starts + together_s + 1.0;
    let mut all: Vec<_> = Role::WHEELS
        .into_iter()
        .enumerate()
        .map(|(i, role)| {
            series(role, Unit::MetrePerSecond, &t, |t| {
                12.0 + if i < 2 { slip(t) } else { 0.0 }
            })
        })
        .collect();
    all.push(series(Role::CouplingPressure, Unit::Bar, &t, |t| {
        if closed(t) { bar } else { 0.0 }
    }));
    all.push(series(Role::CouplingDemand, Unit::Percent, &t, |t| {
        if closed(t) { 50.0 } else { 0.0 }
    }));
    let signals = Signals { series: all };
    let drive = measure_drive("heat", &signals, span(&signals), &car);
    let work = drive.engagements[0]
        .measured(Measure::FrictionWork)
        .clone()
        .unwrap();
    // Pressure steps between two samples; the half interval in which it is linear is left.
    let by_step_j = 0.5 * 0.01 * torque * difference;
    assert!(
        (work.value - heat_j - by_step_j).abs() < 1e-3 * heat_j,
        "{work:?}, true {heat_j}"
    );
    let per_area = drive.engagements[0]
        .measured(Measure::FrictionWorkPerArea)
        .clone()
        .unwrap();
    let area = crate::coupling::lining_area_m2(&car).unwrap();
    assert!((per_area.value * area - work.value).abs() < 1e-6);
}

/// Second gear from the bus, then from the speeds: the rear gets T_c i_rear of T_e i_gear i_final
/// eta.
#[test]
fn the_hydraulic_fraction_is_rear_over_total_torque() {
    let car = vehicle();
    let mut signals = trial().signals(7);
    let t: Vec<f64> = (0..4200).map(|i| f64::from(i) * 0.01).collect();
    let gear_ratio = 2.1;
    let engine_nm = 400.0;
    signals
        .series
        .push(series(Role::EngineTorque, Unit::NewtonMetre, &t, |_| {
            engine_nm
        }));
    let rear_nm = crate::coupling::Pack::of(&car).unwrap().torque_nm(FULL_BAR) * 2.6;
    let truth = rear_nm / (engine_nm * gear_ratio * 3.9 * 0.93);
    assert!(truth < 1.0);
    let check = |signals: &Signals| {
        let drive = measured(signals);
        for e in &drive.engagements {
            let f = &e.transfer[0];
            assert_eq!((f.method, f.upper_bound), (TransferMethod::Hydraulic, true));
            let fraction = f.fraction.clone().unwrap();
            assert!(
                (fraction.value / truth - 1.0).abs() < 0.03,
                "{fraction:?}, true {truth}"
            );
            assert!(fraction.method.contains("upper bound"));
        }
    };
    let mut by_bus = signals.clone();
    by_bus
        .series
        .push(series(Role::Gear, Unit::Bare, &t, |_| 2.0));
    check(&by_bus);
    signals.series.push(series(
        Role::EngineSpeed,
        Unit::RevolutionPerMinute,
        &t,
        |t| {
            let wheel = (12.0 + slip_mps(t)) / 0.32;
            wheel * gear_ratio * 3.9 * 60.0 / std::f64::consts::TAU
        },
    ));
    check(&signals);
    // A torque too small for the capacity: no more than all can go to the rear, and it is said.
    let last = signals.series.len() - 2;
    for v in &mut signals.series[last].value {
        *v = 80.0;
    }
    let fraction = measured(&signals).engagements[0].transfer[0]
        .fraction
        .clone()
        .unwrap();
    assert_eq!(fraction.value, 1.0);
    assert!(fraction.method.contains("cut at 1"));
}

/// A leak of 12 % a second and a ripple of 0.4 bar at 9 Hz in the hold.
#[test]
fn a_leak_and_a_ripple_are_told_apart() {
    let mut signals = trial().signals(9);
    let pressure = &mut signals.series[4];
    for (t_ns, v) in pressure.t_ns.iter().zip(&mut pressure.value) {
        let t = (t_ns - EPOCH_NS) as f64 * 1e-9;
        let (s, on) = since_step(t);
        if on && s > 0.3 {
            *v *= (-0.12 * (s - 0.3)).exp();
            *v += 100.0 * 0.4 * (2.0_f64).sqrt() * (std::f64::consts::TAU * 9.0 * t).sin();
        }
    }
    for e in measured(&signals).engagements {
        let hold = e.measured(Measure::Hold).clone().unwrap();
        assert!((hold.value - 12.0).abs() < 1.5, "{hold:?}");
        // The sensor's noise of 0.2 bar is in it.
        let ripple = e.measured(Measure::Ripple).clone().unwrap();
        assert!(
            (ripple.value - 0.4_f64.hypot(0.2)).abs() < 0.05,
            "{ripple:?}"
        );
    }
}

/// Gaps cost what lies in them and nothing else.
#[test]
fn a_gap_in_pressure_costs_the_crossings_within_it() {
    let mut signals = trial().signals(10);
    let lost = |t_ns: i64| {
        let t = (t_ns - EPOCH_NS) as f64 * 1e-9;
        (2.02..2.2).contains(&t)
    };
    let pressure = &mut signals.series[4];
    let keep: Vec<bool> = pressure.t_ns.iter().map(|&t| !lost(t)).collect();
    let mut k = keep.iter();
    pressure.value.retain(|_| *k.next().unwrap());
    pressure.t_ns.retain(|&t| !lost(t));
    let drive = measured(&signals);
    let gap = Err(Missing::Gap(Role::CouplingPressure));
    for m in [
        Measure::DeadTime,
        Measure::EngagementDelay,
        Measure::RiseTime,
        Measure::FrictionWork,
    ] {
        assert_eq!(*drive.engagements[0].measured(m), gap, "{m}");
        assert!(drive.engagements[1].measured(m).is_ok(), "{m}");
    }
    assert!(drive.engagements[0].measured(Measure::PeakSlip).is_ok());
}

/// The pack slips through the hold from 12 to 14 s, of which one second was not received.
#[test]
fn slip_is_not_counted_in_a_gap() {
    let mut signals = trial().signals(12);
    let seconds = |t_ns: i64| (t_ns - EPOCH_NS) as f64 * 1e-9;
    for (w, wheel) in signals.series.iter_mut().take(4).enumerate() {
        let slips = |t_ns: i64| w < 2 && (12.0..14.0).contains(&seconds(t_ns));
        for (&t_ns, v) in wheel.t_ns.iter().zip(&mut wheel.value) {
            *v += if slips(t_ns) { 3.6 } else { 0.0 };
        }
        let lost = |t_ns: i64| (12.5..13.5).contains(&seconds(t_ns));
        let received: Vec<(i64, f64)> = wheel
            .t_ns
            .iter()
            .copied()
            .zip(wheel.value.iter().copied())
            .collect();
        let received = received.into_iter().filter(|(t_ns, _)| !lost(*t_ns));
        (wheel.t_ns, wheel.value) = received.unzip();
    }
    let drive = measured(&signals);
    let slipped_s = drive.engagements[2].tested.slipped_s;
    assert!((0.5..0.95).contains(&slipped_s), "{slipped_s}");
}

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
    std::thread::spawn(move || done.send(measured(&signals)));
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
            prop_assert_eq!(e.measures.len(), Measure::COUNT);
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

/// A key that is missing costs the measures that need it, by name, and no others.
#[test]
fn each_missing_key_is_named_by_what_needs_it() {
    let signals = trial().signals(5);
    let check = |remove: fn(&mut Vehicle), key: &'static str, lost: &[Measure]| {
        let mut car = vehicle();
        remove(&mut car);
        let drive = measure_drive("trial", &signals, span(&signals), &car);
        let e = &drive.engagements[0];
        for &m in Measure::ALL {
            let named = *e.measured(m) == Err(Missing::VehicleKey(key));
            assert_eq!(named, lost.contains(&m), "{key} {m} {:?}", e.measured(m));
        }
    };
    use Measure::*;
    let work: &[Measure] = &[FrictionWork, FrictionWorkPerArea, TransferFraction];
    check(
        |c| c.coupling.friction_coefficient = None,
        "coupling.friction_coefficient",
        work,
    );
    check(
        |c| c.coupling.piston_area_m2 = None,
        "coupling.piston_area_m2",
        work,
    );
    check(
        |c| c.coupling.pressure_law = None,
        "coupling.pressure_law",
        work,
    );
    check(
        |c| c.driveline.gear_ratios = None,
        "driveline.gear_ratios",
        &[TransferFraction],
    );
    check(
        |c| c.tyres.rolling_radius_m = None,
        "tyres.rolling_radius_m",
        &work[..2],
    );
    check(
        |c| c.geometry.wheelbase_m = None,
        "geometry.wheelbase_m",
        &[
            PeakSlip,
            SlipTime,
            SlipDistance,
            SteadySlip,
            FrictionWork,
            FrictionWorkPerArea,
        ],
    );
}
