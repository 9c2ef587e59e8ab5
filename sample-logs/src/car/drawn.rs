//! A car drawn from a seed: other masses, ratios and another coupling than the training car's.
//!
//! The coupling is drawn by what it must do, and sized from that as a designer would: capacity from
//! the load on the rear axle, piston area from the highest pressure, pump from the time in which it
//! fills the clearance. The rest follows in proportion, so that every drawn car is a sound one.

use super::{Car, CouplingParameters, HydraulicParameters};
use crate::body::GRAVITY_MPS2;
use crate::friction::effective_radius_m;
use crate::hydraulics::PA_PER_BAR;
use crate::random::{Purpose, Stream};

impl Car {
    /// The car of this seed. Its tyres' own radii, sensor offsets and tooth rings are drawn where
    /// the training car's are, from the scenario's seed of the car.
    #[must_use]
    pub fn drawn(seed: u64) -> Self {
        let mut random = Stream::new(seed, usize::from(u16::MAX), Purpose::Build);
        let usual = Self::default();
        let mut car = usual.clone();
        car.name = format!("unknown car {seed}");
        chassis(&mut car, &mut random);
        let mass = car.body.mass_kg / usual.body.mass_kg;
        let radius = car.tyres.rolling_radius_m / usual.tyres.rolling_radius_m;
        driveline(&mut car, mass * radius, &mut random);
        coupling(&mut car, &usual, &mut random);
        control(&mut car, &mut random);
        car
    }
}

fn chassis(car: &mut Car, random: &mut Stream) {
    let body = &mut car.body;
    let usual_mass_kg = body.mass_kg;
    let usual_wheelbase_m = body.wheelbase_m;
    body.mass_kg = random.between(1250.0, 2250.0);
    body.wheelbase_m = random.between(2.50, 2.95);
    let (mass, wheelbase) = (
        body.mass_kg / usual_mass_kg,
        body.wheelbase_m / usual_wheelbase_m,
    );
    body.front_to_centre_m = body.wheelbase_m * random.between(0.40, 0.46);
    body.yaw_inertia_kg_m2 *= mass * wheelbase * wheelbase * random.between(0.92, 1.08);
    body.centre_height_m = random.between(0.50, 0.68);
    body.track_front_m = random.between(1.46, 1.66);
    body.track_rear_m = body.track_front_m + random.between(-0.03, 0.03);
    body.drag_area_m2 = random.between(0.60, 0.95);
    body.roll_share_front = random.between(0.50, 0.60);
    body.steering_ratio = random.between(13.5, 17.5);
    car.tyres.rolling_radius_m = random.between(0.295, 0.365);
    let radius = car.tyres.rolling_radius_m / 0.312;
    body.brake_torque_nm *= mass * radius;
    car.tyres.wheel_inertia_kg_m2 *= radius * radius * random.between(0.9, 1.2);
    car.tyres.rolling_resistance = random.between(0.009, 0.014);
}

/// `load` is mass times rolling radius over the training car's: what wheel torque must grow by.
fn driveline(car: &mut Car, load: f64, random: &mut Stream) {
    let strength = load * random.between(0.85, 1.2);
    for torque in &mut car.engine.full_load_nm {
        *torque *= strength;
    }
    car.engine.inertia_kg_m2 *= strength * random.between(0.85, 1.15);
    car.engine.drag_nm *= strength;
    car.engine.drag_nm_s *= strength;
    car.engine.torque_lag_s = random.between(0.06, 0.14);
    let d = &mut car.driveline;
    d.clutch_capacity_nm *= strength;
    d.clutch_gain_nm_s *= strength;
    for ratio in &mut d.gear_ratios {
        *ratio *= random.between(0.96, 1.04);
    }
    d.final_drive = random.between(3.5, 4.2);
    d.front_efficiency = random.between(0.93, 0.96);
    let usual = d.rear_drive_ratio;
    d.rear_drive_ratio = random.between(2.1, 3.1);
    // The same stiffness as felt at the wheels.
    let slower = usual / d.rear_drive_ratio;
    let felt = load * (slower * slower);
    d.shaft_stiffness_nm_per_rad *= felt;
    d.shaft_damping_nm_s *= felt;
}

fn coupling(car: &mut Car, usual: &Car, random: &mut Stream) {
    let c = &mut car.coupling;
    c.friction_surfaces = random.pick(&[8, 10, 12, 14, 16]);
    c.outer_radius_m = random.between(0.058, 0.080);
    c.inner_radius_m = c.outer_radius_m * random.between(0.78, 0.86);
    c.friction_coefficient = random.between(0.105, 0.140);
    c.static_ratio = random.between(0.90, 0.97);
    c.clearance_m = random.between(0.000_45, 0.000_85);

    // Slip torque of the rear axle on a dry road, as the coupling feels it.
    let (body, d) = (&car.body, &car.driveline);
    let rear_n = body.mass_kg * GRAVITY_MPS2 * body.front_to_centre_m / body.wheelbase_m;
    let rear_nm = rear_n * car.tyres.rolling_radius_m / d.rear_drive_ratio;
    let capacity_nm = rear_nm * random.between(0.75, 1.05);
    let c = &car.coupling;
    let pack_n =
        capacity_nm / (f64::from(c.friction_surfaces) * c.friction_coefficient * radius(c));

    let h = &mut car.hydraulics;
    let u = &usual.hydraulics;
    let max_pressure_bar = random.between(18.0, 38.0);
    // Closing force is what the piston's spring takes of the whole, as in the training car.
    let spring_share = u.spring_touch_n / (u.max_pressure_bar * PA_PER_BAR * u.piston_area_m2);
    let force_n = pack_n / (1.0 - spring_share);
    let area_m2 = force_n / (max_pressure_bar * PA_PER_BAR);
    let force = area_m2 * max_pressure_bar / (u.piston_area_m2 * u.max_pressure_bar);
    let pressure = max_pressure_bar / u.max_pressure_bar;
    let clearance = c.clearance_m / usual.coupling.clearance_m;
    let quickness = random.between(0.75, 1.35);
    let volume = area_m2 / u.piston_area_m2 * clearance;
    let flow = volume * quickness;
    scale(h, u, force, pressure, flow, clearance);
    h.piston_area_m2 = area_m2;
    h.max_pressure_bar = max_pressure_bar;
    h.spring_travel_m = u.spring_travel_m * clearance;
    h.oil_volume_m3 = u.oil_volume_m3 * volume;
    h.viscosity_40_mm2_s = random.between(24.0, 42.0);
    h.viscosity_100_mm2_s = h.viscosity_40_mm2_s / random.between(4.2, 5.0);

    let wider = c.outer_radius_m / usual.coupling.outer_radius_m;
    let more = f64::from(c.friction_surfaces) / f64::from(usual.coupling.friction_surfaces);
    let heat = more * (wider * wider);
    let c = &mut car.coupling;
    c.plate_capacity_j_per_k *= heat;
    c.plate_to_fluid_w_per_k *= heat;
}

fn radius(c: &CouplingParameters) -> f64 {
    effective_radius_m(c.outer_radius_m, c.inner_radius_m)
}

/// Forces, pressures and flows in proportion: springs and lining with the force, motor with the
/// hydraulic power, valves and leaks with flow over pressure.
fn scale(
    h: &mut HydraulicParameters,
    u: &HydraulicParameters,
    force: f64,
    pressure: f64,
    flow: f64,
    clearance: f64,
) {
    h.spring_home_n = u.spring_home_n * force;
    h.spring_touch_n = u.spring_touch_n * force;
    h.lining_wave_n = u.lining_wave_n * force;
    h.lining_wave_m = u.lining_wave_m * clearance;
    h.pack_stiffness_n_per_m = u.pack_stiffness_n_per_m * force / clearance;
    h.pump_displacement_m3 = u.pump_displacement_m3 * flow;
    let conductance = flow / pressure;
    h.pump_leakage_m3_s_pa = u.pump_leakage_m3_s_pa * conductance;
    h.seal_leakage_m3_s_pa = u.seal_leakage_m3_s_pa * conductance;
    h.valve_gain_m3_s_pa = u.valve_gain_m3_s_pa * conductance;
    h.valve_open_m3_s_sqrt_pa = u.valve_open_m3_s_sqrt_pa * flow / pressure.sqrt();
    h.line_loss_pa_s_m3 = u.line_loss_pa_s_m3 / conductance;
    let power = flow * pressure;
    h.motor_resistance_ohm = u.motor_resistance_ohm / power;
    h.motor_current_limit_a = u.motor_current_limit_a * power;
    h.motor_inertia_kg_m2 = u.motor_inertia_kg_m2 * power;
    h.motor_friction_nm = u.motor_friction_nm * power;
    h.motor_viscous_nm_s = u.motor_viscous_nm_s * power;
}

fn control(car: &mut Car, random: &mut Stream) {
    let p = &mut car.control;
    p.pedal_on_percent = random.between(28.0, 38.0);
    p.demand_base_percent = random.between(24.0, 36.0);
    p.demand_per_pedal = random.between(0.45, 0.70);
    p.demand_per_slip = random.between(12.0, 24.0);
    p.slip_on_mps = random.between(0.3, 0.5);
    p.decay_percent_per_s = random.between(3.0, 9.0);
    p.fall_percent_per_s = random.between(150.0, 400.0);
    p.hold_share = random.between(0.40, 0.50);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Torque of the closed coupling at its highest pressure, N·m.
    fn capacity_nm(car: &Car) -> f64 {
        let (c, h) = (&car.coupling, &car.hydraulics);
        let highest_n = h.max_pressure_bar * PA_PER_BAR * h.piston_area_m2;
        let pack_n = highest_n - h.touch_n(c.clearance_m);
        f64::from(c.friction_surfaces) * c.friction_coefficient * radius(c) * pack_n
    }

    #[test]
    fn every_drawn_car_can_drive_its_rear_axle_and_differs_from_the_next() {
        for seed in 0..300 {
            let car = Car::drawn(seed);
            assert_eq!(car, Car::drawn(seed));
            assert_ne!(car, Car::drawn(seed + 1));
            let body = &car.body;
            let rear_n = body.mass_kg * GRAVITY_MPS2 * body.front_to_centre_m / body.wheelbase_m;
            let slip_nm = rear_n * car.tyres.rolling_radius_m / car.driveline.rear_drive_ratio;
            let share = capacity_nm(&car) / slip_nm;
            assert!((0.74..1.06).contains(&share), "{seed}: {share}");
        }
    }
}
