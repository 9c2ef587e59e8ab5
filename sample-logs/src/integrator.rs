//! The integrator: classical Runge-Kutta of order four with a fixed step.
//!
//! Nothing in the car is stiff at half a millisecond: friction is a bristle with a presliding
//! spring and a film time (see `friction`), tyre force builds up over a relaxation length (see
//! `tyre`), and the piston's dead volume carries trapped air (see `hydraulics`). A fixed step
//! keeps the bytes the same on every machine.

use crate::state::Vector;

/// One step (E. Hairer, S. P. Nørsett, G. Wanner, "Solving Ordinary Differential Equations I",
/// 2nd ed., Springer 1993, II.1, "the" Runge-Kutta method). `first` is the rate at `state`.
#[must_use]
pub fn step<V: Vector>(state: &V, first: &V, step_s: f64, rates: impl Fn(&V) -> V) -> V {
    let second = rates(&state.plus(first, 0.5 * step_s));
    let third = rates(&state.plus(&second, 0.5 * step_s));
    let fourth = rates(&state.plus(&third, step_s));
    state
        .plus(first, step_s / 6.0)
        .plus(&second, step_s / 3.0)
        .plus(&third, step_s / 3.0)
        .plus(&fourth, step_s / 6.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// y' = -2 t y with y(0) = 1 has y = exp(-t²); time is carried as a second state.
    fn error_at_one(steps: u32) -> f64 {
        let h = 1.0 / f64::from(steps);
        let mut y = [1.0, 0.0, 0.0, 0.0];
        let rates = |y: &[f64; 4]| [-2.0 * y[1] * y[0], 1.0, 0.0, 0.0];
        for _ in 0..steps {
            y = step(&y, &rates(&y), h, rates);
        }
        (y[0] - libm::exp(-1.0)).abs()
    }

    #[test]
    fn error_falls_with_the_fourth_power_of_the_step() {
        let order = libm::log2(error_at_one(16) / error_at_one(32));
        assert!((order - 4.0).abs() < 0.1, "{order}");
    }
}
