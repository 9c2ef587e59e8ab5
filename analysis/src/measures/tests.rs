//! Whole drives from closed forms, whose measures are known.

use slipwright_decoders::role::Role;
use slipwright_decoders::signal::Signals;
use slipwright_decoders::unit::Unit;

use super::*;
use crate::engagement::{Kind, Reference};
use crate::measure::Missing;
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
    let rise = |s: f64| if s < DEAD_S { 0.0 } else { -(-(s - DEAD_S) / TAU_S).exp_m1() };
    FULL_BAR * if on { rise(s) } else { (-(s - 2.0) / 0.05).exp() }
}

/// A pulse that peaks 0.1 s after demand: x e^(1 - x), x = s / 0.1.
fn slip_mps(t: f64) -> f64 {
    let (s, on) = since_step(t);
    if on { PEAK_MPS * (s / 0.1) * (1.0 - s / 0.1).exp() } else { 0.0 }
}

impl Trial {
    fn signals(&self, seed: u64) -> Signals {
        let mut random = Random::new(seed);
        let wheels = stamps(&mut random, 0.0, self.duration_s, self.frame_s, 0.1);
        let pressure = stamps(&mut random, 0.0, self.duration_s, 0.01, 0.1);
        // Demand is sent at the very times of its steps.
        let demand: Vec<f64> = (0..(self.duration_s / 0.01) as usize).map(|k| k as f64 * 0.01).collect();
        let mut all = Vec::new();
        for (i, role) in Role::WHEELS.into_iter().enumerate() {
            let front = i < 2;
            let noise: Vec<f64> = wheels.iter().map(|_| self.noise_mps * random.normal()).collect();
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
        all.push(series(Role::CouplingPressure, Unit::Kilopascal, &pressure, |t| 100.0 * pressure_bar(t)));
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
    Trial { duration_s: 42.0, frame_s: 0.01, noise_mps: 0.03, front_ratio: 0.998 }
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
        for &m in Measure::ALL {
            println!("{k} {m} {:?}", e.measured(m));
        }
        let check = |m: Measure, truth: f64, least_u: f64| {
            let found = e.measured(m).clone().unwrap();
            let tolerance = 4.0 * found.u.max(least_u);
            assert!((found.value - truth).abs() < tolerance, "{m}: {found:?}, true {truth}");
        };
        check(Measure::DeadTime, 1e3 * (DEAD_S + TAU_S * (10.0_f64 / 9.0).ln()), 0.0);
        check(Measure::EngagementDelay, 1e3 * (DEAD_S + TAU_S * 2.0_f64.ln()), 0.0);
        check(Measure::RiseTime, 1e3 * TAU_S * 9.0_f64.ln(), 0.0);
        check(Measure::PeakSlip, PEAK_MPS, 0.0);
        // Integral of x e^(1-x) from 0 to infinity is e.
        check(Measure::SlipDistance, PEAK_MPS * 0.1 * std::f64::consts::E, 0.0);
        check(Measure::SteadySlip, 0.0, 0.01);
        check(Measure::Hold, 0.0, 0.0);
        check(Measure::Ripple, 0.2, 0.0);
    }
    for ratio in [&drive.radius_ratio.front_left, &drive.radius_ratio.front_right] {
        let ratio = ratio.clone().unwrap();
        assert!((ratio.value - 0.998).abs() < 2.0 * ratio.u, "{ratio:?}");
    }
    println!("{:?} {:?} {:?}", drive.radius_ratio, drive.noise_slip_mps, drive.warnings);
}

#[test]
fn without_demand_times_count_from_slip() {
    let mut signals = trial().signals(2);
    signals.series.pop();
    let drive = measured(&signals);
    assert_eq!(drive.engagements.len(), 8);
    assert!(drive.engagements.iter().all(|e| e.reference == Reference::Slip));
    assert!(drive.engagements.iter().all(|e| e.measured(Measure::RiseTime).is_ok()));
    assert!(drive.warnings.iter().any(|w| w.contains("no coupling demand")));
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

#[test]
fn nothing_gives_nothing_but_reasons() {
    let drive = measured(&Signals::default());
    assert!(drive.engagements.is_empty());
    assert!(drive.noise_slip_mps.is_err());
    assert_eq!(drive.radius_ratio.front_left, Err(Missing::Role(Role::WheelSpeedFrontLeft)));
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
    check(|c| c.coupling.friction_coefficient = None, "coupling.friction_coefficient", work);
    check(|c| c.coupling.piston_area_m2 = None, "coupling.piston_area_m2", work);
    check(|c| c.coupling.pressure_law = None, "coupling.pressure_law", work);
    check(|c| c.driveline.gear_ratios = None, "driveline.gear_ratios", &[TransferFraction]);
    check(|c| c.tyres.rolling_radius_m = None, "tyres.rolling_radius_m", &work[..2]);
    check(
        |c| c.geometry.wheelbase_m = None,
        "geometry.wheelbase_m",
        &[PeakSlip, SlipTime, SlipDistance, SteadySlip, FrictionWork, FrictionWorkPerArea],
    );
}
