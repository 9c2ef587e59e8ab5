//! What is kept of a measured drive: enough to follow it over years, small enough to keep by the
//! thousand.

use serde::{Deserialize, Serialize};

use crate::drive::DriveMeasures;
use crate::engagement::{Engagement, Kind, Reference};
use crate::measure::Measure;

/// One drive.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DriveSummary {
    /// First frame, ns since the epoch.
    pub start_ns: i64,
    /// First to last frame, s.
    pub duration_s: f64,
    /// Its engagements.
    pub engagements: Vec<EngagementSummary>,
}

/// One engagement.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EngagementSummary {
    /// What made it close; kinds are never mixed.
    pub kind: String,
    /// The event that times are counted from; never mixed either.
    pub reference: String,
    /// What drove it: speed, demand step, accelerator position, fluid temperature.
    pub conditions: [Option<f64>; 4],
    /// One value a measure, by its key.
    pub values: Vec<(String, f64)>,
}

impl DriveSummary {
    /// The value of a measure in an engagement.
    pub(super) fn value(engagement: &EngagementSummary, measure: Measure) -> Option<f64> {
        let values = &engagement.values;
        values
            .iter()
            .find(|(key, _)| key == measure.key())
            .map(|(_, value)| *value)
            .filter(|value| value.is_finite())
    }

    /// Sum of the friction work of its engagements, J; nothing if it is missing in all of them.
    #[must_use]
    pub fn friction_work_j(&self) -> Option<f64> {
        let values: Vec<f64> = self
            .engagements
            .iter()
            .filter_map(|e| Self::value(e, Measure::FrictionWork))
            .collect();
        (!values.is_empty()).then(|| values.iter().sum())
    }

    /// Adds the engagements of another capture of the same drive.
    pub fn join(&mut self, other: Self) {
        self.start_ns = self.start_ns.min(other.start_ns);
        self.duration_s += other.duration_s;
        self.engagements.extend(other.engagements);
    }
}

impl From<&DriveMeasures> for DriveSummary {
    fn from(drive: &DriveMeasures) -> Self {
        Self {
            start_ns: drive.start_ns,
            duration_s: drive.duration_s,
            engagements: drive
                .engagements
                .iter()
                .map(EngagementSummary::from)
                .collect(),
        }
    }
}

impl From<&Engagement> for EngagementSummary {
    fn from(engagement: &Engagement) -> Self {
        let c = &engagement.conditions;
        let value = |&measure: &Measure| {
            let estimate = engagement.measured(measure).as_ref().ok()?;
            Some((measure.key().to_owned(), estimate.value))
        };
        let (kind, reference): (Kind, Reference) = (engagement.kind, engagement.reference);
        Self {
            kind: kind.text().to_owned(),
            reference: reference.text().to_owned(),
            conditions: [
                c.speed_mps,
                c.demand_step,
                c.accelerator_percent,
                c.fluid_temperature_c,
            ],
            values: Measure::ALL.iter().filter_map(value).collect(),
        }
    }
}
