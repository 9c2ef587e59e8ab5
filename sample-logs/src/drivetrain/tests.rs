//! Checks of the rates, and the starts that other checks share.

use super::*;
use crate::fault;
use crate::hydraulics::Oil;
use crate::surface::Surface;

/// Inputs of a healthy car at rest with everything open.
pub(crate) fn quiet_inputs(car: &Car) -> Inputs {
    let h = &car.hydraulics;
    let parts = fault::parts_at(car, &fault::Worst::of(car), &[], 0.0);
    Inputs {
        engine_request_nm: 0.0,
        clutch_capacity_nm: 0.0,
        gear_ratio: car.driveline.gear_ratios[0],
        synchroniser_nm: 0.0,
        brake_capacity_nm: [0.0; 4],
        front_wheel_cos_sin: [[1.0, 0.0]; 2],
        grade: 0.0,
        crossfall: 0.0,
        headwind_mps: 0.0,
        contact: [Contact::on(Surface::Dry); 4],
        hydraulics: HydraulicInputs {
            motor_v: 0.0,
            valve_bar: 0.0,
            viscosity_mm2_s: Oil::new(h.viscosity_40_mm2_s, h.viscosity_100_mm2_s)
                .viscosity_mm2_s(50.0),
            clearance_m: parts.clearance_m,
            seal_leakage_m3_s_pa: parts.seal_leakage_m3_s_pa,
            pump_leakage_m3_s_pa: h.pump_leakage_m3_s_pa,
            delivery: 1.0,
            motor_resistance_ohm: h.motor_resistance_ohm,
            motor_friction_nm: h.motor_friction_nm,
            air_share: parts.air_share,
        },
        lining: parts.lining,
        tight_n: 0.0,
        warp_share: 0.0,
        air_c: 15.0,
    }
}

/// A start in which launch clutch, coupling and front tyres all slide one way for a while.
pub(crate) fn sliding_start(car: &Car) -> (Drivetrain, State, Inputs) {
    let radius = car.tyres.rolling_radius_m;
    let drivetrain = Drivetrain::new(car, [radius; 4]);
    let mut inputs = quiet_inputs(car);
    inputs.gear_ratio = car.driveline.gear_ratios[1];
    inputs.clutch_capacity_nm = 150.0;
    inputs.engine_request_nm = 200.0;
    inputs.contact = [Contact::on(Surface::Snow); 4];
    inputs.hydraulics.valve_bar = 12.0;
    inputs.hydraulics.motor_v = 12.0;
    let (v, front) = (8.0, 14.0);
    let slip_rad_s = car.driveline.rear_drive_ratio * (front - v) / radius;
    let c = &car.coupling;
    let sliding = slip_rad_s * effective_radius_m(c.outer_radius_m, c.inner_radius_m);
    let state = State {
        engine_rad_s: 520.0,
        engine_torque_nm: 200.0,
        wheel_rad_s: [front / radius, front / radius, v / radius, v / radius],
        coupling_input_rad_s: car.driveline.rear_drive_ratio * front / radius,
        forward_mps: v,
        tyre_slip_long: [(front - v) / front, (front - v) / front, 0.0, 0.0],
        clutch_presliding: 1.0,
        coupling_presliding: inputs.lining.level(sliding),
        // Wound up by about the torque that the coupling carries.
        shaft_twist_rad: 290.0 / car.driveline.shaft_stiffness_nm_per_rad,
        pump_rad_s: 600.0,
        pressure_bar: 12.4,
        plate_c: 50.0,
        fluid_c: 50.0,
        ..State::default()
    };
    (drivetrain, state, inputs)
}

#[test]
fn a_car_at_rest_stays_at_rest() {
    let car = Car::default();
    let drivetrain = Drivetrain::new(&car, [car.tyres.rolling_radius_m; 4]);
    let still = State {
        plate_c: 15.0,
        fluid_c: 15.0,
        ..State::default()
    };
    let (rates, _) = drivetrain.rates(&still, &quiet_inputs(&car));
    assert_eq!(rates, State::default());
}

/// Equal and opposite: what the coupling takes from the shaft it gives to the pinion, and both
/// wheels of an axle get half of their case's torque.
#[test]
fn torques_balance_at_coupling_and_differentials() {
    let car = Car::default();
    let (drivetrain, state, inputs) = sliding_start(&car);
    let (rates, flows) = drivetrain.rates(&state, &inputs);
    // Definition of coupling torque with the pressure at hand.
    let c = &car.coupling;
    let force = 12.4e5 * car.hydraulics.piston_area_m2 - car.hydraulics.spring_touch_n;
    let radius = effective_radius_m(c.outer_radius_m, c.inner_radius_m);
    let sliding = flows.coupling_slip_rad_s * radius;
    let expected = 12.0 * inputs.lining.at(sliding, 50.0) * radius * force;
    let drag = flows.coupling_nm / expected - 1.0;
    assert!(
        (0.0..0.01).contains(&drag),
        "{} {expected}",
        flows.coupling_nm
    );
    assert_eq!(rates.wheel_rad_s[0], rates.wheel_rad_s[1]);
    let rear = flows.rear_axle_nm / (flows.coupling_nm * car.driveline.rear_drive_ratio);
    assert!((0.9..1.0).contains(&rear), "{rear}");
}

/// Momentum is kept and energy is not: two inertias that stick.
#[test]
fn engaging_a_gear_loses_what_two_sticking_inertias_lose() {
    let car = Car::default();
    let d = &car.driveline;
    let drivetrain = Drivetrain::new(&car, [0.312; 4]);
    let rolling = State {
        wheel_rad_s: [40.0; 4],
        ..State::default()
    };
    let ratio = d.gear_ratios[1];
    let total = ratio * d.final_drive;
    let input_before = 500.0;
    let (after, heat) = drivetrain.engage_gear(&rolling, ratio, input_before);
    let carrier = 2.0 * car.tyres.wheel_inertia_kg_m2 + d.front_carrier_inertia_kg_m2;
    // Seen at the input shaft, the carrier is carrier / total².
    let seen = carrier / (total * total);
    let reduced = seen * d.input_inertia_kg_m2 / (seen + d.input_inertia_kg_m2);
    let expected = 0.5 * reduced * (input_before - total * 40.0).powi(2);
    assert!((heat / expected - 1.0).abs() < 1e-9, "{heat} {expected}");
    assert!(after.wheel_rad_s[0] > 40.0);
}

/// The coupling's own torque path on a published plate: Shigley, "Mechanical Engineering Design",
/// ch. 16 problem, D 250 mm, d 175 mm, mu 0.30, 4 kN, one face, uniform pressure: 128.8 N·m
/// (statement from memory, number computed: 128.8235). Surfaces add up, as in every text.
#[test]
fn the_coupling_carries_what_a_published_plate_does() {
    for surfaces in [1, 6, 12] {
        let mut car = Car::default();
        let (c, h) = (&mut car.coupling, &mut car.hydraulics);
        (c.friction_surfaces, c.outer_radius_m, c.inner_radius_m) = (surfaces, 0.125, 0.0875);
        (c.friction_coefficient, c.static_ratio) = (0.30, 1.0);
        (c.speed_slope_s_per_m, c.temperature_slope_per_k) = (0.0, 0.0);
        let touch_n = h.spring_touch_n;
        let pressure_bar = (4000.0 + touch_n) / h.piston_area_m2 * 1e-5;
        let (drivetrain, mut state, mut inputs) = sliding_start(&car);
        inputs.lining = fault::parts_at(&car, &fault::Worst::of(&car), &[], 0.0).lining;
        state.pressure_bar = pressure_bar;
        // Slow sliding, fully built up: the oil's shear is then a few parts in a hundred thousand.
        state.coupling_input_rad_s = car.driveline.rear_drive_ratio * state.wheel_rad_s[2] + 0.1;
        state.coupling_presliding = 1.0;
        let (_, flows) = drivetrain.rates(&state, &inputs);
        let expected = 128.8235 * f64::from(surfaces);
        let off = flows.coupling_nm / expected - 1.0;
        assert!(
            off.abs() < 1e-3,
            "{surfaces}: {} {expected}",
            flows.coupling_nm
        );
    }
}
