//! One engagement, measured: its values with their uncertainties, and traces for pictures.

use serde::{Deserialize, Serialize};
use slipwright_decoders::role::Role;

use crate::engagement::{Conditions, Kind, Reference};
use crate::measure::{Estimate, Measure, Measured, TransferEstimate};
use crate::tested::Tested;

/// Short traces around an engagement, for pictures. Equal lengths within each pair; times are
/// seconds from the reference.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
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
    /// Every other signal of the drive, in the order of the list of roles.
    pub others: Vec<RoleTrace>,
}

/// One signal around an engagement.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RoleTrace {
    /// What it means.
    #[serde(with = "crate::kept::role")]
    pub role: Role,
    /// Times, s from the reference.
    pub t_s: Vec<f64>,
    /// Values in the core unit; wheel speeds as decoded, without radius correction.
    pub values: Vec<f64>,
}

/// One closing of the coupling, from released to carrying torque and back, measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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
    pub measures: [Measured; Measure::COUNT],
    /// Every transfer-fraction estimate; the combined one is among `measures`.
    pub transfer: Vec<TransferEstimate>,
    /// How much of the coupling's rated torque it tested.
    pub tested: Tested,
    /// Traces for pictures; kept apart from the rest, as they are much longer.
    #[serde(skip)]
    pub trace: Trace,
}

impl Engagement {
    /// What was measured of one measure.
    pub fn measured(&self, measure: Measure) -> &Measured {
        &self.measures[measure as usize]
    }

    /// The value of one measure, if it is a finite number.
    #[must_use]
    pub fn estimate(&self, measure: Measure) -> Option<&Estimate> {
        let estimate = self.measured(measure).as_ref().ok()?;
        estimate.value.is_finite().then_some(estimate)
    }

    /// Why a measure has no such value.
    #[must_use]
    pub fn why_missing(&self, measure: Measure) -> Option<String> {
        match self.measured(measure) {
            Ok(estimate) if estimate.value.is_finite() => None,
            Ok(_) => Some("the value is not a number".to_owned()),
            Err(missing) => Some(missing.to_string()),
        }
    }
}
