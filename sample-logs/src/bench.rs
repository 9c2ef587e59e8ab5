//! A step on the bench: the healthy coupling off the car, closed once with warm oil and a full battery.
//! The vehicle file's nominal times come from it, as a workshop's would.

use crate::car::Car;
use crate::fault::{SUPPLY_V, WARM_C, Worst, parts_at};
use crate::hydraulics::{HydraulicInputs, Oil, rate};
use crate::integrator;

/// Pressure asked for, of the most.
const ASKED_SHARE: f64 = 0.6;

const STEP_S: f64 = 5e-4;
const LONGEST_S: f64 = 1.5;

/// Times of a step, ms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BenchStep {
    /// From the call to 10 % of the pressure reached.
    pub dead_time_ms: f64,
    /// From 10 to 90 % of it.
    pub rise_time_ms: f64,
}

/// Closes the healthy coupling once; `None` if it never gets there.
#[must_use]
pub fn bench_step(car: &Car) -> Option<BenchStep> {
    let h = &car.hydraulics;
    let parts = parts_at(car, &Worst::of(car), &[], 0.0);
    let inputs = HydraulicInputs {
        motor_v: SUPPLY_V,
        valve_bar: ASKED_SHARE * h.max_pressure_bar,
        viscosity_mm2_s: Oil::new(h.viscosity_40_mm2_s, h.viscosity_100_mm2_s)
            .viscosity_mm2_s(WARM_C),
        clearance_m: parts.clearance_m,
        seal_leakage_m3_s_pa: parts.seal_leakage_m3_s_pa,
        pump_leakage_m3_s_pa: h.pump_leakage_m3_s_pa,
        delivery: 1.0,
        motor_resistance_ohm: h.motor_resistance_ohm,
        motor_friction_nm: h.motor_friction_nm,
        air_share: parts.air_share,
    };
    let rates = |y: &[f64; 4]| {
        let r = rate(h, &inputs, y[0], y[1]);
        [r.pump_rad_s2, r.pressure_bar_s, 0.0, 0.0]
    };
    let mut state = [0.0; 4];
    let mut pressure_bar = Vec::new();
    for _ in 0..(LONGEST_S / STEP_S) as usize {
        pressure_bar.push(state[1]);
        state = integrator::step(&state, &rates(&state), STEP_S, rates);
    }
    let reached = *pressure_bar.last()?;
    let at_ms = |share: f64| {
        let k = pressure_bar.iter().position(|&p| p >= share * reached)?;
        Some(1e3 * STEP_S * k as f64)
    };
    let (early, late) = (at_ms(0.1)?, at_ms(0.9)?);
    (reached > 0.5 * inputs.valve_bar).then_some(BenchStep {
        dead_time_ms: early,
        rise_time_ms: late - early,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Band of workshop experience, from memory: dead time 20 to 60 ms warm, full pressure in 80 to
    /// 150 ms; ours is a little lazier.
    #[test]
    fn a_healthy_coupling_closes_in_a_blink() {
        let step = bench_step(&Car::default()).unwrap();
        assert!((40.0..130.0).contains(&step.dead_time_ms), "{step:?}");
        assert!((20.0..150.0).contains(&step.rise_time_ms), "{step:?}");
        for seed in 0..40 {
            assert!(bench_step(&Car::drawn(seed)).is_some(), "{seed}");
        }
    }
}
