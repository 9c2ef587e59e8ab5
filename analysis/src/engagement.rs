//! Engagements: where the coupling closes and opens again, and everything measured of one.

use crate::measure::{Measure, Measured, TransferEstimate};

/// What made the coupling close.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// Pull-away from rest.
    Launch,
    /// Accelerator applied while rolling.
    TipIn,
    /// Engagement while steering.
    TurnIn,
}

impl Kind {
    /// Word in JSON, tables and text.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Launch => "launch",
            Self::TipIn => "tip-in",
            Self::TurnIn => "turn-in",
        }
    }
}

/// The event that times are counted from (definition 6); kinds of reference are never mixed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reference {
    /// The coupling demand crosses half of its own step.
    Demand,
    /// Slip leaves its noise band; the bus carries no demand.
    Slip,
}

impl Reference {
    /// Word in JSON, tables and text.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Demand => "demand",
            Self::Slip => "slip",
        }
    }
}

/// What drives an engagement; engagements are matched on these before they are compared.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Conditions {
    /// Rear-axle speed at the reference, m/s.
    pub speed_mps: Option<f64>,
    /// Size of the demand step, in the demand's own unit.
    pub demand_step: Option<f64>,
    /// Largest accelerator position of the engagement, per cent.
    pub accelerator_percent: Option<f64>,
    /// Largest accelerator rate around the reference, per cent per second.
    pub accelerator_rate_percent_per_s: Option<f64>,
    /// Coupling fluid temperature at the reference, °C.
    pub fluid_temperature_c: Option<f64>,
    /// Largest engine torque of the engagement, N·m.
    pub engine_torque_nm: Option<f64>,
}

/// Short traces around an engagement, for pictures. Equal lengths within each pair; times are
/// seconds from the reference.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trace {
    /// Times of `slip_mps`, s from the reference.
    pub slip_t_s: Vec<f64>,
    /// Front-rear slip, m/s.
    pub slip_mps: Vec<f64>,
    /// Times of `pressure_bar`, s from the reference.
    pub pressure_t_s: Vec<f64>,
    /// Coupling pressure, bar.
    pub pressure_bar: Vec<f64>,
    /// Times of `demand`, s from the reference.
    pub demand_t_s: Vec<f64>,
    /// Coupling demand, in its own unit.
    pub demand: Vec<f64>,
}

/// One closing of the coupling, from released to carrying torque and back, measured.
#[derive(Clone, Debug, PartialEq)]
pub struct Engagement {
    /// Start, ns since the epoch.
    pub start_ns: i64,
    /// End, ns since the epoch.
    pub end_ns: i64,
    /// What made it close.
    pub kind: Kind,
    /// The event that times are counted from.
    pub reference: Reference,
    /// When that event was, ns since the epoch.
    pub reference_ns: i64,
    /// What drove it.
    pub conditions: Conditions,
    /// One value a measure, indexed by `Measure as usize`.
    pub measures: Vec<Measured>,
    /// Every transfer-fraction estimate; the combined one is among `measures`.
    pub transfer: Vec<TransferEstimate>,
    /// Traces for pictures.
    pub trace: Trace,
}

impl Engagement {
    /// The value of one measure.
    #[must_use]
    pub fn measured(&self, measure: Measure) -> &Measured {
        &self.measures[measure as usize]
    }
}
