//! Demand that comes in stages: to the touch of the plates and then to its torque, or high first and
//! then to what is held. Times are counted from the stage that pressure answered, or not at all.

use super::*;
use crate::engagement::Reference;
use crate::measure::Missing;
use crate::trial::Servo;

const MOST_BAR: f64 = 30.0;
const STARTS_S: [f64; 2] = [3.0, 11.0];
const ENDS_S: f64 = 18.0;

/// Twice the same stages: how long each lasts, s, and what it demands, per cent.
struct Staged<'a> {
    stages: &'a [(f64, f64)],
    frame_s: f64,
    noise_bar: f64,
}

impl Staged<'_> {
    fn demand(&self, t_s: f64) -> f64 {
        let Some(start_s) = STARTS_S.iter().rfind(|s| t_s >= **s) else {
            return 0.0;
        };
        let mut left_s = t_s - start_s;
        for (lasts_s, percent) in self.stages {
            if left_s < *lasts_s {
                return *percent;
            }
            left_s -= lasts_s;
        }
        0.0
    }

    fn servo(&self) -> Servo {
        let bar = |t| 0.01 * MOST_BAR * self.demand(t);
        Servo::of(bar, (0.0, ENDS_S))
    }

    fn signals(&self, seed: u64) -> Signals {
        let mut random = Random::new(seed);
        let servo = self.servo();
        let wheels: Vec<f64> = (0..1800).map(|k| f64::from(k) * 0.01).collect();
        let frames = stamps(&mut random, 0.0, ENDS_S, self.frame_s, 0.02);
        let mut all: Vec<_> = Role::WHEELS
            .map(|role| series(role, Unit::MetrePerSecond, &wheels, |_| 12.0))
            .to_vec();
        for v in all.iter_mut().flat_map(|wheel| &mut wheel.value) {
            *v += 0.02 * random.normal();
        }
        let mut pressure = series(Role::CouplingPressure, Unit::Bar, &frames, |t| servo.at(t));
        for v in &mut pressure.value {
            *v = ((*v + self.noise_bar * random.normal()) / 0.02).round() * 0.02;
        }
        all.push(pressure);
        all.push(series(Role::CouplingDemand, Unit::Percent, &frames, |t| {
            self.demand(t)
        }));
        Signals { series: all }
    }

    /// The first frame that carries the stage of a number, s.
    fn carried_s(&self, signals: &Signals, start_s: f64, stage: usize) -> f64 {
        let before: f64 = self.stages[..stage].iter().map(|s| s.0).sum();
        let demand = signals.role(Role::CouplingDemand).unwrap();
        let seconds = |t_ns: &i64| (t_ns - EPOCH_NS) as f64 * 1e-9;
        let times = demand.t_ns.iter().map(seconds);
        times.into_iter().find(|t| *t >= start_s + before).unwrap()
    }
}

fn near(found: &crate::measure::Estimate, truth_ms: f64) -> bool {
    (found.value - truth_ms).abs() < 5.0 * found.u + 1.0
}

/// Engagements of drives with one twice, over frame periods, phases and noises, each with its start and
/// when a frame first carried the stage of a number, s.
fn each(
    stages: &[(f64, f64)],
    seed: u64,
    stage: usize,
    check: impl Fn(&Staged<'_>, &Engagement, f64, f64),
) {
    let mut seed = seed;
    for frame_s in [0.005, 0.01, 0.02] {
        for noise_bar in [0.03, 0.2] {
            seed += 1;
            let staged = Staged {
                stages,
                frame_s,
                noise_bar,
            };
            let signals = staged.signals(seed);
            let drive = measured(&signals);
            assert_eq!(drive.engagements.len(), 2);
            for (e, start_s) in drive.engagements.iter().zip(STARTS_S) {
                check(
                    &staged,
                    e,
                    start_s,
                    staged.carried_s(&signals, start_s, stage),
                );
            }
        }
    }
}

/// Dead time and delay are those of the step to a demand.
fn times_are_of_step(staged: &Staged<'_>, e: &Engagement, start_s: f64, from_s: f64, percent: f64) {
    for (m, share) in [(Measure::DeadTime, 0.1), (Measure::EngagementDelay, 0.5)] {
        let bar = share * 0.01 * MOST_BAR * percent;
        let truth_ms = 1e3 * (staged.servo().reaches_s(bar, start_s).unwrap() - from_s);
        let time = e.measured(m).clone().unwrap();
        assert!(near(&time, truth_ms), "{m} {time:?}, true {truth_ms}");
    }
}

#[test]
fn after_a_touch_of_the_plates_times_count_from_the_stage_that_pressure_answered() {
    for (percent, lasts_s) in [(5.0, 1.5), (5.0, 0.4), (10.0, 1.5), (10.0, 0.9)] {
        each(
            &[(lasts_s, percent), (2.0, 80.0)],
            520,
            1,
            |staged, e, start_s, from_s| {
                let servo = staged.servo();
                // A touch shorter than what is seen of the rest before it is no state of its own.
                let high = 0.8 * MOST_BAR;
                let delay = e.measured(Measure::EngagementDelay).clone().unwrap();
                let fits = [0.01 * MOST_BAR * percent, 0.0].into_iter().any(|low| {
                    let at_s = servo.reaches_s(low + 0.5 * (high - low), start_s);
                    near(&delay, 1e3 * (at_s.unwrap() - from_s))
                });
                assert!(fits, "{percent} {lasts_s} {delay:?}");
                // The clearance was full before.
                assert!(matches!(
                    e.measured(Measure::DeadTime),
                    Err(Missing::NotIdentifiable(_))
                ));
                for m in [Measure::RiseTime, Measure::Hold, Measure::Ripple] {
                    assert!(e.measured(m).is_ok(), "{m} {:?}", e.measured(m));
                }
            },
        );
    }
}

#[test]
fn a_stage_that_pressure_shows_is_the_step() {
    for (percent, lasts_s) in [(30.0, 0.8), (30.0, 2.5), (60.0, 0.8), (40.0, 1.3)] {
        each(
            &[(lasts_s, percent), (1.0, 90.0)],
            540,
            0,
            |staged, e, start_s, from_s| {
                times_are_of_step(staged, e, start_s, from_s, percent);
                assert_eq!(e.conditions.demand_step, Some(percent));
            },
        );
    }
}

/// Stages of any size, as far apart as they come: what is told is the time of one step, from demand's
/// to pressure's, and never from one's to the other's.
#[test]
fn no_time_goes_from_one_stage_to_the_answer_of_another() {
    let mut random = Random::new(560);
    let (mut told, mut all) = (0, 0);
    for seed in 0..40 {
        let first = random.between(3.0, 70.0);
        let second = random.between(first + 15.0, 100.0);
        let stages = [(random.between(0.05, 1.5), first), (1.5, second)];
        let staged = Staged {
            stages: &stages,
            frame_s: [0.005, 0.01, 0.02, 0.05][seed as usize % 4],
            noise_bar: [0.03, 0.1, 0.3][seed as usize % 3],
        };
        let signals = staged.signals(600 + seed);
        let servo = staged.servo();
        for (e, start_s) in measured(&signals).engagements.iter().zip(STARTS_S) {
            assert_eq!(e.reference, Reference::Demand);
            all += 1;
            let Ok(delay) = e.measured(Measure::EngagementDelay) else {
                continue;
            };
            told += 1;
            let carried = [0, 1].map(|stage| staged.carried_s(&signals, start_s, stage));
            let (low, high) = (0.01 * MOST_BAR * first, 0.01 * MOST_BAR * second);
            let whole_from_s = carried[usize::from(first < 0.5 * second)];
            let steps = [
                (carried[0], 0.5 * low),
                (carried[1], 0.5 * (low + high)),
                (whole_from_s, 0.5 * high),
            ];
            let fits = steps.iter().any(|(from_s, bar)| {
                let at_s = servo.reaches_s(*bar, start_s).unwrap();
                near(delay, 1e3 * (at_s - from_s))
            });
            assert!(fits, "{stages:?} {} {delay:?}", staged.frame_s);
        }
    }
    assert!(told * 10 > all * 6, "{told} of {all}");
}

#[test]
fn demand_that_starts_high_and_settles_is_measured_against_what_is_held() {
    for (lasts_s, percent) in [(0.3, 50.0), (0.15, 40.0), (0.2, 35.0), (0.25, 60.0)] {
        each(
            &[(lasts_s, 100.0), (2.0, percent)],
            580,
            0,
            |staged, e, start_s, from_s| {
                times_are_of_step(staged, e, start_s, from_s, percent);
                let hold = e.measured(Measure::Hold).clone().unwrap();
                assert!(hold.value.abs() < 5.0 * hold.u, "{hold:?}");
                let ripple = e.measured(Measure::Ripple).clone().unwrap();
                assert!((ripple.value - staged.noise_bar).abs() < 5.0 * ripple.u + 0.01);
            },
        );
    }
}
