//! Demand that ends before the clearance is full: pressure answered nothing that could be timed.

use super::*;
use crate::measure::Missing;
use crate::trial::Servo;

const ASKED_BAR: f64 = 24.0;

/// When demand comes, and for how long, s. The clearance takes a tenth of a second.
const DEMANDS: [(f64, f64); 8] = [
    (3.0, 2.0),
    (8.0, 0.08),
    (12.0, 2.0),
    (17.0, 0.1),
    (20.0, 0.08),
    (24.0, 2.0),
    (29.0, 0.1),
    (33.0, 0.14),
];

fn is_on(t: f64, demands: &[(f64, f64)]) -> bool {
    demands.iter().any(|(at, lasts)| t >= *at && t < at + lasts)
}

/// A drive with some demands; while the clearance fills the return springs give up to 0.4 bar.
fn drive(demands: &[(f64, f64)], frame_s: f64, seed: u64) -> DriveMeasures {
    let mut random = Random::new(seed);
    let asked = |t: f64| if is_on(t, demands) { ASKED_BAR } else { 0.0 };
    let servo = Servo::of(asked, (0.0, 38.0));
    let springs = |t: f64| {
        let filling = demands
            .iter()
            .find(|(at, lasts)| t >= *at && t < at + lasts);
        filling.map_or(0.0, |(at, _)| 4.0 * (t - at).min(0.1))
    };
    let wheels: Vec<f64> = (0..3800).map(|k| f64::from(k) * 0.01).collect();
    let frames = stamps(&mut random, 0.0, 38.0, frame_s, 0.02);
    let mut all: Vec<_> = Role::WHEELS
        .map(|role| series(role, Unit::MetrePerSecond, &wheels, |_| 12.0))
        .to_vec();
    for v in all.iter_mut().flat_map(|wheel| &mut wheel.value) {
        *v += 0.02 * random.normal();
    }
    let mut pressure = series(Role::CouplingPressure, Unit::Bar, &frames, |t| {
        servo.at(t).max(springs(t))
    });
    for v in &mut pressure.value {
        *v = ((*v + 0.03 * random.normal()) / 0.1).round() * 0.1;
    }
    all.push(pressure);
    all.push(series(Role::CouplingDemand, Unit::Percent, &frames, |t| {
        if is_on(t, demands) { 80.0 } else { 0.0 }
    }));
    measured(&Signals { series: all })
}

const TIMES: [Measure; 3] = [
    Measure::DeadTime,
    Measure::RiseTime,
    Measure::EngagementDelay,
];

#[test]
fn a_demand_shorter_than_the_fill_has_no_times_and_says_why() {
    for (frame_s, seed) in [(0.01, 601), (0.02, 602), (0.01, 603), (0.02, 604)] {
        let drive = drive(&DEMANDS, frame_s, seed);
        assert_eq!(drive.engagements.len(), DEMANDS.len());
        for (e, (at, lasts)) in drive.engagements.iter().zip(DEMANDS) {
            for m in TIMES {
                let found = e.measured(m);
                if lasts > 1.0 {
                    assert!(found.is_ok(), "{m} at {at}: {found:?}");
                } else {
                    assert!(found.is_err(), "{m} at {at} of {lasts}: {found:?}");
                }
            }
        }
        let let_go = |e: &&Engagement| {
            let why = e.measured(Measure::DeadTime);
            matches!(why, Err(Missing::NotIdentifiable(w)) if w.contains("let go"))
        };
        assert!(drive.engagements.iter().filter(let_go).count() >= 3);
    }
}

/// Nothing but short demands, of which the vehicle file's highest pressure tells what they asked.
#[test]
fn no_longer_demand_is_needed_to_tell() {
    let short: Vec<(f64, f64)> = DEMANDS.iter().map(|d| (d.0, 0.09)).collect();
    for (frame_s, seed) in [(0.01, 611), (0.02, 612)] {
        for e in drive(&short, frame_s, seed).engagements {
            for m in TIMES {
                assert!(e.measured(m).is_err(), "{m}: {:?}", e.measured(m));
            }
        }
    }
}
