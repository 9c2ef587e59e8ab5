//! The current values of OBD-II service 01: number, length, conversion, unit (SAE J1979).
//!
//! The list holds what helps to judge a driveline, and what an answer must be stepped over by.
//! Units that decoder files do not have stand in the value's name, and the unit is then "".

use crate::role::Role;
use crate::unit::Unit;

/// One parameter (PID) of service 01.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameter {
    /// Its number.
    pub number: u8,
    /// Its values.
    pub values: &'static [Value],
}

/// One value of a parameter: a whole number of bytes, first byte most significant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Value {
    /// Name, for use as a signal's name.
    pub name: &'static str,
    /// What it means, where a role fits.
    pub role: Option<Role>,
    /// Its unit.
    pub unit: Unit,
    /// First byte of the data, counted from 0.
    pub first_byte: usize,
    /// Bytes: 1, 2 or 4.
    pub bytes: usize,
    /// Value = raw · `numerator` / `denominator` + `offset`. Two numbers, because the standard's
    /// 100/255 has no exact decimal form.
    pub numerator: f64,
    /// See `numerator`.
    pub denominator: f64,
    /// See `numerator`.
    pub offset: f64,
}

/// One decoded value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The parameter it is of.
    pub parameter: u8,
    /// The value's name.
    pub name: &'static str,
    /// What it means, where a role fits.
    pub role: Option<Role>,
    /// Unit of `value`.
    pub unit: Unit,
    /// The value in `unit`; finite.
    pub value: f64,
}

impl Parameter {
    /// The parameter of this number, if it is in the list.
    #[must_use]
    pub fn find(number: u8) -> Option<&'static Self> {
        PARAMETERS
            .iter()
            .find(|parameter| parameter.number == number)
    }

    /// Its values in `data`, the bytes after its number; those that lie beyond `data` are left out.
    #[must_use]
    pub fn readings(&self, data: &[u8]) -> Vec<Reading> {
        let reading = |value: &Value| {
            let Value {
                name, role, unit, ..
            } = *value;
            Some(Reading {
                parameter: self.number,
                name,
                role,
                unit,
                value: value.decode(data)?,
            })
        };
        self.values.iter().filter_map(reading).collect()
    }
}

impl Value {
    /// The value in `data`, the bytes after the parameter's number; `None` if they are too few.
    #[must_use]
    pub fn decode(&self, data: &[u8]) -> Option<f64> {
        let bytes = data.get(self.first_byte..)?.get(..self.bytes)?;
        let raw = bytes
            .iter()
            .fold(0_u32, |raw, &byte| raw << 8 | u32::from(byte));
        Some(f64::from(raw) * self.numerator / self.denominator + self.offset)
    }
}

/// Data bytes of a parameter, from 00 to 64 and of the values below; `None` if not known here.
///
/// An answer with several parameters can only be taken apart with it.
#[must_use]
pub fn data_bytes(number: u8) -> Option<usize> {
    Some(match number {
        0x04..=0x0B | 0x0D..=0x0F | 0x11..=0x13 | 0x1C..=0x1E | 0x2C..=0x30 | 0x33 => 1,
        0x45..=0x4C | 0x51 | 0x52 | 0x5A..=0x5C | 0x5F | 0x61 | 0x62 | 0x8E => 1,
        0x02 | 0x03 | 0x0C | 0x10 | 0x14..=0x1B | 0x1F | 0x21..=0x23 | 0x31 | 0x32 => 2,
        0x3C..=0x3F | 0x42..=0x44 | 0x4D | 0x4E | 0x53..=0x59 | 0x5D | 0x5E | 0x63 => 2,
        0x00 | 0x01 | 0x20 | 0x24..=0x2B | 0x34..=0x3B | 0x40 | 0x41 | 0x4F | 0x50 | 0x60 => 4,
        0x80 | 0xA0 | 0xA6 | 0xC0 | 0xE0 => 4,
        0x64 => 5,
        _ => return None,
    })
}

/// A value of one byte at the start of the data.
const fn byte(
    name: &'static str,
    unit: Unit,
    (numerator, denominator, offset): (f64, f64, f64),
) -> Value {
    Value {
        name,
        role: None,
        unit,
        first_byte: 0,
        bytes: 1,
        numerator,
        denominator,
        offset,
    }
}

/// A value of two bytes at the start of the data.
const fn word(name: &'static str, unit: Unit, conversion: (f64, f64, f64)) -> Value {
    Value {
        bytes: 2,
        ..byte(name, unit, conversion)
    }
}

const fn with_role(role: Role, value: Value) -> Value {
    Value {
        role: Some(role),
        ..value
    }
}

const fn at_byte(first_byte: usize, value: Value) -> Value {
    Value {
        first_byte,
        ..value
    }
}

/// Raw numbers as they are.
const PLAIN: (f64, f64, f64) = (1.0, 1.0, 0.0);
/// 255 is 100 %.
const SHARE: (f64, f64, f64) = (100.0, 255.0, 0.0);
/// 0 is -40 °C.
const TEMPERATURE: (f64, f64, f64) = (1.0, 1.0, -40.0);
/// 0 is -125 %.
const TORQUE_SHARE: (f64, f64, f64) = (1.0, 1.0, -125.0);

macro_rules! parameters {
    ($($number:literal: $($value:expr),+;)*) => {
        /// The parameters whose values are decoded, in the order of their numbers.
        pub const PARAMETERS: &[Parameter] =
            &[$(Parameter { number: $number, values: &[$($value),+] }),*];
    };
}

parameters! {
    0x04: byte("calculated_load", Unit::Percent, SHARE);
    0x05: byte("coolant_temperature", Unit::DegreeCelsius, TEMPERATURE);
    0x0B: byte("intake_manifold_pressure", Unit::Kilopascal, PLAIN);
    0x0C: with_role(Role::EngineSpeed, word("engine_speed", Unit::RevolutionPerMinute, (1.0, 4.0, 0.0)));
    0x0D: byte("vehicle_speed", Unit::KilometrePerHour, PLAIN);
    0x0E: byte("timing_advance", Unit::Degree, (1.0, 2.0, -64.0));
    0x0F: byte("intake_air_temperature", Unit::DegreeCelsius, TEMPERATURE);
    0x10: word("air_mass_flow_g_per_s", Unit::Bare, (1.0, 100.0, 0.0));
    0x11: byte("throttle_position", Unit::Percent, SHARE);
    0x1F: word("engine_run_time_s", Unit::Bare, PLAIN);
    0x21: word("distance_with_warning_lamp_km", Unit::Bare, PLAIN);
    0x2F: byte("fuel_level", Unit::Percent, SHARE);
    0x31: word("distance_since_codes_cleared_km", Unit::Bare, PLAIN);
    0x33: byte("barometric_pressure", Unit::Kilopascal, PLAIN);
    0x42: with_role(Role::SupplyVoltage, word("module_voltage", Unit::Volt, (1.0, 1000.0, 0.0)));
    0x43: word("absolute_load", Unit::Percent, SHARE);
    0x45: byte("relative_throttle_position", Unit::Percent, SHARE);
    0x46: with_role(Role::AmbientTemperature, byte("ambient_air_temperature", Unit::DegreeCelsius, TEMPERATURE));
    0x47: byte("throttle_position_b", Unit::Percent, SHARE);
    0x48: byte("throttle_position_c", Unit::Percent, SHARE);
    0x49: with_role(Role::PedalAccelerator, byte("accelerator_pedal_d", Unit::Percent, SHARE));
    0x4A: byte("accelerator_pedal_e", Unit::Percent, SHARE);
    0x4B: byte("accelerator_pedal_f", Unit::Percent, SHARE);
    0x4C: byte("commanded_throttle", Unit::Percent, SHARE);
    0x4D: word("time_with_warning_lamp_min", Unit::Bare, PLAIN);
    0x4E: word("time_since_codes_cleared_min", Unit::Bare, PLAIN);
    0x5A: with_role(Role::PedalAccelerator, byte("relative_accelerator_pedal", Unit::Percent, SHARE));
    0x5C: byte("engine_oil_temperature", Unit::DegreeCelsius, TEMPERATURE);
    0x5D: word("fuel_injection_timing", Unit::Degree, (1.0, 128.0, -210.0));
    0x5E: word("engine_fuel_rate_l_per_h", Unit::Bare, (1.0, 20.0, 0.0));
    0x61: byte("demanded_engine_torque", Unit::Percent, TORQUE_SHARE);
    0x62: byte("actual_engine_torque", Unit::Percent, TORQUE_SHARE);
    0x63: word("engine_reference_torque", Unit::NewtonMetre, PLAIN);
    0x64:
        byte("engine_torque_idle", Unit::Percent, TORQUE_SHARE),
        at_byte(1, byte("engine_torque_point_1", Unit::Percent, TORQUE_SHARE)),
        at_byte(2, byte("engine_torque_point_2", Unit::Percent, TORQUE_SHARE)),
        at_byte(3, byte("engine_torque_point_3", Unit::Percent, TORQUE_SHARE)),
        at_byte(4, byte("engine_torque_point_4", Unit::Percent, TORQUE_SHARE));
    0x8E: byte("engine_friction_torque", Unit::Percent, TORQUE_SHARE);
    0xA6: Value { bytes: 4, ..byte("odometer_km", Unit::Bare, (1.0, 10.0, 0.0)) };
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(number: u8, data: &[u8], expected: &[f64]) {
        let readings = Parameter::find(number).unwrap().readings(data);
        let values: Vec<f64> = readings.iter().map(|reading| reading.value).collect();
        assert_eq!(values.len(), expected.len(), "{number:02X}");
        for (value, expected) in values.iter().zip(expected) {
            assert!(
                (value - expected).abs() < 5e-5,
                "{number:02X}: {value}, not {expected}"
            );
        }
    }

    /// Conversions of SAE J1979, service 01, as published tables of its parameters state them;
    /// the odometer's bytes are a published example (42 000.0 km).
    #[test]
    fn byte_examples() {
        check(0x04, &[0x7B], &[48.2353]);
        for temperature in [0x05, 0x0F, 0x46, 0x5C] {
            check(temperature, &[0x5A], &[50.0]);
        }
        check(0x0C, &[0x1A, 0xF8], &[1726.0]);
        check(0x0D, &[0x32], &[50.0]);
        check(0x10, &[0x01, 0xF4], &[5.0]);
        for share in [0x11, 0x45, 0x47, 0x48, 0x49, 0x4A, 0x4B, 0x4C, 0x5A] {
            check(share, &[0x80], &[50.1961]);
        }
        check(0x42, &[0x36, 0xB0], &[14.0]);
        check(0x43, &[0x00, 0xFF], &[100.0]);
        check(0x43, &[0xFF, 0xFF], &[25700.0]);
        check(0x5D, &[0x69, 0x00], &[0.0]);
        check(0x5D, &[0x69, 0x80], &[1.0]);
        check(0x5E, &[0x01, 0x2C], &[15.0]);
        check(0x61, &[0xAF], &[50.0]);
        check(0x62, &[0xAF], &[50.0]);
        check(0x62, &[0x00], &[-125.0]);
        check(0x63, &[0x01, 0x5E], &[350.0]);
        check(
            0x64,
            &[0x7D, 0x82, 0xAF, 0xFF, 0x00],
            &[0.0, 5.0, 50.0, 130.0, -125.0],
        );
        check(0x8E, &[0x87], &[10.0]);
        check(0xA6, &[0x00, 0x06, 0x68, 0xA0], &[42000.0]);
    }

    /// From memory: SAE J1979, service 01.
    #[test]
    fn byte_examples_from_memory() {
        check(0x0B, &[0x64], &[100.0]);
        check(0x0E, &[0x80], &[0.0]);
        check(0x1F, &[0x01, 0x00], &[256.0]);
        check(0x21, &[0x01, 0x00], &[256.0]);
        check(0x2F, &[0xFF], &[100.0]);
        check(0x31, &[0x01, 0x00], &[256.0]);
        check(0x33, &[0x65], &[101.0]);
        check(0x4D, &[0x01, 0x00], &[256.0]);
        check(0x4E, &[0x01, 0x00], &[256.0]);
    }

    #[test]
    fn the_list_is_sound() {
        assert!(PARAMETERS.is_sorted_by_key(|parameter| parameter.number));
        let mut names = std::collections::HashSet::new();
        for parameter in PARAMETERS {
            let length = data_bytes(parameter.number).unwrap();
            let values = parameter.values;
            assert_eq!(parameter.readings(&vec![0; length]).len(), values.len());
            let used: usize = values.iter().map(|value| value.bytes).sum();
            assert_eq!(
                used, length,
                "{:02X}: every byte is used once",
                parameter.number
            );
            assert!(parameter.readings(&vec![0; length - 1]).len() < values.len());
            for value in values {
                assert!(names.insert(value.name), "{} twice", value.name);
                assert!(value.role.is_none_or(|role| role.accepts(value.unit)));
            }
        }
    }
}
