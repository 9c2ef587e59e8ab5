//! Slip that is not where it usually is: it begins after pressure, was there before it, or lasts into
//! the hold.

use super::*;
use crate::engagement::Reference;
use crate::measure::Missing;

/// The trial's drive with another slip: a function of the time since each demand, s.
fn with_slip(seed: u64, frame_s: f64, noise_mps: f64, slip: impl Fn(f64) -> f64) -> Signals {
    let trial = Trial {
        frame_s,
        noise_mps,
        ..trial()
    };
    let mut signals = trial.signals(seed);
    for wheel in &mut signals.series[..2] {
        for (t_ns, v) in wheel.t_ns.iter().zip(&mut wheel.value) {
            let t = (t_ns - EPOCH_NS) as f64 * 1e-9;
            let since_s = (t - 1.0).rem_euclid(5.0) - 1.0;
            let now = if t < 1.0 { 0.0 } else { slip(since_s) };
            *v += 3.6 * (now - slip_mps(t)) / trial.front_ratio;
        }
    }
    signals
}

fn swell(s: f64) -> f64 {
    if s > 0.0 {
        1.5 * (s / 0.1) * (1.0 - s / 0.1).exp()
    } else {
        0.0
    }
}

#[test]
fn without_demand_a_pressure_that_came_before_slip_has_no_dead_time() {
    for (seed, late_s) in (61..).zip([0.2, 0.5, 1.2]) {
        for frame_s in [0.01, 0.02] {
            let mut signals = with_slip(seed, frame_s, 0.03, |s| swell(s - late_s));
            signals.series.pop();
            let drive = measured(&signals);
            assert_eq!(drive.engagements.len(), 8);
            for e in &drive.engagements {
                assert_eq!(e.reference, Reference::Slip);
                for m in [Measure::DeadTime, Measure::EngagementDelay] {
                    assert!(
                        matches!(e.measured(m), Err(Missing::NotIdentifiable(_))),
                        "{m} {:?}",
                        e.measured(m)
                    );
                }
                assert!(e.measured(Measure::RiseTime).is_ok());
            }
        }
    }
}

#[test]
fn without_demand_a_slip_that_was_there_before_is_no_onset() {
    for (seed, before_s) in (71..).zip([0.7, 0.9]) {
        let mut signals = with_slip(seed, 0.01, 0.03, |s| {
            if s > -before_s && s < 0.3 { 1.0 } else { 0.0 }
        });
        signals.series.pop();
        for e in &measured(&signals).engagements {
            assert!(
                matches!(
                    e.measured(Measure::DeadTime),
                    Err(Missing::NotIdentifiable(_))
                ),
                "{:?}",
                e.measured(Measure::DeadTime)
            );
        }
    }
}

#[test]
fn without_demand_the_onset_of_slip_still_counts_where_pressure_follows_it() {
    for (seed, frame_s) in (81..).zip([0.01, 0.01, 0.02]) {
        let mut signals = with_slip(seed, frame_s, 0.03, swell);
        signals.series.pop();
        for e in &measured(&signals).engagements {
            let dead = e.measured(Measure::DeadTime).clone().unwrap();
            let truth = 1e3 * (DEAD_S + TAU_S * (10.0_f64 / 9.0).ln());
            // Slip is seen a little after it began.
            let late = truth - dead.value;
            assert!(
                late > -4.0 * dead.u && late < 15.0 + 4.0 * dead.u,
                "{dead:?}"
            );
        }
    }
}

/// Held from about 0.12 to 2 s: slip for a share of it, then none.
#[test]
fn steady_slip_is_the_median_of_all_that_is_held() {
    let cases = [(1.9, 1.9), (1.4, 1.9), (0.7, 0.0), (0.4, 0.0), (2.5, 1.9)];
    // The radius ratio's error is one for a whole drive, so drives are counted together.
    let (mut held, mut all) = (0, 0);
    for (seed, (until_s, steady)) in (91..).zip(cases) {
        for (frame_s, noise_mps) in [(0.01, 0.03), (0.02, 0.03), (0.01, 0.1)] {
            let signals = with_slip(seed, frame_s, noise_mps, |s| {
                if s > 0.0 && s < until_s { 1.9 } else { 0.0 }
            });
            for e in &measured(&signals).engagements {
                let found = e.measured(Measure::SteadySlip).clone().unwrap();
                assert!(
                    (found.value - steady).abs() < 4.0 * found.u,
                    "{until_s} {frame_s} {noise_mps} {found:?}"
                );
                held += i32::from((found.value - steady).abs() < 1.96 * found.u);
                all += 1;
            }
        }
    }
    assert!(held * 10 >= all * 8, "{held} of {all}");
}

/// Few samples on the rise and much noise: a time is given with an uncertainty that a reader can act
/// on, or it is missing.
#[test]
fn a_time_is_known_to_the_rise_or_missing() {
    let (mut held, mut all) = (0, 0);
    for seed in 101..113 {
        let mut signals = trial().signals(seed);
        let mut random = Random::new(seed);
        let frames = stamps(&mut random, 0.0, 42.0, 0.05, 0.05);
        let mut pressure = series(Role::CouplingPressure, Unit::Bar, &frames, pressure_bar);
        for v in &mut pressure.value {
            *v += FULL_BAR * random.between(0.005, 0.08) * random.normal();
        }
        signals.series[4] = pressure;
        for e in &measured(&signals).engagements {
            for m in [
                Measure::DeadTime,
                Measure::RiseTime,
                Measure::EngagementDelay,
            ] {
                if let Ok(time) = e.measured(m) {
                    assert!(time.u < 300.0, "{m} {time:?}");
                }
            }
            if let Ok(delay) = e.measured(Measure::EngagementDelay) {
                let truth = 1e3 * (DEAD_S + TAU_S * 2.0_f64.ln());
                all += 1;
                held += i32::from((delay.value - truth).abs() < 1.96 * delay.u);
            }
        }
    }
    assert!(held * 10 > all * 8 && all > 60, "{held} of {all}");
}
