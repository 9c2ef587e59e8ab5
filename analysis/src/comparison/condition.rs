//! What drives an engagement, as matching and adjustment see it.

use crate::engagement::Conditions;

/// A condition on which engagements are matched, in the order in which they are adjusted for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Condition {
    /// Coupling fluid temperature.
    FluidTemperature,
    /// Size of the demand step.
    DemandStep,
    /// Accelerator rate.
    AcceleratorRate,
    /// Speed at the start.
    Speed,
    /// Accelerator position: what drives slip where demand does not follow the pedal, as of a control
    /// unit that closes the coupling by one step.
    AcceleratorPosition,
    /// Engine torque; it stands in where the bus carries no accelerator.
    EngineTorque,
}

impl Condition {
    /// Every condition.
    pub const ALL: [Self; 6] = [
        Self::FluidTemperature,
        Self::DemandStep,
        Self::AcceleratorRate,
        Self::Speed,
        Self::AcceleratorPosition,
        Self::EngineTorque,
    ];

    /// As said to a person.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::FluidTemperature => "fluid temperature",
            Self::DemandStep => "demand size",
            Self::AcceleratorRate => "accelerator rate",
            Self::Speed => "speed at start",
            Self::AcceleratorPosition => "accelerator position",
            Self::EngineTorque => "engine torque",
        }
    }

    /// Unit as printed; the demand's own unit is not known here.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::FluidTemperature => "°C",
            Self::DemandStep => "",
            Self::AcceleratorRate => "%/s",
            Self::Speed => "m/s",
            Self::AcceleratorPosition => "%",
            Self::EngineTorque => "N·m",
        }
    }

    /// Its value in one engagement; `None` if it is missing or not a finite number.
    #[must_use]
    pub fn of(self, conditions: &Conditions) -> Option<f64> {
        match self {
            Self::FluidTemperature => conditions.fluid_temperature_c,
            Self::DemandStep => conditions.demand_step,
            Self::AcceleratorRate => conditions.accelerator_rate_percent_per_s,
            Self::Speed => conditions.speed_mps,
            Self::AcceleratorPosition => conditions.accelerator_percent,
            Self::EngineTorque => conditions.engine_torque_nm,
        }
        .filter(|value| value.is_finite())
    }

    /// A difference that no driver can be asked to avoid, in the condition's unit: never a reason
    /// to call two engagements unlike. `typical` is the median size of the values. Common practice, no source.
    #[must_use]
    pub fn negligible(self, typical: f64) -> f64 {
        match self {
            Self::FluidTemperature => 5.0,
            Self::DemandStep => 0.05 * typical,
            Self::AcceleratorRate => 0.1 * typical,
            Self::Speed => 1.0,
            Self::AcceleratorPosition => 5.0,
            Self::EngineTorque => 0.1 * typical,
        }
    }

    /// The condition that it stands in for: it is used only where the other is missing.
    #[must_use]
    pub fn stands_in_for(self) -> Option<Self> {
        (self == Self::EngineTorque).then_some(Self::AcceleratorPosition)
    }

    /// Whether it says how far the accelerator goes, which demand may follow.
    #[must_use]
    pub fn is_throttle(self) -> bool {
        matches!(self, Self::AcceleratorPosition | Self::EngineTorque)
    }

    /// A spread below which it is not adjusted for, in the condition's unit. Slip goes with the
    /// accelerator more than in proportion, so little of it matters.
    #[must_use]
    pub fn adjusted_from(self, typical: f64) -> f64 {
        match self {
            Self::AcceleratorPosition => 2.0,
            Self::EngineTorque => 0.04 * typical,
            _ => self.negligible(typical),
        }
    }
}
