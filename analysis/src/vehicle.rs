//! What is known of the car: the vehicle file (TOML), with every key optional but `name` and
//! `decoder`. Whatever needs a missing key reports it as missing by name.

mod doubtful;
mod required;

use serde::Deserialize;
use slipwright_decoders::toml_error::TomlError;

/// A vehicle file.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Vehicle {
    /// What the owner calls the car.
    pub name: String,
    /// Path of its decoder file, relative to the vehicle file.
    pub decoder: String,
    /// Distances between the wheels.
    #[serde(default)]
    pub geometry: Geometry,
    /// Tyres.
    #[serde(default)]
    pub tyres: Tyres,
    /// Mass.
    #[serde(default)]
    pub mass: Mass,
    /// Gears and drives.
    #[serde(default)]
    pub driveline: Driveline,
    /// The clutch coupling.
    #[serde(default)]
    pub coupling: Coupling,
}

/// Distances between the wheels.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Geometry {
    /// Front to rear axle, m.
    pub wheelbase_m: Option<f64>,
    /// Between the front wheels' centre planes, m.
    pub track_front_m: Option<f64>,
    /// Between the rear wheels' centre planes, m.
    pub track_rear_m: Option<f64>,
}

/// Tyres.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tyres {
    /// Effective rolling radius, m.
    pub rolling_radius_m: Option<f64>,
}

/// Mass.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mass {
    /// Car with driver as tested, kg.
    pub kg: Option<f64>,
    /// Share of it on the rear axle, standing on level ground.
    pub rear_share: Option<f64>,
    /// Height of the centre of gravity, m.
    pub centre_height_m: Option<f64>,
}

/// Gears and drives.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Driveline {
    /// Engine over gearbox output, first gear first.
    pub gear_ratios: Option<Vec<f64>>,
    /// Gearbox output over front wheels.
    pub final_drive: Option<f64>,
    /// Coupling shaft over rear wheels.
    pub rear_drive_ratio: Option<f64>,
    /// Share of the engine's power that reaches the wheels, 0 to 1.
    pub efficiency: Option<f64>,
}

/// How pressure spreads over the lining.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PressureLaw {
    /// The same everywhere, as on a new lining.
    UniformPressure,
    /// Inverse to the radius, as on a bedded-in lining.
    UniformWear,
}

/// The clutch coupling.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coupling {
    /// Number of friction surfaces.
    pub friction_surfaces: Option<u32>,
    /// Outer radius of the lining, m.
    pub outer_radius_m: Option<f64>,
    /// Inner radius of the lining, m.
    pub inner_radius_m: Option<f64>,
    /// Which pressure law the effective radius follows.
    pub pressure_law: Option<PressureLaw>,
    /// Piston area, m².
    pub piston_area_m2: Option<f64>,
    /// Force of the return spring at the touch point, N.
    pub return_force_n: Option<f64>,
    /// Friction coefficient of the lining in its fluid.
    pub friction_coefficient: Option<f64>,
    /// Highest working pressure, bar.
    pub max_pressure_bar: Option<f64>,
    /// Piston travel until the pack closes, m.
    pub clearance_m: Option<f64>,
    /// Pump flow, m³/s.
    pub pump_flow_m3_s: Option<f64>,
    /// Dead time of this car when healthy, ms.
    pub nominal_dead_time_ms: Option<f64>,
    /// Rise time of this car when healthy, ms.
    pub nominal_rise_time_ms: Option<f64>,
}

impl Vehicle {
    /// Reads a vehicle file's text.
    ///
    /// # Errors
    /// [`TomlError`] with the line: not TOML, an unknown key, a value of the wrong type, or a
    /// length, ratio, area or force that is not positive and finite.
    pub fn parse(text: &str) -> Result<Self, TomlError> {
        let vehicle: Self =
            toml::from_str(text).map_err(|error| TomlError::from_reader(text, &error))?;
        vehicle.check(text)?;
        Ok(vehicle)
    }

    fn check(&self, text: &str) -> Result<(), TomlError> {
        let Self {
            geometry: g,
            tyres,
            mass,
            driveline: d,
            coupling: c,
            ..
        } = self;
        let positive = [
            ("wheelbase_m", g.wheelbase_m),
            ("track_front_m", g.track_front_m),
            ("track_rear_m", g.track_rear_m),
            ("rolling_radius_m", tyres.rolling_radius_m),
            ("kg", mass.kg),
            ("rear_share", mass.rear_share),
            ("centre_height_m", mass.centre_height_m),
            ("final_drive", d.final_drive),
            ("rear_drive_ratio", d.rear_drive_ratio),
            ("efficiency", d.efficiency),
            ("outer_radius_m", c.outer_radius_m),
            ("inner_radius_m", c.inner_radius_m),
            ("piston_area_m2", c.piston_area_m2),
            ("friction_coefficient", c.friction_coefficient),
            ("max_pressure_bar", c.max_pressure_bar),
            ("clearance_m", c.clearance_m),
            ("pump_flow_m3_s", c.pump_flow_m3_s),
            ("nominal_dead_time_ms", c.nominal_dead_time_ms),
            ("nominal_rise_time_ms", c.nominal_rise_time_ms),
        ];
        for (key, value) in positive {
            if value.is_some_and(|v| !(v.is_finite() && v > 0.0)) {
                return Err(at_key(text, key, format!("{key} must be a number above 0")));
            }
        }
        if c.return_force_n
            .is_some_and(|v| !(v.is_finite() && v >= 0.0))
        {
            return Err(at_key(
                text,
                "return_force_n",
                "return_force_n must be a number of 0 or more",
            ));
        }
        if d.efficiency.is_some_and(|v| v > 1.0) {
            return Err(at_key(
                text,
                "efficiency",
                "efficiency must be above 0 and at most 1",
            ));
        }
        if mass.rear_share.is_some_and(|v| v >= 1.0) {
            return Err(at_key(
                text,
                "rear_share",
                "rear_share must be above 0 and below 1",
            ));
        }
        if c.friction_surfaces == Some(0) {
            return Err(at_key(
                text,
                "friction_surfaces",
                "friction_surfaces must be 1 or more",
            ));
        }
        if let (Some(outer), Some(inner)) = (c.outer_radius_m, c.inner_radius_m)
            && inner >= outer
        {
            return Err(at_key(
                text,
                "inner_radius_m",
                "inner_radius_m must be smaller than outer_radius_m",
            ));
        }
        if let Some(ratios) = &d.gear_ratios {
            if ratios.is_empty() {
                return Err(at_key(
                    text,
                    "gear_ratios",
                    "gear_ratios must list at least one ratio",
                ));
            }
            if ratios.iter().any(|r| !(r.is_finite() && *r > 0.0)) {
                return Err(at_key(
                    text,
                    "gear_ratios",
                    "every gear ratio must be a number above 0",
                ));
            }
        }
        Ok(())
    }
}

/// The error at the line on which `key` is assigned.
fn at_key(text: &str, key: &str, message: impl Into<String>) -> TomlError {
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        let assigned = line
            .trim_start()
            .strip_prefix(key)
            .is_some_and(|rest| rest.trim_start().starts_with('='));
        if assigned {
            return TomlError::at(text, start..start, message);
        }
        start += line.len();
    }
    TomlError::whole(message)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SMALL: &str = "name = \"car\"\ndecoder = \"d.toml\"\n";

    fn check_refused(extra: &str, line: usize, part: &str) {
        let error = Vehicle::parse(&format!("{SMALL}{extra}")).unwrap_err();
        assert_eq!(error.line, Some(line), "{error}");
        assert!(error.message.contains(part), "{error}");
    }

    #[test]
    fn everything_but_name_and_decoder_may_be_absent() {
        let vehicle = Vehicle::parse(SMALL).unwrap();
        assert_eq!(vehicle.geometry.wheelbase_m, None);
    }

    #[test]
    fn mistakes_are_named_with_their_line() {
        check_refused("[geometry]\nwheel_base = 2.6\n", 4, "wheel_base");
        check_refused("[geometry]\nwheelbase_m = -2.6\n", 4, "above 0");
        check_refused("[geometry]\nwheelbase_m = nan\n", 4, "above 0");
        check_refused(
            "[coupling]\n\npressure_law = \"round\"\n",
            5,
            "uniform_pressure",
        );
        check_refused(
            "[coupling]\nouter_radius_m = 0.05\ninner_radius_m = 0.06\n",
            5,
            "smaller",
        );
        check_refused("[driveline]\ngear_ratios = []\n", 4, "at least one");
    }
}
