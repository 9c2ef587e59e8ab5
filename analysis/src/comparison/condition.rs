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
    /// Accelerator position; it stands in where there is no demand signal, since position and
    /// speed are what a control unit makes demand from.
    AcceleratorPosition,
}

impl Condition {
    /// Every condition.
    pub const ALL: [Self; 5] = [
        Self::FluidTemperature,
        Self::DemandStep,
        Self::AcceleratorRate,
        Self::Speed,
        Self::AcceleratorPosition,
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
        }
        .filter(|value| value.is_finite())
    }

    /// A difference that no driver can be asked to avoid, in the condition's unit: never a reason
    /// to call two engagements unlike, and a spread below it is not adjusted for. `typical` is the
    /// median size of the values. Common practice, no source.
    #[must_use]
    pub fn negligible(self, typical: f64) -> f64 {
        match self {
            Self::FluidTemperature => 5.0,
            Self::DemandStep => 0.05 * typical,
            Self::AcceleratorRate => 0.1 * typical,
            Self::Speed => 1.0,
            Self::AcceleratorPosition => 5.0,
        }
    }
}
