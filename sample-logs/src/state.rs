//! The state vector: every quantity that the simulator integrates, by name and unit. One list
//! makes the type, its arithmetic and the columns of the truth table.

/// What the integrator needs of a state: adding a rate over a time.
pub trait Vector: Copy {
    /// `self + step * rate`.
    #[must_use]
    fn plus(&self, rate: &Self, step: f64) -> Self;
    /// Calls `column` with every name and unit, in order.
    fn columns(prefix: &str, column: &mut dyn FnMut(String, &'static str), unit: &'static str);
    /// Appends every value, in the order of the columns.
    fn push_values(&self, values: &mut Vec<f64>);
}

impl Vector for f64 {
    fn plus(&self, rate: &Self, step: f64) -> Self {
        self + step * rate
    }
    fn columns(prefix: &str, column: &mut dyn FnMut(String, &'static str), unit: &'static str) {
        column(prefix.to_owned(), unit);
    }
    fn push_values(&self, values: &mut Vec<f64>) {
        values.push(*self);
    }
}

/// Names of the wheels in every array of four: front left, front right, rear left, rear right.
pub const WHEEL_NAMES: [&str; 4] = ["front_left", "front_right", "rear_left", "rear_right"];

impl<T: Vector> Vector for [T; 4] {
    fn plus(&self, rate: &Self, step: f64) -> Self {
        std::array::from_fn(|i| self[i].plus(&rate[i], step))
    }
    fn columns(prefix: &str, column: &mut dyn FnMut(String, &'static str), unit: &'static str) {
        for name in WHEEL_NAMES {
            T::columns(&format!("{prefix}.{name}"), column, unit);
        }
    }
    fn push_values(&self, values: &mut Vec<f64>) {
        for wheel in self {
            wheel.push_values(values);
        }
    }
}

macro_rules! vector {
    ($(#[$doc:meta])* $name:ident { $($(#[$field_doc:meta])* $field:ident: $type:ty, $unit:literal;)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq)]
        pub struct $name {
            $($(#[$field_doc])* pub $field: $type,)*
        }

        impl Vector for $name {
            #[inline]
            fn plus(&self, rate: &Self, step: f64) -> Self {
                Self { $($field: self.$field.plus(&rate.$field, step),)* }
            }
            fn columns(
                prefix: &str,
                column: &mut dyn FnMut(String, &'static str),
                _unit: &'static str,
            ) {
                $(
                    let name = if prefix.is_empty() {
                        stringify!($field).to_owned()
                    } else {
                        format!("{prefix}.{}", stringify!($field))
                    };
                    <$type as Vector>::columns(&name, column, $unit);
                )*
            }
            fn push_values(&self, values: &mut Vec<f64>) {
                $(self.$field.push_values(values);)*
            }
        }
    };
}

vector! {
    /// Everything that has a rate.
    State {
        /// Crankshaft speed.
        engine_rad_s: f64, "rad/s";
        /// Engine torque at the flywheel.
        engine_torque_nm: f64, "Nm";
        /// Wheel speeds.
        wheel_rad_s: [f64; 4], "rad/s";
        /// Angles that the wheels have turned.
        wheel_rad: [f64; 4], "rad";
        /// Speed of the coupling's input, behind the propeller shaft.
        coupling_input_rad_s: f64, "rad/s";
        /// Twist of the propeller shaft.
        shaft_twist_rad: f64, "rad";
        /// Angle by which the coupling's input has run ahead of its output.
        coupling_turn_rad: f64, "rad";
        /// Speed of the centre of gravity along the car.
        forward_mps: f64, "m/s";
        /// Speed of the centre of gravity to the left.
        sideways_mps: f64, "m/s";
        /// Yaw rate, counter-clockwise from above.
        yaw_rad_s: f64, "rad/s";
        /// Heading.
        heading_rad: f64, "rad";
        /// Distance along the car's own path.
        distance_m: f64, "m";
        /// Forward acceleration that the load transfer follows, lagged by pitch.
        pitch_accel_mps2: f64, "m/s2";
        /// Acceleration to the left that the load transfer follows, lagged by roll.
        roll_accel_mps2: f64, "m/s2";
        /// Longitudinal tyre slip, over the faster of ground and tread speed.
        tyre_slip_long: [f64; 4], "1";
        /// Lateral tyre slip, over the faster of ground and tread speed.
        tyre_slip_lat: [f64; 4], "1";
        /// Presliding of the launch clutch, -1 to 1.
        clutch_presliding: f64, "1";
        /// Presliding of the coupling, -1 to 1.
        coupling_presliding: f64, "1";
        /// Presliding of the brakes, -1 to 1.
        brake_presliding: [f64; 4], "1";
        /// Speed of the pump and its motor.
        pump_rad_s: f64, "rad/s";
        /// Pressure in the piston chamber.
        pressure_bar: f64, "bar";
        /// Temperature of the friction plates.
        plate_c: f64, "degC";
        /// Temperature of the coupling's fluid.
        fluid_c: f64, "degC";
        /// Where the energy went since the drive's start.
        energy: EnergyPaths, "J";
    }
}

vector! {
    /// Work done and heat made on each path. Losses count positive.
    EnergyPaths {
        /// By the engine on the crankshaft.
        engine_j: f64, "J";
        /// By the grade on the car: positive downhill.
        grade_j: f64, "J";
        /// Heat in the launch clutch.
        clutch_j: f64, "J";
        /// Heat in gears and final drives.
        gears_j: f64, "J";
        /// Heat in the propeller shaft's damping.
        shaft_j: f64, "J";
        /// Heat in the coupling.
        coupling_j: f64, "J";
        /// Heat in the brakes.
        brakes_j: f64, "J";
        /// Heat in the contact patches.
        tyres_j: f64, "J";
        /// Rolling resistance.
        rolling_j: f64, "J";
        /// Air drag.
        air_j: f64, "J";
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_match_values() {
        let mut names = Vec::new();
        State::columns("", &mut |name, unit| names.push((name, unit)), "");
        let mut values = Vec::new();
        State::default().push_values(&mut values);
        assert_eq!(names.len(), values.len());
        assert_eq!(names[0].0, "engine_rad_s");
        assert!(names.contains(&("wheel_rad_s.rear_left".to_owned(), "rad/s")));
        assert!(names.contains(&("energy.tyres_j".to_owned(), "J")));
        let mut unique: Vec<_> = names.iter().map(|(name, _)| name).collect();
        unique.sort();
        unique.dedup();
        assert_eq!(unique.len(), names.len());
    }

    #[test]
    fn plus_reaches_every_value() {
        let mut rate = State::default();
        rate.energy.air_j = 4.0;
        rate.brake_presliding[3] = 2.0;
        let moved = State::default().plus(&rate, 0.5);
        assert_eq!(moved.energy.air_j, 2.0);
        assert_eq!(moved.brake_presliding, [0.0, 0.0, 0.0, 1.0]);
    }
}
