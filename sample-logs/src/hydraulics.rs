//! Hydraulics of the coupling: motor and pump fill the piston chamber through a line, the piston
//! closes the clearance before pressure can rise, then the lining's compliance takes oil; a
//! pressure valve sets the level and seals leak.
//!
//! States are the pump's speed and the chamber's pressure; the piston's place follows from the
//! pressure, because spring and lining are monotone.
//!
//! Sources of the forms, from memory: continuity with a bulk modulus and trapped air, orifice flow
//! with the square root of pressure, leakage in proportion to pressure over viscosity, H. E.
//! Merritt, "Hydraulic Control Systems", Wiley 1967; direct-current motor by resistance and constant,
//! any text on electric drives, its inductance left out as much faster than the pump; clearance as
//! free travel before the pack's compliance is the dead zone of clutch models (University of Zagreb
//! group on clutch axial dynamics, form only). Workshop ranges for pressures and currents are common
//! practice without a source.

use crate::car::HydraulicParameters;

/// Pascal in one bar.
pub const PA_PER_BAR: f64 = 1e5;
/// Atmospheric pressure, Pa.
const ATMOSPHERE_PA: f64 = 101_325.0;
/// Half width of the force range over which the closing pack passes from spring to lining, N: the
/// plates do not all touch at once.
const TOUCH_WIDTH_N: f64 = 15.0;

/// Viscosity over temperature after Ubbelohde and Walther, as in ASTM D341:
/// `log10 log10(v + 0.7) = A - B log10 T` with v in mm²/s and T in K.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Oil {
    a: f64,
    b: f64,
}

impl Oil {
    /// The oil with these viscosities at 40 and 100 °C, mm²/s.
    #[must_use]
    pub fn new(at_40_mm2_s: f64, at_100_mm2_s: f64) -> Self {
        let log_log = |v: f64| libm::log10(libm::log10(v + 0.7));
        let (w40, w100) = (log_log(at_40_mm2_s), log_log(at_100_mm2_s));
        let (t40, t100) = (libm::log10(313.15), libm::log10(373.15));
        let b = (w40 - w100) / (t100 - t40);
        Self {
            a: w40 + b * t40,
            b,
        }
    }

    /// Kinematic viscosity, mm²/s. Held within -40 to 200 °C.
    #[must_use]
    pub fn viscosity_mm2_s(&self, temperature_c: f64) -> f64 {
        let kelvin = temperature_c.clamp(-40.0, 200.0) + 273.15;
        let log = libm::exp10(self.a - self.b * libm::log10(kelvin));
        libm::exp10(log) - 0.7
    }
}

/// What is true of the hydraulics at this moment beside its states: held over a millisecond.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HydraulicInputs {
    /// Voltage at the motor, V.
    pub motor_v: f64,
    /// Setting of the pressure valve, bar.
    pub valve_bar: f64,
    /// Viscosity, mm²/s.
    pub viscosity_mm2_s: f64,
    /// Piston travel until the pack closes, m.
    pub clearance_m: f64,
    /// Leakage past the piston seal at 1 mm²/s, m³/s per Pa.
    pub seal_leakage_m3_s_pa: f64,
    /// Pump leakage at 1 mm²/s, m³/s per Pa.
    pub pump_leakage_m3_s_pa: f64,
    /// Share of its displacement that the pump delivers; the rest of each turn is worn away or air.
    pub delivery: f64,
    /// Motor resistance, ohm.
    pub motor_resistance_ohm: f64,
    /// Dry friction, N·m.
    pub motor_friction_nm: f64,
    /// Undissolved air at atmospheric pressure, of the oil volume.
    pub air_share: f64,
}

/// What the hydraulics do at one instant.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct HydraulicRate {
    /// Rate of pump speed, rad/s².
    pub pump_rad_s2: f64,
    /// Rate of chamber pressure, bar/s.
    pub pressure_bar_s: f64,
    /// Motor current, A.
    pub current_a: f64,
    /// Flow into the chamber line, m³/s.
    pub flow_m3_s: f64,
    /// Force on the closed pack, N; 0 while the clearance is open.
    pub pack_n: f64,
    /// Piston travel from home, m.
    pub travel_m: f64,
}

/// Rates at pump speed and chamber pressure.
#[must_use]
pub fn rate(
    p: &HydraulicParameters,
    inputs: &HydraulicInputs,
    pump_rad_s: f64,
    pressure_bar: f64,
) -> HydraulicRate {
    let pressure_pa = pressure_bar.max(0.0) * PA_PER_BAR;
    let piston = piston(p, inputs, pressure_pa);

    // Pump: delivery less leakage, against chamber pressure and line loss. The line loss is linear
    // in flow, so flow and pressure at the pump follow in closed form.
    let per_rad = p.pump_displacement_m3 / std::f64::consts::TAU;
    let speed = pump_rad_s.max(0.0);
    let leakage = inputs.pump_leakage_m3_s_pa / inputs.viscosity_mm2_s;
    let line = p.line_loss_pa_s_m3 * inputs.viscosity_mm2_s;
    let ideal = per_rad * speed * inputs.delivery;
    // A check valve behind the pump keeps oil from running back through it.
    let flow_m3_s = ((ideal - leakage * pressure_pa) / (1.0 + leakage * line)).max(0.0);
    let pump_pa = pressure_pa + line * flow_m3_s;

    let k = p.motor_constant_v_s;
    let limit = p.motor_current_limit_a;
    let current_a = ((inputs.motor_v - k * speed) / inputs.motor_resistance_ohm).clamp(-2.0, limit);
    let moving = speed / (speed + 5.0);
    let load_nm = per_rad * pump_pa * moving
        + inputs.motor_friction_nm * moving
        + p.motor_viscous_nm_s * inputs.viscosity_mm2_s * speed;
    let pump_rad_s2 = (k * current_a - load_nm) / p.motor_inertia_kg_m2;

    let above = pressure_pa - inputs.valve_bar.max(0.0) * PA_PER_BAR;
    let valve = if above > 0.0 {
        (p.valve_gain_m3_s_pa * above).min(p.valve_open_m3_s_sqrt_pa * pressure_pa.sqrt())
    } else {
        0.0
    };
    let seal = inputs.seal_leakage_m3_s_pa / inputs.viscosity_mm2_s * pressure_pa;
    let pressure_bar_s = (flow_m3_s - valve - seal) / piston.compliance_m3_pa / PA_PER_BAR;
    HydraulicRate {
        pump_rad_s2: if pump_rad_s <= 0.0 {
            pump_rad_s2.max(0.0)
        } else {
            pump_rad_s2
        },
        pressure_bar_s,
        current_a: current_a.max(0.0),
        flow_m3_s,
        pack_n: piston.pack_n,
        travel_m: piston.travel_m,
    }
}

/// Flow of the sound pump that turns steadily at this voltage against this pressure, m³/s; line loss
/// left out.
#[must_use]
pub fn steady_flow_m3_s(
    p: &HydraulicParameters,
    motor_v: f64,
    pressure_bar: f64,
    viscosity_mm2_s: f64,
) -> f64 {
    let pressure_pa = pressure_bar * PA_PER_BAR;
    let per_rad = p.pump_displacement_m3 / std::f64::consts::TAU;
    let k = p.motor_constant_v_s;
    let stall_nm = k * motor_v / p.motor_resistance_ohm;
    let per_speed = k * k / p.motor_resistance_ohm + p.motor_viscous_nm_s * viscosity_mm2_s;
    let speed = (stall_nm - per_rad * pressure_pa - p.motor_friction_nm) / per_speed;
    let leakage = p.pump_leakage_m3_s_pa / viscosity_mm2_s * pressure_pa;
    (per_rad * speed.max(0.0) - leakage).max(0.0)
}

struct Piston {
    pack_n: f64,
    travel_m: f64,
    /// Oil taken per pressure, m³/Pa.
    compliance_m3_pa: f64,
}

/// 0 below -1, 1 above 1, smooth between.
fn smooth_step(x: f64) -> f64 {
    let t = (0.5 * (x + 1.0)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

impl HydraulicParameters {
    fn spring_rate_n_per_m(&self) -> f64 {
        (self.spring_touch_n - self.spring_home_n) / self.spring_travel_m
    }

    /// Force of the return spring where a pack of this clearance closes, N: a larger one lets it be
    /// pressed further.
    #[must_use]
    pub fn touch_n(&self, clearance_m: f64) -> f64 {
        self.spring_home_n + self.spring_rate_n_per_m() * clearance_m
    }
}

fn piston(p: &HydraulicParameters, inputs: &HydraulicInputs, pressure_pa: f64) -> Piston {
    let area = p.piston_area_m2;
    let force = pressure_pa * area;
    let spring_rate = p.spring_rate_n_per_m();
    let touch_n = p.touch_n(inputs.clearance_m);

    let off_home = smooth_step((force - p.spring_home_n) / TOUCH_WIDTH_N);
    let closed = smooth_step((force - touch_n) / TOUCH_WIDTH_N);
    let pack_n = softplus(force - touch_n, TOUCH_WIDTH_N);

    let wave = libm::exp(-pack_n / p.lining_wave_n);
    let lining_m_per_n = p.lining_wave_m / p.lining_wave_n * wave + 1.0 / p.pack_stiffness_n_per_m;
    let travel_m = ((force - p.spring_home_n) / spring_rate).clamp(0.0, inputs.clearance_m)
        + p.lining_wave_m * (1.0 - wave)
        + pack_n / p.pack_stiffness_n_per_m;
    let soft = area * area / spring_rate * off_home * (1.0 - closed);
    let pack = area * area * lining_m_per_n * closed;

    // Air follows Boyle's law: its volume falls with absolute pressure, its compliance with the
    // square (isothermal, small share).
    let absolute = pressure_pa + ATMOSPHERE_PA;
    let air = inputs.air_share * ATMOSPHERE_PA / (absolute * absolute);
    let oil = p.oil_volume_m3 * (1.0 / p.bulk_modulus_pa + air);
    Piston {
        pack_n,
        travel_m,
        compliance_m3_pa: soft + pack + oil,
    }
}

/// 0 below -width, `x` above width, a parabola between.
fn softplus(x: f64, width: f64) -> f64 {
    if x <= -width {
        0.0
    } else if x >= width {
        x
    } else {
        (x + width) * (x + width) / (4.0 * width)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::integrator;

    /// The construction points must come back, and a light transmission fluid thickens about
    /// tenfold from 40 to -10 °C (common practice, no source).
    #[test]
    fn viscosity_passes_through_its_two_points() {
        let oil = Oil::new(33.0, 7.2);
        assert!((oil.viscosity_mm2_s(40.0) - 33.0).abs() < 1e-9);
        assert!((oil.viscosity_mm2_s(100.0) - 7.2).abs() < 1e-9);
        let cold = oil.viscosity_mm2_s(-10.0);
        assert!((200.0..800.0).contains(&cold), "{cold}");
    }

    fn healthy(p: &HydraulicParameters, temperature_c: f64) -> HydraulicInputs {
        let oil = Oil::new(p.viscosity_40_mm2_s, p.viscosity_100_mm2_s);
        HydraulicInputs {
            motor_v: 12.5,
            valve_bar: 20.0,
            viscosity_mm2_s: oil.viscosity_mm2_s(temperature_c),
            clearance_m: 0.0006,
            seal_leakage_m3_s_pa: p.seal_leakage_m3_s_pa,
            pump_leakage_m3_s_pa: p.pump_leakage_m3_s_pa,
            delivery: 1.0,
            motor_resistance_ohm: p.motor_resistance_ohm,
            motor_friction_nm: p.motor_friction_nm,
            air_share: p.air_share,
        }
    }

    /// Pressure over time from rest, 1 kHz.
    fn rise(p: &HydraulicParameters, inputs: &HydraulicInputs, seconds: f64) -> Vec<f64> {
        let rates = |y: &[f64; 4]| {
            let r = rate(p, inputs, y[0], y[1]);
            [r.pump_rad_s2, r.pressure_bar_s, r.flow_m3_s, 0.0]
        };
        let mut y = [0.0; 4];
        let mut pressure = Vec::new();
        for k in 0..(seconds * 2000.0) as usize {
            if k % 2 == 0 {
                pressure.push(y[1]);
            }
            y = integrator::step(&y, &rates(&y), 5e-4, rates);
        }
        pressure
    }

    fn time_to_ms(pressure: &[f64], level: f64) -> Option<usize> {
        pressure.iter().position(|&bar| bar >= level)
    }

    #[test]
    fn the_clearance_fills_before_pressure_rises() {
        let p = HydraulicParameters::default();
        let inputs = healthy(&p, 60.0);
        let trace = rise(&p, &inputs, 0.6);
        let dead = time_to_ms(&trace, 2.0).unwrap();
        let half = time_to_ms(&trace, 10.0).unwrap();
        // Band of workshop experience: dead time 20 to 60 ms warm, full pressure in 80 to 150 ms
        // (from memory). Ours is a little lazier.
        assert!((50..130).contains(&dead), "{dead}");
        assert!((dead..220).contains(&half), "{half}");
        // The valve lets all of the pump's flow go at a little above its setting.
        assert!(
            (20.0..20.6).contains(trace.last().unwrap()),
            "{:?}",
            trace.last()
        );

        let wide = HydraulicInputs {
            clearance_m: 0.0012,
            ..inputs
        };
        let wide_trace = rise(&p, &wide, 0.6);
        let wide_dead = time_to_ms(&wide_trace, 2.0).unwrap();
        // The extra oil is piston area times extra travel; it takes as long as the pump needs.
        let extra_ms = 1000.0 * 0.0006 * p.piston_area_m2 / 25e-6;
        assert!(
            (wide_dead as f64 - dead as f64 - extra_ms).abs() < 0.3 * extra_ms,
            "{wide_dead} {dead}"
        );
        let span = |t: &[f64]| time_to_ms(t, 18.0).unwrap() - time_to_ms(t, 2.0).unwrap();
        assert!(span(&wide_trace).abs_diff(span(&trace)) <= 5);
    }

    #[test]
    fn the_steady_flow_is_what_the_equations_settle_at() {
        let p = HydraulicParameters::default();
        let inputs = HydraulicInputs {
            motor_v: 5.0,
            ..healthy(&p, 50.0)
        };
        let speed = |pump: f64| rate(&p, &inputs, pump, 20.0);
        // Bisection for the speed that stays.
        let (mut low, mut high) = (0.0, 800.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if speed(middle).pump_rad_s2 > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        let settled = speed(low).flow_m3_s;
        let told = steady_flow_m3_s(&p, 5.0, 20.0, inputs.viscosity_mm2_s);
        assert!((told / settled - 1.0).abs() < 0.05, "{told} {settled}");
    }

    #[test]
    fn a_weak_battery_and_cold_oil_slow_the_rise() {
        let p = HydraulicParameters::default();
        let warm = healthy(&p, 60.0);
        let to_half = |inputs: &HydraulicInputs| time_to_ms(&rise(&p, inputs, 3.0), 10.0);
        let normal = to_half(&warm).unwrap();
        assert!(
            to_half(&HydraulicInputs {
                motor_v: 9.0,
                ..warm
            })
            .unwrap()
                > normal + 10
        );
        let cold = to_half(&healthy(&p, -10.0)).unwrap();
        assert!(cold > normal + 20, "{cold} {normal}");
    }

    #[test]
    fn pressure_never_goes_negative_and_falls_when_the_valve_opens() {
        let p = HydraulicParameters::default();
        let released = HydraulicInputs {
            motor_v: 0.0,
            valve_bar: 0.0,
            ..healthy(&p, 60.0)
        };
        let rates = |y: &[f64; 4]| {
            let r = rate(&p, &released, y[0], y[1]);
            [r.pump_rad_s2, r.pressure_bar_s, 0.0, 0.0]
        };
        let mut y = [600.0, 25.0, 0.0, 0.0];
        let mut low_at = None;
        for k in 0..4000 {
            y = integrator::step(&y, &rates(&y), 5e-4, rates);
            assert!(y[1] > -0.01, "{}", y[1]);
            if low_at.is_none() && y[1] < 2.5 {
                low_at = Some(k / 2);
            }
        }
        // Release within about 60 ms on request of brake control (common practice, no source).
        assert!(low_at.unwrap() < 60, "{low_at:?}");
        assert!(y[1] < 0.1);
    }
}
