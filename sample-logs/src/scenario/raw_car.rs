//! Checks of the car in a scenario file: every number must be one that the equations can take.

use std::ops::Range;

use slipwright_decoders::toml_error::TomlError;

use crate::car::Car;

/// The car, or the first number of it that is wrong, at the line of its key.
pub(super) fn check(text: &str, span: Range<usize>, car: &Car) -> Result<(), TomlError> {
    for (key, value, low, high) in limits(car) {
        if !(low..=high).contains(&value) {
            let message = format!("{key} must be a number of {low} to {high}");
            return Err(TomlError::at(text, at_key(text, &span, key), message));
        }
    }
    let at = |key: &str, message: &str| {
        Err(TomlError::at(
            text,
            at_key(text, &span, key),
            message.to_owned(),
        ))
    };
    let gears = &car.driveline.gear_ratios;
    if gears.is_empty() || gears.len() > 12 || !gears.iter().all(|g| (0.2..=20.0).contains(g)) {
        return at(
            "gear_ratios",
            "gear_ratios must be 1 to 12 numbers of 0.2 to 20",
        );
    }
    let (rpm, nm) = (&car.engine.full_load_rpm, &car.engine.full_load_nm);
    let rising = rpm.windows(2).all(|pair| pair.first() < pair.get(1));
    let positive = rpm.iter().all(|r| (1.0..=20_000.0).contains(r));
    if rpm.is_empty() || !rising || !positive {
        return at(
            "full_load_rpm",
            "full_load_rpm must be rising numbers of 1 to 20000",
        );
    }
    if nm.len() != rpm.len() || !nm.iter().all(|t| (0.0..=2000.0).contains(t)) {
        return at(
            "full_load_nm",
            "full_load_nm must be as many torques, of 0 to 2000",
        );
    }
    if car.coupling.inner_radius_m >= car.coupling.outer_radius_m {
        return at(
            "inner_radius_m",
            "inner_radius_m must be smaller than outer_radius_m",
        );
    }
    if car.body.front_to_centre_m >= car.body.wheelbase_m {
        return at(
            "front_to_centre_m",
            "front_to_centre_m must be smaller than wheelbase_m",
        );
    }
    if car.hydraulics.spring_touch_n <= car.hydraulics.spring_home_n {
        return at(
            "spring_touch_n",
            "spring_touch_n must be larger than spring_home_n",
        );
    }
    if car.hydraulics.viscosity_100_mm2_s >= car.hydraulics.viscosity_40_mm2_s {
        return at(
            "viscosity_100_mm2_s",
            "viscosity_100_mm2_s must be below viscosity_40_mm2_s",
        );
    }
    let h = &car.hydraulics;
    let compliance =
        h.piston_area_m2.powi(2) / h.pack_stiffness_n_per_m + h.oil_volume_m3 / h.bulk_modulus_pa;
    if h.valve_gain_m3_s_pa / compliance > FASTEST_PER_S {
        let message =
            "valve_gain_m3_s_pa is too large for so stiff a pack: make one of them smaller";
        return at("valve_gain_m3_s_pa", message);
    }
    Ok(())
}

/// Fastest rate that the integrator's fixed step takes with room to spare, 1/s: its limit on the
/// negative axis is 2.79 per step.
const FASTEST_PER_S: f64 = 2000.0;

/// The line on which a key is assigned, plain or dotted; the span if there is none.
fn at_key(text: &str, span: &Range<usize>, key: &str) -> Range<usize> {
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        let name = line.split('=').next().unwrap_or_default().trim();
        let last = name.rsplit('.').next().unwrap_or_default().trim();
        if last == key && line.contains('=') && !name.starts_with('#') {
            return start..start;
        }
        start += line.len();
    }
    span.clone()
}

/// Every plain number of the car with its limits. They keep the equations solvable at the fixed
/// step and the car recognisable as one; they are no judgement of what a car should have.
fn limits(car: &Car) -> Vec<(&'static str, f64, f64, f64)> {
    let Car {
        body,
        tyres,
        engine,
        driveline: d,
        coupling: c,
        hydraulics: h,
        control: u,
        ..
    } = car;
    vec![
        ("mass_kg", body.mass_kg, 300.0, 5000.0),
        ("yaw_inertia_kg_m2", body.yaw_inertia_kg_m2, 100.0, 20_000.0),
        ("wheelbase_m", body.wheelbase_m, 1.5, 5.0),
        ("front_to_centre_m", body.front_to_centre_m, 0.3, 4.0),
        ("centre_height_m", body.centre_height_m, 0.1, 1.5),
        ("track_front_m", body.track_front_m, 0.8, 2.5),
        ("track_rear_m", body.track_rear_m, 0.8, 2.5),
        ("drag_area_m2", body.drag_area_m2, 0.0, 3.0),
        ("roll_share_front", body.roll_share_front, 0.0, 1.0),
        ("load_transfer_lag_s", body.load_transfer_lag_s, 0.01, 1.0),
        ("steering_ratio", body.steering_ratio, 8.0, 30.0),
        ("brake_torque_nm", body.brake_torque_nm, 500.0, 20_000.0),
        ("brake_share_front", body.brake_share_front, 0.0, 1.0),
        ("rolling_radius_m", tyres.rolling_radius_m, 0.15, 0.6),
        ("radius_spread", tyres.radius_spread, 0.0, 0.02),
        ("wheel_inertia_kg_m2", tyres.wheel_inertia_kg_m2, 0.2, 5.0),
        ("relaxation_long_m", tyres.relaxation_long_m, 0.1, 2.0),
        ("relaxation_lat_m", tyres.relaxation_lat_m, 0.1, 2.0),
        ("rolling_resistance", tyres.rolling_resistance, 0.0, 0.1),
        ("inertia_kg_m2", engine.inertia_kg_m2, 0.03, 2.0),
        ("idle_rpm", engine.idle_rpm, 300.0, 2000.0),
        ("limit_rpm", engine.limit_rpm, 2000.0, 15_000.0),
        ("drag_nm", engine.drag_nm, 0.0, 200.0),
        ("drag_nm_s", engine.drag_nm_s, 0.0, 1.0),
        ("torque_lag_s", engine.torque_lag_s, 0.005, 2.0),
        ("reverse_ratio", d.reverse_ratio, 0.5, 20.0),
        ("final_drive", d.final_drive, 1.0, 10.0),
        ("front_efficiency", d.front_efficiency, 0.5, 1.0),
        ("rear_efficiency", d.rear_efficiency, 0.5, 1.0),
        ("rear_drive_ratio", d.rear_drive_ratio, 0.5, 6.0),
        ("input_inertia_kg_m2", d.input_inertia_kg_m2, 0.001, 0.2),
        (
            "front_carrier_inertia_kg_m2",
            d.front_carrier_inertia_kg_m2,
            0.0,
            2.0,
        ),
        (
            "coupling_input_inertia_kg_m2",
            d.coupling_input_inertia_kg_m2,
            0.005,
            0.5,
        ),
        (
            "coupling_output_inertia_kg_m2",
            d.coupling_output_inertia_kg_m2,
            0.0,
            0.5,
        ),
        (
            "shaft_stiffness_nm_per_rad",
            d.shaft_stiffness_nm_per_rad,
            200.0,
            20_000.0,
        ),
        ("shaft_damping_nm_s", d.shaft_damping_nm_s, 0.0, 20.0),
        ("clutch_capacity_nm", d.clutch_capacity_nm, 20.0, 2000.0),
        ("clutch_gain_nm_s", d.clutch_gain_nm_s, 0.2, 20.0),
        (
            "friction_surfaces",
            f64::from(c.friction_surfaces),
            1.0,
            60.0,
        ),
        ("outer_radius_m", c.outer_radius_m, 0.02, 0.3),
        ("inner_radius_m", c.inner_radius_m, 0.01, 0.29),
        ("friction_coefficient", c.friction_coefficient, 0.01, 0.6),
        ("static_ratio", c.static_ratio, 0.3, 3.0),
        ("fade_speed_mps", c.fade_speed_mps, 0.01, 5.0),
        ("speed_slope_s_per_m", c.speed_slope_s_per_m, -0.02, 0.1),
        (
            "temperature_slope_per_k",
            c.temperature_slope_per_k,
            -0.005,
            0.005,
        ),
        ("clearance_m", c.clearance_m, 0.000_05, 0.005),
        (
            "plate_capacity_j_per_k",
            c.plate_capacity_j_per_k,
            50.0,
            1e5,
        ),
        (
            "plate_to_fluid_w_per_k",
            c.plate_to_fluid_w_per_k,
            0.1,
            5000.0,
        ),
        (
            "fluid_capacity_j_per_k",
            c.fluid_capacity_j_per_k,
            100.0,
            1e6,
        ),
        ("fluid_to_air_w_per_k", c.fluid_to_air_w_per_k, 0.0, 1000.0),
        ("piston_area_m2", h.piston_area_m2, 0.000_3, 0.02),
        ("spring_home_n", h.spring_home_n, 10.0, 5000.0),
        ("spring_touch_n", h.spring_touch_n, 20.0, 10_000.0),
        ("spring_travel_m", h.spring_travel_m, 0.000_05, 0.01),
        ("max_pressure_bar", h.max_pressure_bar, 2.0, 100.0),
        ("lining_wave_m", h.lining_wave_m, 0.0, 0.002),
        ("lining_wave_n", h.lining_wave_n, 10.0, 10_000.0),
        ("pack_stiffness_n_per_m", h.pack_stiffness_n_per_m, 1e6, 5e8),
        ("oil_volume_m3", h.oil_volume_m3, 2e-6, 2e-4),
        ("bulk_modulus_pa", h.bulk_modulus_pa, 1e8, 3e9),
        ("air_share", h.air_share, 0.0005, 0.3),
        (
            "pump_displacement_m3",
            h.pump_displacement_m3,
            0.02e-6,
            5e-6,
        ),
        ("pump_leakage_m3_s_pa", h.pump_leakage_m3_s_pa, 0.0, 1e-9),
        ("seal_leakage_m3_s_pa", h.seal_leakage_m3_s_pa, 0.0, 1e-9),
        ("line_loss_pa_s_m3", h.line_loss_pa_s_m3, 0.0, 1e10),
        ("motor_resistance_ohm", h.motor_resistance_ohm, 0.02, 10.0),
        ("motor_constant_v_s", h.motor_constant_v_s, 0.002, 0.2),
        ("motor_inertia_kg_m2", h.motor_inertia_kg_m2, 2e-6, 1e-2),
        ("motor_current_limit_a", h.motor_current_limit_a, 1.0, 200.0),
        ("motor_friction_nm", h.motor_friction_nm, 0.0, 1.0),
        ("motor_viscous_nm_s", h.motor_viscous_nm_s, 0.0, 1e-4),
        ("valve_gain_m3_s_pa", h.valve_gain_m3_s_pa, 1e-12, 1e-8),
        (
            "valve_open_m3_s_sqrt_pa",
            h.valve_open_m3_s_sqrt_pa,
            1e-9,
            1e-5,
        ),
        ("valve_lag_s", h.valve_lag_s, 0.001, 0.5),
        ("viscosity_40_mm2_s", h.viscosity_40_mm2_s, 3.0, 1000.0),
        ("viscosity_100_mm2_s", h.viscosity_100_mm2_s, 1.5, 100.0),
        ("pedal_on_percent", u.pedal_on_percent, 5.0, 95.0),
        ("pedal_on_slope", u.pedal_on_slope, 0.0, 5.0),
        ("pedal_off_percent", u.pedal_off_percent, 0.0, 90.0),
        ("demand_base_percent", u.demand_base_percent, 1.0, 100.0),
        ("demand_per_pedal", u.demand_per_pedal, 0.0, 10.0),
        ("demand_per_slip", u.demand_per_slip, 0.0, 500.0),
        ("slip_on_mps", u.slip_on_mps, 0.0, 20.0),
        ("slip_share_percent", u.slip_share_percent, 0.0, 100.0),
        ("rise_percent_per_s", u.rise_percent_per_s, 10.0, 1e5),
        ("decay_percent_per_s", u.decay_percent_per_s, 0.0, 1000.0),
        ("fall_percent_per_s", u.fall_percent_per_s, 10.0, 1e5),
        ("tight_steering_deg", u.tight_steering_deg, 0.0, 1000.0),
        ("tight_speed_mps", u.tight_speed_mps, 0.0, 50.0),
        ("hot_plate_c", u.hot_plate_c, 40.0, 500.0),
        ("hold_share", u.hold_share, 0.05, 1.0),
        ("hold_ramp_s", u.hold_ramp_s, 0.02, 60.0),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_training_car_is_within_its_own_limits() {
        assert_eq!(check("", 0..0, &Car::default()), Ok(()));
    }
}
