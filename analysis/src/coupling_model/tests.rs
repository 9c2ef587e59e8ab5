//! The model against couplings made by an integration of its own, sampled as a bus samples, and against
//! couplings that do not tell what is asked.

use slipwright_decoders::role::Role;
use slipwright_decoders::signal::Signals;
use slipwright_decoders::unit::Unit;

use super::*;
use crate::engagement::find_engagements;
use crate::kinematics::Kinematics;
use crate::trial::{Random, series, stamps, vehicle};

/// A coupling engaged every 5 s for 2 s.
#[derive(Clone, Copy)]
struct Trial {
    fill_s: f64,
    rate_bar_s: f64,
    /// Lag of the valve, s.
    lag_s: f64,
    /// Leak, 1/s.
    leak: f64,
    /// Swing of the fill time from one engagement to the next, of itself.
    swing: f64,
    frame_s: f64,
    noise_bar: f64,
    engagements: usize,
}

const TRIAL: Trial = Trial {
    fill_s: 0.070,
    rate_bar_s: 400.0,
    lag_s: 0.008,
    leak: 0.0,
    swing: 0.01,
    frame_s: 0.01,
    noise_bar: 0.05,
    engagements: 12,
};

const FILL_BAR: f64 = 0.6;
const SOFT: f64 = 4.0;
const SOFT_BAR: f64 = 1.6;
const BAR_PER_PERCENT: f64 = 0.3;

impl Trial {
    fn start_s(k: usize) -> f64 {
        2.0 + 5.0 * k as f64
    }

    /// Pressure every tenth of a millisecond.
    fn pressure(&self, random: &mut Random, demand: &[f64]) -> Vec<f64> {
        let mut out = Vec::new();
        let fill: Vec<f64> = demand
            .iter()
            .map(|_| self.fill_s * (1.0 + self.swing * random.normal()))
            .collect();
        let (mut p, mut held_s) = (0.0_f64, 0.0);
        let h = 1e-4;
        for step in 0..((Self::start_s(self.engagements) + 1.0) / h) as usize {
            let t = step as f64 * h;
            let k = ((t - 2.0) / 5.0).floor();
            let since = t - 2.0 - 5.0 * k;
            let on = k >= 0.0 && since < 2.0 && (k as usize) < self.engagements;
            if on {
                let k = k as usize;
                if since < fill[k] {
                    p = FILL_BAR * since / fill[k];
                    held_s = 0.0;
                } else {
                    held_s += h;
                    let target = BAR_PER_PERCENT * demand[k] * (-self.leak * held_s).exp();
                    let pump = self.rate_bar_s / (1.0 + SOFT * (-p / SOFT_BAR).exp());
                    p += h * pump.min((target - p) / self.lag_s);
                }
            } else {
                p -= h * p / 0.03;
            }
            out.push(p);
        }
        out
    }

    fn model(&self, seed: u64) -> CouplingModel {
        let mut random = Random::new(seed);
        let demand: Vec<f64> = (0..self.engagements)
            .map(|_| random.between(45.0, 80.0))
            .collect();
        let fine = self.pressure(&mut random, &demand);
        let end_s = fine.len() as f64 * 1e-4 - 0.1;
        let times = stamps(&mut random, 0.0, end_s, self.frame_s, 0.05);
        let noise: Vec<f64> = times
            .iter()
            .map(|_| self.noise_bar * random.normal())
            .collect();
        let mut all: Vec<_> = Role::WHEELS
            .map(|role| series(role, Unit::MetrePerSecond, &times, |_| 12.0))
            .to_vec();
        let mut pressure = series(Role::CouplingPressure, Unit::Bar, &times, |t| {
            fine[(t * 1e4) as usize]
        });
        for (value, noise) in pressure.value.iter_mut().zip(&noise) {
            *value += noise;
        }
        all.push(pressure);
        let steps: Vec<f64> = (0..(end_s * 100.0) as usize)
            .map(|k| k as f64 * 0.01)
            .collect();
        all.push(series(Role::CouplingDemand, Unit::Percent, &steps, |t| {
            let k = ((t + 1e-6 - 2.0) / 5.0).floor();
            let since = t + 1e-6 - 2.0 - 5.0 * k;
            if k >= 0.0 && since < 2.0 && (k as usize) < self.engagements {
                demand[k as usize]
            } else {
                0.0
            }
        }));
        let signals = Signals { series: all };
        let drive = Drive::from_signals(&signals, &vehicle());
        let kinematics = Kinematics::of(&drive, &vehicle());
        let finds = find_engagements(&drive, &kinematics, None);
        assert_eq!(finds.found.len(), self.engagements, "{:?}", finds.warnings);
        coupling_model(
            &drive,
            &finds.found,
            &Err(Missing::NotIdentifiable("no torque")),
        )
    }
}

fn near(parameter: &Parameter, truth: f64, share: f64) {
    let found = parameter.estimate.clone().unwrap().value;
    assert!(
        (found / truth - 1.0).abs() < share,
        "{parameter:?}, true {truth}"
    );
}

#[test]
fn the_parts_are_recovered_within_five_per_cent() {
    for (seed, trial) in [
        (1, TRIAL),
        (
            2,
            Trial {
                fill_s: 0.11,
                rate_bar_s: 180.0,
                ..TRIAL
            },
        ),
        (
            3,
            Trial {
                rate_bar_s: 300.0,
                frame_s: 0.02,
                ..TRIAL
            },
        ),
    ] {
        let model = trial.model(seed);
        near(&model.fill_time_ms, 1e3 * trial.fill_s, 0.05);
        near(&model.rise_rate_bar_per_s, trial.rate_bar_s, 0.05);
        assert_eq!(model.engagements, 12);
    }
}

#[test]
fn the_intervals_hold_the_truth_about_as_often_as_they_say() {
    let trial = Trial {
        engagements: 8,
        swing: 0.04,
        leak: 0.02,
        ..TRIAL
    };
    let mut held = [0; 3];
    let runs = 60;
    for seed in 0..runs {
        let model = trial.model(100 + seed);
        let truths = [
            (&model.fill_time_ms, 1e3 * trial.fill_s),
            (&model.rise_rate_bar_per_s, trial.rate_bar_s),
            (&model.leak_rate_percent_per_s, 100.0 * trial.leak),
        ];
        for (count, (parameter, truth)) in held.iter_mut().zip(truths) {
            let [low, high] = parameter.interval.unwrap();
            *count += usize::from(low <= truth && truth <= high);
        }
    }
    // 95 % of 60 with three binomial deviations below.
    assert!(held.iter().all(|&n| n >= 52), "{held:?} of {runs}");
}

#[test]
fn a_pump_that_is_never_the_limit_tells_no_rise_rate() {
    let model = Trial {
        rate_bar_s: 50_000.0,
        lag_s: 0.05,
        ..TRIAL
    }
    .model(4);
    near(&model.fill_time_ms, 1e3 * TRIAL.fill_s, 0.08);
    let why = model.rise_rate_bar_per_s.estimate.unwrap_err().to_string();
    insta::assert_snapshot!(why, @"pressure rose as the valve let it and the pump was never the limit, or too few frames fell into the rises");
    assert!(model.torque_per_bar_nm.estimate.is_err());
}

#[test]
fn a_leaking_seal_shows_in_its_rate_and_a_tight_one_has_none() {
    let leaking = Trial {
        leak: 0.06,
        ..TRIAL
    }
    .model(5);
    near(&leaking.leak_rate_percent_per_s, 6.0, 0.1);
    let tight = TRIAL.model(6).leak_rate_percent_per_s.interval.unwrap();
    assert!(
        tight[0] < 0.0 && tight[1] > 0.0 && tight[1] < 0.5,
        "{tight:?}"
    );
}

#[test]
fn too_few_engagements_tell_nothing_and_say_so() {
    let model = Trial {
        engagements: 2,
        ..TRIAL
    }
    .model(7);
    let why = model.fill_time_ms.estimate.unwrap_err().to_string();
    insta::assert_snapshot!(why, @"2 samples where 3 are needed");
}

#[test]
fn torque_per_bar_needs_three_closings_and_a_fifth_of_certainty() {
    let slipping = SlippingTorque {
        per_bar_nm: 25.0,
        u_nm: 1.0,
        moments: 120,
        closings: 5,
    };
    let found = torque::torque_per_bar(&Ok(slipping));
    near(&found, 25.0, 1e-9);
    assert!((found.estimate.unwrap().u - 1.0).abs() < 1e-9);
    let [low, high] = found.interval.unwrap();
    assert!((low * high - 25.0 * 25.0).abs() < 1e-6);
    let told = |slipping: SlippingTorque| {
        let found = torque::torque_per_bar(&Ok(slipping)).estimate;
        found.unwrap_err().to_string()
    };
    let few = told(SlippingTorque {
        closings: 2,
        ..slipping
    });
    assert!(few.contains("fewer than three"));
    let loose = told(SlippingTorque {
        u_nm: 6.0,
        ..slipping
    });
    assert!(loose.contains("no better than a fifth"));
}
