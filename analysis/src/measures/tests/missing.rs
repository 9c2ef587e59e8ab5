//! Drives that lack a signal, a part of it, or a key of the vehicle file: what needs it says so, and
//! nothing else suffers.

use super::*;
use crate::engagement::Reference;
use crate::measure::Missing;

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

/// Readings of some wheels lost over the slip of one engagement, long after the slip of another, and for
/// two frames over that of a third.
#[test]
fn slip_that_may_have_been_larger_unseen_is_missing() {
    let rear_left = 2;
    for wheels in [vec![rear_left], (0..4).collect::<Vec<usize>>()] {
        let mut signals = trial().signals(13);
        let lost = |t_ns: i64| {
            let t = (t_ns - EPOCH_NS) as f64 * 1e-9;
            [2.03..2.3, 8.5..8.9, 12.09..12.11]
                .iter()
                .any(|span| span.contains(&t))
        };
        for &w in &wheels {
            let wheel = &mut signals.series[w];
            let received = wheel.t_ns.iter().copied().zip(wheel.value.iter().copied());
            let received: Vec<(i64, f64)> = received.filter(|(t_ns, _)| !lost(*t_ns)).collect();
            (wheel.t_ns, wheel.value) = received.into_iter().unzip();
        }
        let drive = measured(&signals);
        let slip = [Measure::PeakSlip, Measure::SlipTime, Measure::SlipDistance];
        for m in slip {
            let role = match wheels.len() {
                1 => Role::WheelSpeedRearLeft,
                _ => Role::WheelSpeedFrontLeft,
            };
            let gap = Err(Missing::Gap(role));
            assert_eq!(*drive.engagements[0].measured(m), gap, "{m} {wheels:?}");
            assert!(drive.engagements[2].measured(m).is_ok(), "{m} {wheels:?}");
            assert!(drive.engagements[3].measured(m).is_ok(), "{m} {wheels:?}");
        }
        // What lies in the gap is not part of the pulse, but it is of the distance.
        for m in [Measure::PeakSlip, Measure::SlipTime] {
            assert!(drive.engagements[1].measured(m).is_ok(), "{m} {wheels:?}");
        }
        assert!(
            drive.engagements[1]
                .measured(Measure::SlipDistance)
                .is_err()
        );
    }
}

/// Sensors that tell nothing at a standstill lose nothing of a launch.
#[test]
fn a_standstill_without_readings_is_no_gap() {
    let mut signals = trial().signals(14);
    for wheel in signals.series.iter_mut().take(4) {
        let launch = |t: f64| (4.0 * (t - 1.9).max(0.0)).min(12.0);
        for (&t_ns, v) in wheel.t_ns.iter().zip(&mut wheel.value) {
            *v -= 3.6 * (12.0 - launch((t_ns - EPOCH_NS) as f64 * 1e-9));
        }
        let told = wheel.t_ns.iter().copied().zip(wheel.value.iter().copied());
        let told: Vec<(i64, f64)> = told.filter(|(_, v)| *v > 2.7).collect();
        (wheel.t_ns, wheel.value) = told.into_iter().unzip();
    }
    let drive = measured(&signals);
    for m in [Measure::PeakSlip, Measure::SlipDistance] {
        let launch = drive.engagements[0].measured(m);
        assert!(!matches!(launch, Err(Missing::Gap(_))), "{m}: {launch:?}");
    }
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
