//! The car's acceleration, explained: a tyre curve for both axles, and the coupling's torque at the
//! rear while it slips.
//!
//! While the coupling slips, its torque drives the rear axle: `f_r = k p (1 + e exp(-v/v0))`, per
//! mass, `p` the pressure above the touch point, `v` the sliding speed. The rear tyres creep by
//! what that takes, `kappa_r = mu⁻¹(f_r / l_r)`; the front ones by that and the front-rear slip,
//! `kappa_f = s/v_f + kappa_r`, late by the relaxation length. Then `a = l_f mu(kappa_f) + f_r + b`.
//! `mu = D sin(C atan(B kappa))` (the magic formula of E. Bakker, L. Nyborg and H. B. Pacejka, SAE
//! 870421, without its curvature factor), one curve for a drive. Where nothing slips, the coupling
//! carries at least the rear axle's share, and only a fit that denies that is held against it.
//!
//! Six numbers a drive (`D`, slope `BCD`, `C`, `k`, `e`, `b`) by least squares with stated priors;
//! uncertainties from engagement to engagement. A plate that runs out swings the torque once per
//! relative turn: the fit can take a sine and a cosine of that turn for each engagement too. The
//! method is ours.

mod solve;

use nalgebra::SVector;

pub(super) use self::solve::fit;
use super::trace::{Sample, Use};
use crate::vehicle::Vehicle;

/// Parameters: ln D, ln slope, C, ln k, e, b.
const PARAMETERS: usize = 6;
type Vector = SVector<f64, PARAMETERS>;
/// Sine and cosine of the relative turn in one run's torque, as shares of it.
type Swing = [f64; 2];

/// Prior means and deviations of all but ln k: friction from ice to dry asphalt, slopes of car tyres,
/// a fluid whose friction hardly changes with sliding. Common practice, no source.
const PRIOR: [(f64, f64); PARAMETERS] = [
    (-0.5, 0.7),
    (2.3, 0.6),
    (1.65, 0.3),
    (0.0, 0.5),
    (-0.05, 0.35),
    (-0.15, 0.10),
];
/// Weight on the wheels per mass, m/s²: front and rear at rest, and what acceleration moves to the
/// rear. Usual of front-driven cars; common practice, no source.
const FRONT_MPS2: f64 = 0.57 * 9.81;
const REAR_MPS2: f64 = 0.43 * 9.81;
const MOVED: f64 = 0.20;
/// Relaxation length of a car tyre along its rolling, m (tenths of a metre; from memory).
const RELAXATION_M: f64 = 0.35;
/// Sliding speed over which friction passes from its value at rest to its value in sliding, m/s.
const FADE_MPS: f64 = 0.2;
/// A tyre is not asked for more than this share of its peak.
const MOST_GRIP: f64 = 0.97;
/// Deviation of one sample's acceleration about the model to begin with, and the least there is,
/// m/s²; neighbours within a tenth of a second share their errors, so each counts as a few do.
const DEVIATION_MPS2: f64 = 0.20;
const LEAST_DEVIATION_MPS2: f64 = 0.05;
const SHARING: f64 = 5.0;
/// Fewest samples that slip, and least spread of pressure among them, bar.
const LEAST_SLIPPING: usize = 30;
const LEAST_SPREAD_BAR: f64 = 1.0;
const LEAST_RUNS: usize = 2;
/// Deviations of a swing's sine and cosine that are tried, as shares of the torque, and half of the
/// step between them as the least that can be told.
const SWINGS: [f64; 7] = [0.01, 0.03, 0.05, 0.08, 0.12, 0.18, 0.26];
const LEAST_SWING_STEP: f64 = 0.02;
/// Relative turn that one run must slip through for a swing to show, rad: over less than half a
/// turn a sine and a cosine only bend the torque, which a tyre curve that fits badly does too.
pub(super) const LEAST_TURN_RAD: f64 = std::f64::consts::PI;
/// Fewest samples under pressure of a run that may have a swing.
const LEAST_CARRYING: usize = 8;
/// Huber's constant.
const HUBER: f64 = 1.5;

/// The fit of a drive.
#[derive(Clone, Debug)]
pub(super) struct Traction {
    /// Acceleration per bar at the rear, m/s² per bar.
    pub(super) slope: f64,
    /// Relative standard uncertainty of it.
    pub(super) u_log_slope: f64,
    /// Friction at rest over that in fast sliding, less one.
    pub(super) fall: f64,
    /// Standard uncertainty of that.
    pub(super) u_fall: f64,
    /// Swing of the torque once per relative turn, as a share of it, and its uncertainty.
    pub(super) swing: f64,
    /// See `swing`.
    pub(super) u_swing: f64,
    /// Most relative turn that one engagement slipped through under pressure, rad.
    pub(super) turn_rad: f64,
}

/// Acceleration per bar that the vehicle file lets expect, m/s² per bar.
pub(super) fn usual_slope(vehicle: &Vehicle) -> f64 {
    let pack = crate::coupling::Pack::of(vehicle).ok();
    let v = vehicle;
    match (
        pack,
        v.mass.kg,
        v.tyres.rolling_radius_m,
        v.driveline.rear_drive_ratio,
    ) {
        (Some(pack), Some(kg), Some(radius_m), Some(ratio)) => {
            pack.torque_per_bar_nm() * ratio / (kg * radius_m)
        }
        _ => 0.12,
    }
}

/// A tyre curve.
#[derive(Clone, Copy)]
struct Curve {
    d: f64,
    c: f64,
    b: f64,
}

impl Curve {
    fn of(p: &Vector) -> Self {
        let (d, c) = (p[0].exp(), p[2].clamp(1.05, 2.4));
        Self {
            d,
            c,
            b: p[1].exp() / (c * d),
        }
    }

    fn mu(self, slip: f64) -> f64 {
        self.d * (self.c * (self.b * slip).atan()).sin()
    }

    fn slip(self, mu: f64) -> f64 {
        let share = (mu / self.d).clamp(-MOST_GRIP, MOST_GRIP);
        (share.asin() / self.c).tan() / self.b
    }
}

/// What the model leaves over of a run's samples, m/s²; `None` where a sample is not used.
fn residuals(run: &[Sample], p: &Vector, swing: Swing) -> Vec<Option<f64>> {
    let curve = Curve::of(p);
    let (k, e, offset) = (p[3].exp(), p[4], p[5]);
    let mut lagged: Option<f64> = None;
    run.iter()
        .map(|s| {
            let front = FRONT_MPS2 - MOVED * s.accel_mps2;
            let rear = REAR_MPS2 + MOVED * s.accel_mps2;
            let (sine, cosine) = s.turn_rad.sin_cos();
            let swung = 1.0 + swing[0] * sine + swing[1] * cosine;
            let carried = k * s.bar * (1.0 + e * (-s.sliding_mps / FADE_MPS).exp()) * swung;
            let driven = s.accel_mps2 - offset;
            let taken = driven * rear / (front + rear);
            let creep = match s.used {
                Use::Sticks => curve.slip(taken / rear),
                _ => s.slip_ratio + curve.slip(carried.min(driven.max(0.0)) / rear),
            };
            let share = 1.0 - (-s.speed_mps * s.step_s / RELAXATION_M).exp();
            let now = match lagged {
                Some(before) => before + share * (creep - before),
                None => creep,
            };
            lagged = Some(now);
            match s.used {
                Use::Slips => Some(driven - front * curve.mu(now) - carried),
                Use::Sticks => Some((taken - carried).max(0.0)),
                Use::Passed => None,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests;
