//! Units of physical values, and their conversion to the unit the core computes in.
//!
//! The core computes in SI units with two exceptions that the trade reads more easily and that
//! every name states: pressure in bar and temperature in degrees Celsius.

use std::fmt;
use std::str::FromStr;

/// What kind of thing a unit measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// Core unit m/s.
    Speed,
    /// Core unit rad/s.
    AngularSpeed,
    /// Core unit bar.
    Pressure,
    /// Core unit N·m.
    Torque,
    /// Core unit N.
    Force,
    /// Core unit per cent.
    Percent,
    /// Core unit °C.
    Temperature,
    /// Core unit rad.
    Angle,
    /// Core unit m/s².
    Acceleration,
    /// Core unit A.
    Current,
    /// Core unit V.
    Voltage,
    /// A bare number: a state, a count, a gear.
    Bare,
}

impl Quantity {
    /// The unit that the core keeps it in.
    #[must_use]
    pub fn core_unit(self) -> Unit {
        match self {
            Self::Speed => Unit::MetrePerSecond,
            Self::AngularSpeed => Unit::RadianPerSecond,
            Self::Pressure => Unit::Bar,
            Self::Torque => Unit::NewtonMetre,
            Self::Force => Unit::Newton,
            Self::Percent => Unit::Percent,
            Self::Temperature => Unit::DegreeCelsius,
            Self::Angle => Unit::Radian,
            Self::Acceleration => Unit::MetrePerSecondSquared,
            Self::Current => Unit::Ampere,
            Self::Voltage => Unit::Volt,
            Self::Bare => Unit::Bare,
        }
    }
}

macro_rules! units {
    ($($variant:ident $text:literal $quantity:ident $factor:expr, $offset:expr;)*) => {
        /// A unit that a decoder file may name.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum Unit {
            $(#[doc = concat!("`", $text, "`")] $variant,)*
        }

        impl Unit {
            /// Every unit, in the order in which messages list them.
            pub const ALL: &[Self] = &[$(Self::$variant),*];

            /// As written in files.
            #[must_use]
            pub fn text(self) -> &'static str {
                match self { $(Self::$variant => $text),* }
            }

            /// What it measures.
            #[must_use]
            pub fn quantity(self) -> Quantity {
                match self { $(Self::$variant => Quantity::$quantity),* }
            }

            /// `(factor, offset)` with value in the core unit = value · factor + offset.
            #[must_use]
            pub fn to_core(self) -> (f64, f64) {
                match self { $(Self::$variant => ($factor, $offset)),* }
            }
        }
    };
}

/// Standard acceleration of free fall, m/s² (exact; 3rd CGPM, 1901).
pub const STANDARD_GRAVITY_MPS2: f64 = 9.806_65;

units! {
    KilometrePerHour "km/h" Speed 1.0 / 3.6, 0.0;
    MetrePerSecond "m/s" Speed 1.0, 0.0;
    RadianPerSecond "rad/s" AngularSpeed 1.0, 0.0;
    RevolutionPerMinute "rpm" AngularSpeed std::f64::consts::TAU / 60.0, 0.0;
    DegreePerSecond "deg/s" AngularSpeed std::f64::consts::PI / 180.0, 0.0;
    Bar "bar" Pressure 1.0, 0.0;
    Kilopascal "kPa" Pressure 0.01, 0.0;
    Pascal "Pa" Pressure 1e-5, 0.0;
    NewtonMetre "Nm" Torque 1.0, 0.0;
    Newton "N" Force 1.0, 0.0;
    Percent "%" Percent 1.0, 0.0;
    DegreeCelsius "degC" Temperature 1.0, 0.0;
    Kelvin "K" Temperature 1.0, -273.15;
    Degree "deg" Angle std::f64::consts::PI / 180.0, 0.0;
    Radian "rad" Angle 1.0, 0.0;
    StandardGravity "g" Acceleration STANDARD_GRAVITY_MPS2, 0.0;
    MetrePerSecondSquared "m/s2" Acceleration 1.0, 0.0;
    Ampere "A" Current 1.0, 0.0;
    Volt "V" Voltage 1.0, 0.0;
    Bare "" Bare 1.0, 0.0;
}

impl Unit {
    /// The value in the core unit of this unit's quantity.
    #[must_use]
    pub fn in_core(self, value: f64) -> f64 {
        // Dividing keeps the correctly rounded km/h to m/s result that a factor of 1/3.6 loses.
        match self {
            Self::KilometrePerHour => value / 3.6,
            _ => {
                let (factor, offset) = self.to_core();
                value * factor + offset
            }
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

/// The text is not a unit of the list.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct UnknownUnit(pub String);

impl fmt::Display for UnknownUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // The bare number has no text to see.
        let units = Unit::ALL.iter().filter(|unit| **unit != Unit::Bare);
        let list = units.map(|unit| unit.text()).collect::<Vec<_>>().join(", ");
        write!(f, "unknown unit \"{}\"; use one of {list} or \"\"", self.0)
    }
}

impl FromStr for Unit {
    type Err = UnknownUnit;

    fn from_str(text: &str) -> Result<Self, UnknownUnit> {
        Self::ALL
            .iter()
            .copied()
            .find(|unit| unit.text() == text)
            .ok_or_else(|| UnknownUnit(text.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_round_trips() {
        for &unit in Unit::ALL {
            assert_eq!(unit.text().parse(), Ok(unit));
        }
        assert_eq!(
            "furlong".parse::<Unit>(),
            Err(UnknownUnit("furlong".into()))
        );
    }

    #[test]
    fn core_units_are_those_that_need_no_conversion() {
        for &unit in Unit::ALL {
            let core = unit.quantity().core_unit();
            assert_eq!(
                (core.quantity(), core.to_core()),
                (unit.quantity(), (1.0, 0.0))
            );
        }
    }

    /// Conversions by definition (BIPM, The International System of Units, 9th edition, 2019).
    #[test]
    fn conversions_follow_the_definitions() {
        let check = |unit: Unit, value: f64, core: f64| {
            assert!((unit.in_core(value) - core).abs() < 1e-12, "{value} {unit}");
        };
        check(Unit::KilometrePerHour, 36.0, 10.0);
        check(Unit::RevolutionPerMinute, 60.0, std::f64::consts::TAU);
        check(Unit::DegreePerSecond, 180.0, std::f64::consts::PI);
        check(Unit::Kilopascal, 100.0, 1.0);
        check(Unit::Pascal, 100_000.0, 1.0);
        check(Unit::Kelvin, 273.15, 0.0);
        check(Unit::StandardGravity, 1.0, 9.806_65);
    }
}
