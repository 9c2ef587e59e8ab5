//! How the car moves, as far as it was found: what every other search compares with.

use super::statistics::{slope, smooth};
use super::timeline::Timeline;

/// The motion on the axis.
#[derive(Clone, Debug)]
pub(crate) struct Motion {
    /// m/s.
    pub(crate) speed: Vec<f64>,
    /// m/s^2.
    pub(crate) accel: Vec<f64>,
    /// Turn rate to the left, rad/s; empty if not known.
    pub(crate) yaw: Vec<f64>,
    /// Whether left and right are told apart in it.
    pub(crate) yaw_signed: bool,
}

impl Motion {
    pub(crate) fn of_speed(speed: Vec<f64>, axis: &Timeline) -> Self {
        let speed = smooth(&speed, axis.points(0.3));
        let accel = slope(&smooth(&speed, axis.points(0.4)))
            .iter()
            .map(|s| (s / axis.step_s()).clamp(-15.0, 15.0))
            .collect();
        Self {
            speed,
            accel,
            yaw: Vec::new(),
            yaw_signed: false,
        }
    }

    pub(crate) fn speed(&self, k: usize) -> f64 {
        self.speed.get(k).copied().unwrap_or(0.0)
    }

    pub(crate) fn accel(&self, k: usize) -> f64 {
        self.accel.get(k).copied().unwrap_or(0.0)
    }

    /// Points at which a condition on speed and acceleration holds.
    pub(crate) fn points(&self, holds: impl Fn(f64, f64) -> bool) -> Vec<usize> {
        (0..self.speed.len())
            .filter(|&k| holds(self.speed(k), self.accel(k)))
            .collect()
    }
}
