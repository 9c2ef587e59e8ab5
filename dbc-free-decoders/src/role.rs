//! Roles: what a signal means, whichever car it came from. One list; help, files and charts all
//! take their words from it.

use std::fmt;
use std::str::FromStr;

use crate::unit::{Quantity, Unit};

macro_rules! roles {
    ($($variant:ident $text:literal $label:literal [$($quantity:ident)+];)*) => {
        /// What a signal means.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Role {
            $(#[doc = concat!("`", $text, "`: ", $label, ".")] $variant,)*
        }

        impl Role {
            /// Every role, in the order in which tables list them.
            pub const ALL: &[Self] = &[$(Self::$variant),*];

            /// As written in files.
            #[must_use]
            pub fn text(self) -> &'static str {
                match self { $(Self::$variant => $text),* }
            }

            /// As said to a person.
            #[must_use]
            pub fn label(self) -> &'static str {
                match self { $(Self::$variant => $label),* }
            }

            /// The quantities it may be measured in.
            #[must_use]
            pub fn quantities(self) -> &'static [Quantity] {
                match self { $(Self::$variant => &[$(Quantity::$quantity),+]),* }
            }
        }
    };
}

roles! {
    WheelSpeedFrontLeft "wheel_speed.front_left" "front left wheel speed" [Speed AngularSpeed];
    WheelSpeedFrontRight "wheel_speed.front_right" "front right wheel speed" [Speed AngularSpeed];
    WheelSpeedRearLeft "wheel_speed.rear_left" "rear left wheel speed" [Speed AngularSpeed];
    WheelSpeedRearRight "wheel_speed.rear_right" "rear right wheel speed" [Speed AngularSpeed];
    CouplingPressure "coupling.pressure" "coupling pressure" [Pressure];
    CouplingDemand "coupling.demand" "coupling demand" [Percent Pressure Torque Current Bare];
    CouplingTemperature "coupling.temperature" "coupling temperature" [Temperature];
    CouplingPumpCurrent "coupling.pump_current" "pump current" [Current];
    CouplingInhibited "coupling.inhibited" "coupling inhibited" [Bare];
    EngineTorque "engine.torque" "engine torque" [Torque];
    EngineSpeed "engine.speed" "engine speed" [AngularSpeed];
    PedalAccelerator "pedal.accelerator" "accelerator pedal" [Percent Bare];
    PedalBrake "pedal.brake" "brake pedal" [Percent Bare Pressure];
    Gear "gear" "gear" [Bare];
    SteeringAngle "steering.angle" "steering angle" [Angle];
    BodyYawRate "body.yaw_rate" "yaw rate" [AngularSpeed];
    BodyAccelLong "body.accel_long" "longitudinal acceleration" [Acceleration];
    BodyAccelLat "body.accel_lat" "lateral acceleration" [Acceleration];
    GroundSpeed "ground.speed" "ground speed" [Speed];
    AmbientTemperature "ambient.temperature" "ambient temperature" [Temperature];
    AbsActive "abs.active" "anti-lock braking active" [Bare];
    TractionActive "traction.active" "traction control active" [Bare];
    SupplyVoltage "supply.voltage" "supply voltage" [Voltage];
}

impl Role {
    /// The four wheel speeds: front left, front right, rear left, rear right.
    pub const WHEELS: [Self; 4] = [
        Self::WheelSpeedFrontLeft,
        Self::WheelSpeedFrontRight,
        Self::WheelSpeedRearLeft,
        Self::WheelSpeedRearRight,
    ];

    /// Whether it is a state, which has no values between its values and holds until the next.
    #[must_use]
    pub fn is_state(self) -> bool {
        matches!(
            self,
            Self::Gear | Self::CouplingInhibited | Self::AbsActive | Self::TractionActive
        )
    }

    /// Whether a signal of this role may be given in `unit`.
    #[must_use]
    pub fn accepts(self, unit: Unit) -> bool {
        self.quantities().contains(&unit.quantity())
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

/// The text is not a role of the list.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("unknown role \"{0}\"")]
pub struct UnknownRole(pub String);

impl FromStr for Role {
    type Err = UnknownRole;

    fn from_str(text: &str) -> Result<Self, UnknownRole> {
        Self::ALL
            .iter()
            .copied()
            .find(|role| role.text() == text)
            .ok_or_else(|| UnknownRole(text.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_round_trips() {
        for &role in Role::ALL {
            assert_eq!(role.text().parse(), Ok(role));
        }
        assert!("wheel_speed.middle".parse::<Role>().is_err());
    }

    #[test]
    fn a_unit_fits_its_role_or_not() {
        assert!(Role::WheelSpeedFrontLeft.accepts(Unit::KilometrePerHour));
        assert!(Role::WheelSpeedFrontLeft.accepts(Unit::RevolutionPerMinute));
        assert!(!Role::WheelSpeedFrontLeft.accepts(Unit::Bar));
        assert!(Role::CouplingPressure.accepts(Unit::Kilopascal));
        assert!(!Role::Gear.accepts(Unit::Degree));
    }
}
