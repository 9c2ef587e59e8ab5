//! Brakes: from the pedal to each wheel's capacity, with anti-lock control. Runs every millisecond.
//!
//! Torque is in proportion to the pedal, shared by a fixed front share. Anti-lock control releases
//! a wheel above a slip threshold and builds up again below it: the simplest form of the slip
//! controllers in R. Limpert, "Brake Design and Safety", 3rd ed., SAE 2011 (from memory); thresholds
//! and rates are our own.

use crate::car::Car;

/// Slip of a braked wheel from which its pressure is let go.
const RELEASE_SLIP: f64 = 0.14;
/// Below this speed a wheel may lock, m/s.
const LEAST_SPEED_MPS: f64 = 1.5;
/// Rates of a wheel's pressure share when let go and when built up again, 1/s.
const FALL_PER_S: f64 = 14.0;
const RISE_PER_S: f64 = 5.0;
/// The control counts as active for this long after a release, s.
const ACTIVE_S: f64 = 0.3;

/// The brakes' memory.
#[derive(Clone, Debug)]
pub struct Brakes {
    share: [f64; 4],
    active_s: f64,
}

impl Brakes {
    /// Brakes with full pressure at every wheel.
    #[must_use]
    pub fn new() -> Self {
        Self {
            share: [1.0; 4],
            active_s: 0.0,
        }
    }

    /// Whether anti-lock control works.
    #[must_use]
    pub fn is_active(&self) -> bool {
        self.active_s > 0.0
    }

    /// Capacities at a pedal of 0 to 1, N·m, given tread speeds and the car's speed, m/s.
    pub fn tick(
        &mut self,
        car: &Car,
        pedal: f64,
        tread_mps: [f64; 4],
        forward_mps: f64,
        step_s: f64,
    ) -> [f64; 4] {
        self.active_s -= step_s;
        let speed = forward_mps.abs();
        for (share, tread) in self.share.iter_mut().zip(tread_mps) {
            let slip = (speed - tread.abs()) / speed.max(LEAST_SPEED_MPS);
            if pedal > 0.02 && speed > LEAST_SPEED_MPS && slip > RELEASE_SLIP {
                *share = (*share - FALL_PER_S * step_s).max(0.05);
                self.active_s = ACTIVE_S;
            } else {
                *share = (*share + RISE_PER_S * step_s).min(1.0);
            }
        }
        let total = car.body.brake_torque_nm * pedal.clamp(0.0, 1.0);
        let front = 0.5 * total * car.body.brake_share_front;
        let rear = 0.5 * total * (1.0 - car.body.brake_share_front);
        let [fl, fr, rl, rr] = self.share;
        [front * fl, front * fr, rear * rl, rear * rr]
    }
}

impl Default for Brakes {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_locking_wheel_is_let_go_and_the_others_are_not() {
        let car = Car::default();
        let mut brakes = Brakes::new();
        let mut capacity = [0.0; 4];
        for _ in 0..50 {
            capacity = brakes.tick(&car, 0.8, [10.0, 5.0, 10.0, 10.0], 10.0, 1e-3);
        }
        assert!(capacity[1] < 0.5 * capacity[0]);
        assert!(brakes.is_active());
        let standing = Brakes::new().tick(&car, 0.5, [0.0; 4], 0.0, 1e-3);
        assert!(standing.iter().all(|&nm| nm > 100.0));
    }
}
