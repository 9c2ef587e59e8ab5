//! Whole drives, measured: a trial from closed forms that all of these tests start from.

mod any_drive;
mod closed_forms;
mod handed_over;
mod lost;
mod missing;
mod short_demand;
mod slipping;
mod stages;

use slipwright_decoders::role::Role;
use slipwright_decoders::signal::Signals;
use slipwright_decoders::unit::Unit;

use super::*;
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
