//! The training car: a front-driven estate car of our own invention whose rear axle is driven on
//! demand. Any number of it can be changed in a scenario file under `[car]`.
//!
//! The values are plausible for a mid-size car; where a value follows a published one, the line
//! says so, and otherwise it is our own choice. The forms that use them name their sources where
//! they stand: [`crate::engine`], [`crate::gearbox`], [`crate::drivetrain`], [`crate::tyre`],
//! [`crate::surface`], [`crate::body`], [`crate::brakes`], [`crate::friction`],
//! [`crate::hydraulics`], [`crate::control_unit`].

mod drawn;

use serde::Deserialize;

macro_rules! parameters {
    ($(#[$doc:meta])* $name:ident {
        $($(#[doc = $field_doc:literal])* $field:ident: $type:ty = $value:expr;)*
    }) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Deserialize)]
        #[serde(default, deny_unknown_fields)]
        pub struct $name {
            $($(#[doc = $field_doc])* pub $field: $type,)*
        }

        impl Default for $name {
            fn default() -> Self {
                Self { $($field: $value,)* }
            }
        }

        #[cfg(test)]
        impl $name {
            /// Key, what it is, and the training car's value, of each parameter.
            pub(crate) const KEYS: &[[&str; 3]] = &[
                $([stringify!($field), concat!($($field_doc),*), stringify!($value)]),*
            ];
        }
    };
}

parameters! {
    /// The whole car.
    Car {
        /// What the vehicle file calls it.
        name: String = "training estate car".to_owned();
        /// Body and chassis.
        body: BodyParameters = BodyParameters::default();
        /// Tyres and wheels.
        tyres: TyreParameters = TyreParameters::default();
        /// Engine.
        engine: EngineParameters = EngineParameters::default();
        /// Gearbox, launch clutch, shafts and final drives.
        driveline: DrivelineParameters = DrivelineParameters::default();
        /// The friction pack of the coupling.
        coupling: CouplingParameters = CouplingParameters::default();
        /// Pump, piston, valve and fluid of the coupling.
        hydraulics: HydraulicParameters = HydraulicParameters::default();
        /// The coupling's control unit.
        control: ControlParameters = ControlParameters::default();
    }
}

parameters! {
    /// Body and chassis.
    BodyParameters {
        /// Car with driver and passenger, kg.
        mass_kg: f64 = 1620.0;
        /// Yaw inertia, kg m².
        yaw_inertia_kg_m2: f64 = 2750.0;
        /// Front to rear axle, m.
        wheelbase_m: f64 = 2.70;
        /// Front axle to centre of gravity, m.
        front_to_centre_m: f64 = 1.15;
        /// Height of the centre of gravity, m.
        centre_height_m: f64 = 0.56;
        /// Between the front wheels' centre planes, m.
        track_front_m: f64 = 1.55;
        /// Between the rear wheels' centre planes, m.
        track_rear_m: f64 = 1.55;
        /// Drag coefficient times frontal area, m².
        drag_area_m2: f64 = 0.68;
        /// Share of the roll moment that the front axle carries.
        roll_share_front: f64 = 0.55;
        /// Time in which the body follows in pitch and roll, s.
        load_transfer_lag_s: f64 = 0.08;
        /// Steering wheel angle over road wheel angle.
        steering_ratio: f64 = 15.5;
        /// Brake torque of all four wheels at full pedal, N·m.
        brake_torque_nm: f64 = 5200.0;
        /// Share of the brake torque at the front.
        brake_share_front: f64 = 0.68;
    }
}

parameters! {
    /// Tyres and wheels.
    TyreParameters {
        /// Effective rolling radius as the maker states it, m.
        rolling_radius_m: f64 = 0.312;
        /// Standard deviation of a wheel's own radius from it, of the radius.
        radius_spread: f64 = 0.0015;
        /// Inertia of one wheel with brake disc and half shaft, kg m².
        wheel_inertia_kg_m2: f64 = 1.15;
        /// Relaxation length along the tyre, m.
        relaxation_long_m: f64 = 0.35;
        /// Relaxation length across the tyre, m.
        relaxation_lat_m: f64 = 0.55;
        /// Rolling resistance over load.
        rolling_resistance: f64 = 0.011;
    }
}

parameters! {
    /// Engine.
    EngineParameters {
        /// Inertia with flywheel, kg m².
        inertia_kg_m2: f64 = 0.16;
        /// Idle speed, rpm.
        idle_rpm: f64 = 850.0;
        /// Fuel cut, rpm.
        limit_rpm: f64 = 6500.0;
        /// Speeds of the full-load curve, rpm.
        full_load_rpm: Vec<f64> = vec![600.0, 1000.0, 1750.0, 4000.0, 5500.0, 6500.0];
        /// Torques of the full-load curve, N·m.
        full_load_nm: Vec<f64> = vec![70.0, 150.0, 250.0, 250.0, 205.0, 150.0];
        /// Drag torque with closed throttle at standstill of the crankshaft, N·m.
        drag_nm: f64 = 14.0;
        /// Drag torque per speed, N·m s/rad.
        drag_nm_s: f64 = 0.055;
        /// First-order lag of torque behind its request, s.
        torque_lag_s: f64 = 0.09;
    }
}

parameters! {
    /// Gearbox, launch clutch, shafts and final drives.
    DrivelineParameters {
        /// Engine over gearbox output, first gear first.
        gear_ratios: Vec<f64> = vec![3.78, 2.12, 1.36, 1.03, 0.84, 0.69];
        /// The same of reverse gear, as a positive number.
        reverse_ratio: f64 = 3.60;
        /// Gearbox output over front wheels.
        final_drive: f64 = 3.86;
        /// Share of power that leaves the gearbox and front final drive.
        front_efficiency: f64 = 0.95;
        /// Share of power that leaves the rear final drive.
        rear_efficiency: f64 = 0.97;
        /// Coupling shaft over rear wheels; the power take-off has the same ratio to the front
        /// differential, so the coupling stands still in between when no tyre slips.
        rear_drive_ratio: f64 = 2.47;
        /// Gearbox input shaft with clutch plate, kg m².
        input_inertia_kg_m2: f64 = 0.012;
        /// Front differential with final drive and power take-off, at the wheels, kg m².
        front_carrier_inertia_kg_m2: f64 = 0.12;
        /// Propeller shaft's rear half and coupling drum, kg m².
        coupling_input_inertia_kg_m2: f64 = 0.032;
        /// Coupling hub and pinion, kg m².
        coupling_output_inertia_kg_m2: f64 = 0.006;
        /// Torsional stiffness from the power take-off to the rear wheels, seen at the propeller
        /// shaft, N·m/rad: shaft with rubber joints, final drive on its mounts, and half shafts are
        /// springs in a row, lumped here.
        shaft_stiffness_nm_per_rad: f64 = 900.0;
        /// Its damping, N·m s/rad.
        shaft_damping_nm_s: f64 = 0.6;
        /// Capacity of the launch clutch, N·m.
        clutch_capacity_nm: f64 = 430.0;
        /// Launch clutch torque per engine speed above its biting speed, N·m s/rad.
        clutch_gain_nm_s: f64 = 2.2;
    }
}

parameters! {
    /// The friction pack of the coupling.
    CouplingParameters {
        /// Number of friction surfaces.
        friction_surfaces: u32 = 12;
        /// Outer radius of the lining, m. Radii are those of the standard pack of SAE J3210.
        outer_radius_m: f64 = 0.073_075;
        /// Inner radius of the lining, m.
        inner_radius_m: f64 = 0.060_275;
        /// Friction coefficient at 60 °C, sliding. SAE J3210 assumes 0.130.
        friction_coefficient: f64 = 0.125;
        /// Static over sliding coefficient: below 1 for a fluid with friction modifier.
        static_ratio: f64 = 0.94;
        /// Sliding speed over which the static part fades, m/s.
        fade_speed_mps: f64 = 0.12;
        /// Rise of the coefficient with sliding speed, s/m.
        speed_slope_s_per_m: f64 = 0.002;
        /// Loss of the coefficient with temperature, 1/K.
        temperature_slope_per_k: f64 = 0.0007;
        /// Piston travel until the pack closes, m.
        clearance_m: f64 = 0.000_60;
        /// Heat capacity of the plates, J/K: 1.6 kg of steel at 470 J/(kg K).
        plate_capacity_j_per_k: f64 = 750.0;
        /// Heat flow from plates to fluid, W/K.
        plate_to_fluid_w_per_k: f64 = 45.0;
        /// Heat capacity of fluid and housing, J/K.
        fluid_capacity_j_per_k: f64 = 3200.0;
        /// Heat flow from housing to the air, W/K.
        fluid_to_air_w_per_k: f64 = 7.0;
    }
}

parameters! {
    /// Pump, piston, valve and fluid of the coupling.
    HydraulicParameters {
        /// Piston area, m².
        piston_area_m2: f64 = 0.002_5;
        /// Force of the return spring with the piston home, N.
        spring_home_n: f64 = 120.0;
        /// Force of the return spring where the pack closes, N.
        spring_touch_n: f64 = 200.0;
        /// Highest working pressure, bar.
        max_pressure_bar: f64 = 30.0;
        /// Travel over which the spring rises from the one force to the other, m.
        spring_travel_m: f64 = 0.000_60;
        /// Travel of the wavy lining until it lies flat, m.
        lining_wave_m: f64 = 0.000_15;
        /// Force over which the wave flattens, N.
        lining_wave_n: f64 = 400.0;
        /// Stiffness of the flattened pack, N/m.
        pack_stiffness_n_per_m: f64 = 1.2e7;
        /// Oil between pump and piston, m³.
        oil_volume_m3: f64 = 12.0e-6;
        /// Bulk modulus of the oil, Pa (from memory: 1.4 to 1.8 GPa for mineral oil).
        bulk_modulus_pa: f64 = 1.4e9;
        /// Undissolved air at atmospheric pressure, of the oil volume.
        air_share: f64 = 0.005;
        /// Pump displacement, m³ per revolution.
        pump_displacement_m3: f64 = 0.25e-6;
        /// Pump leakage per pressure, at 1 mm²/s, m³/s per Pa.
        pump_leakage_m3_s_pa: f64 = 1.0e-11;
        /// Leakage past a sound piston seal, at 1 mm²/s, m³/s per Pa.
        seal_leakage_m3_s_pa: f64 = 0.06e-11;
        /// Pressure lost in the line per flow, at 1 mm²/s, Pa s/m³.
        line_loss_pa_s_m3: f64 = 1.0e8;
        /// Motor resistance with its wiring, ohm.
        motor_resistance_ohm: f64 = 0.25;
        /// Motor constant, V s/rad and N·m/A.
        motor_constant_v_s: f64 = 0.016;
        /// Inertia of motor and pump, kg m².
        motor_inertia_kg_m2: f64 = 1.5e-5;
        /// Current limit of the driver stage, A.
        motor_current_limit_a: f64 = 20.0;
        /// Dry friction of motor and pump, N·m.
        motor_friction_nm: f64 = 0.010;
        /// Viscous friction at 1 mm²/s, N·m s/rad.
        motor_viscous_nm_s: f64 = 8.0e-7;
        /// Flow of the pressure valve per pressure above its setting, m³/s per Pa.
        valve_gain_m3_s_pa: f64 = 6.0e-10;
        /// Flow of the wide open valve, m³/s per square root of Pa.
        valve_open_m3_s_sqrt_pa: f64 = 1.1e-7;
        /// Lag of the valve's setting behind its command, s.
        valve_lag_s: f64 = 0.008;
        /// Kinematic viscosity at 40 °C, mm²/s (from memory, a light transmission fluid).
        viscosity_40_mm2_s: f64 = 33.0;
        /// Kinematic viscosity at 100 °C, mm²/s.
        viscosity_100_mm2_s: f64 = 7.2;
    }
}

parameters! {
    /// The coupling's control unit.
    ControlParameters {
        /// Pedal above which it closes the coupling at rest, per cent.
        pedal_on_percent: f64 = 32.0;
        /// Rise of that threshold with speed, per cent s/m.
        pedal_on_slope: f64 = 0.5;
        /// Pedal below which it opens again, per cent.
        pedal_off_percent: f64 = 8.0;
        /// Demand at the threshold, per cent of the highest pressure.
        demand_base_percent: f64 = 30.0;
        /// Demand per pedal, per cent of pressure per per cent of pedal.
        demand_per_pedal: f64 = 0.55;
        /// Demand per slip, per cent s/m.
        demand_per_slip: f64 = 18.0;
        /// Slip from which it reacts, m/s.
        slip_on_mps: f64 = 0.35;
        /// Most that slip may add, per cent.
        slip_share_percent: f64 = 20.0;
        /// Fastest rise of demand, per cent per second.
        rise_percent_per_s: f64 = 5000.0;
        /// Fall of demand while the pedal stays on, per cent per second.
        decay_percent_per_s: f64 = 6.0;
        /// Fall of demand when the pedal is let go, per cent per second: the torque is led back
        /// before the coupling opens. For brakes, faults and tight turns it opens at once.
        fall_percent_per_s: f64 = 200.0;
        /// Steering wheel angle above which it opens at walking pace, deg.
        tight_steering_deg: f64 = 330.0;
        /// Speed below which that holds, m/s.
        tight_speed_mps: f64 = 3.0;
        /// Plate temperature above which it protects the pack, °C (common practice, no source).
        hot_plate_c: f64 = 150.0;
        /// Voltage share that the motor is held at once pressure stands.
        hold_share: f64 = 0.42;
        /// Time over which it falls to that share, s.
        hold_ramp_s: f64 = 1.5;
    }
}
