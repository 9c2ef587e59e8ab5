//! How the signals of a drawn layout may be coded. Every coding covers what its quantity does in
//! the simulator's cars; lengths, scales and offsets are such as cars have (common practice, no
//! source).

use slipwright_decoders::decoder_file::SignalEntry;
use slipwright_decoders::field::{BitOrder, Coding, Field, FieldError};
use slipwright_decoders::role::Role;
use slipwright_decoders::signal::SignalKey;
use slipwright_decoders::unit::Unit::{self, *};

use crate::random::Stream;
use crate::source::Source;

/// A coding: length in bits, signed, scale, offset, unit.
pub(super) type Code = (u8, bool, f64, f64, Unit);

/// A signal that has its coding and not yet its place.
#[derive(Clone, Debug)]
pub(super) struct Signal {
    key: SignalKey,
    pub(super) source: Source,
    code: Code,
    /// Whether the highest codes mean "not available".
    sentinel: bool,
}

impl Signal {
    /// A role's signal in this coding.
    pub(super) fn role(role: Role, code: Code, random: &mut Stream) -> Self {
        // Wheel sensors and satellite receivers know when they have nothing to say.
        let always = Role::WHEELS.contains(&role) || role == Role::GroundSpeed;
        Self {
            key: SignalKey::Role(role),
            source: Source::Role(role),
            code,
            sentinel: code.0 >= 7 && (always || random.chance(0.5)),
        }
    }

    /// A signal without a role.
    pub(super) fn named(name: &str, source: Source, code: Code) -> Self {
        Self {
            key: SignalKey::Name(name.to_owned()),
            source,
            code,
            sentinel: false,
        }
    }

    pub(super) fn length(&self) -> u8 {
        self.code.0
    }

    /// The signal at a place.
    pub(super) fn at(&self, start: u16, order: BitOrder) -> Result<SignalEntry, FieldError> {
        let (length, signed, scale, offset, unit) = self.code;
        let coding = if signed {
            Coding::Signed
        } else {
            Coding::Unsigned
        };
        let field = Field::new(start, length, order, coding)?;
        let mut entry = SignalEntry::new(self.key.clone(), field, scale, offset, unit);
        if self.sentinel {
            entry.invalid_raw = match signed {
                true => vec![1 << (length - 1)],
                false => vec![field.mask(), field.mask() - 1],
            };
        }
        Ok(entry)
    }
}

/// A coding of wheel speeds; all four of a car share it.
pub(super) fn wheel_code(random: &mut Stream) -> Code {
    random.pick(&[
        (16, false, 0.01, 0.0, KilometrePerHour),
        (16, false, 0.01, -67.67, KilometrePerHour),
        (16, false, 1.0 / 256.0, 0.0, KilometrePerHour),
        (16, false, 1.0 / 128.0, 0.0, KilometrePerHour),
        (16, false, 1.0 / 128.0, -7.8125, KilometrePerHour),
        (16, false, 1.0 / 64.0, -100.0, KilometrePerHour),
        (15, false, 0.01, 0.0, KilometrePerHour),
        (15, false, 1.0 / 64.0, -67.0, KilometrePerHour),
        (14, false, 1.0 / 64.0, 0.0, KilometrePerHour),
        (13, false, 1.0 / 32.0, 0.0, KilometrePerHour),
        (12, false, 1.0 / 16.0, 0.0, KilometrePerHour),
        (16, true, 0.01, 0.0, KilometrePerHour),
        (16, false, 0.002, 0.0, MetrePerSecond),
        (14, false, 0.005, 0.0, MetrePerSecond),
        (16, false, 1.0 / 128.0, 0.0, RadianPerSecond),
        (14, false, 0.02, 0.0, RadianPerSecond),
        (16, false, 0.125, 0.0, RevolutionPerMinute),
        (15, false, 0.1, -100.0, RevolutionPerMinute),
    ])
}

/// A coding of a role other than a wheel's speed.
pub(super) fn role_code(role: Role, random: &mut Stream) -> Code {
    match role {
        Role::EngineTorque => random.pick(&[
            (16, true, 0.1, 0.0, NewtonMetre),
            (12, false, 0.5, -848.0, NewtonMetre),
            (11, false, 1.0, -400.0, NewtonMetre),
            (16, false, 0.0625, -1000.0, NewtonMetre),
        ]),
        Role::EngineSpeed => random.pick(&[
            (16, false, 0.25, 0.0, RevolutionPerMinute),
            (16, false, 0.125, 0.0, RevolutionPerMinute),
            (14, false, 0.5, 0.0, RevolutionPerMinute),
            (13, false, 1.0, 0.0, RevolutionPerMinute),
            (12, false, 3.0, 0.0, RevolutionPerMinute),
        ]),
        Role::PedalAccelerator | Role::PedalBrake => random.pick(&[
            (8, false, 0.4, 0.0, Percent),
            (8, false, 100.0 / 255.0, 0.0, Percent),
            (8, false, 0.5, 0.0, Percent),
            (10, false, 0.1, 0.0, Percent),
            (7, false, 1.0, 0.0, Percent),
        ]),
        Role::CouplingDemand => random.pick(&[
            (8, false, 0.4, 0.0, Percent),
            (8, false, 100.0 / 255.0, 0.0, Percent),
            (10, false, 0.1, 0.0, Percent),
            (12, false, 0.05, 0.0, Percent),
            (16, false, 0.01, 0.0, Percent),
        ]),
        Role::CouplingPressure => random.pick(&[
            (12, false, 0.02, -1.0, Bar),
            (8, false, 0.25, 0.0, Bar),
            (10, false, 0.05, 0.0, Bar),
            (11, false, 0.05, -2.0, Bar),
            (16, false, 0.01, 0.0, Bar),
            (16, false, 1.0, 0.0, Kilopascal),
            (16, true, 0.005, 0.0, Bar),
        ]),
        Role::CouplingPumpCurrent => random.pick(&[
            (8, false, 0.25, 0.0, Ampere),
            (10, false, 0.1, 0.0, Ampere),
            (16, false, 0.01, 0.0, Ampere),
        ]),
        Role::CouplingTemperature => random.pick(&[
            (8, false, 1.0, -40.0, DegreeCelsius),
            (9, false, 0.5, -40.0, DegreeCelsius),
            (12, false, 0.125, 0.0, Kelvin),
        ]),
        Role::AmbientTemperature => random.pick(&[
            (8, false, 0.5, -40.0, DegreeCelsius),
            (8, false, 1.0, -40.0, DegreeCelsius),
        ]),
        Role::SupplyVoltage => random.pick(&[
            (8, false, 0.1, 0.0, Volt),
            (8, false, 0.08, 0.0, Volt),
            (10, false, 0.02, 0.0, Volt),
        ]),
        Role::SteeringAngle => random.pick(&[
            (16, true, 0.1, 0.0, Degree),
            (16, true, 0.043_75, 0.0, Degree),
            (15, false, 0.1, -1638.4, Degree),
            (14, true, 0.1, 0.0, Degree),
            (16, true, 1.0 / 1024.0, 0.0, Radian),
        ]),
        Role::BodyYawRate => random.pick(&[
            (16, true, 0.01, 0.0, DegreePerSecond),
            (16, false, 0.005, -163.84, DegreePerSecond),
            (14, true, 0.02, 0.0, DegreePerSecond),
            (16, true, 1.0 / 4096.0, 0.0, RadianPerSecond),
        ]),
        Role::BodyAccelLong | Role::BodyAccelLat => random.pick(&[
            (16, true, 0.005, 0.0, MetrePerSecondSquared),
            (12, true, 0.02, 0.0, MetrePerSecondSquared),
            (12, false, 0.02, -40.0, MetrePerSecondSquared),
            (16, true, 0.001, 0.0, StandardGravity),
        ]),
        Role::GroundSpeed => random.pick(&[
            (16, false, 0.01, 0.0, MetrePerSecond),
            (16, false, 0.01, 0.0, KilometrePerHour),
            (16, false, 1.0 / 256.0, 0.0, KilometrePerHour),
        ]),
        Role::Gear => random.pick(&[(4, true, 1.0, 0.0, Bare), (4, false, 1.0, -2.0, Bare)]),
        _ => (1, false, 1.0, 0.0, Bare),
    }
}

/// A coding of a speed that no wheel sensor gives.
pub(super) fn speed_code(random: &mut Stream) -> Code {
    random.pick(&[
        (16, false, 0.01, 0.0, KilometrePerHour),
        (16, false, 1.0 / 256.0, 0.0, KilometrePerHour),
        (12, false, 0.1, 0.0, KilometrePerHour),
        (8, false, 1.0, 0.0, KilometrePerHour),
        (9, false, 0.5, 0.0, KilometrePerHour),
    ])
}
