//! What is kept of a measured drive: enough to follow it over years, without traces and models.

use crate::engagement::{Conditions, Kind, Reference};
use crate::measure::Measure;
use crate::measures::{DriveMeasures, Engagement};

/// One drive.
#[derive(Clone, Debug, PartialEq)]
pub struct DriveSummary {
    /// First frame, ns since the epoch.
    pub start_ns: i64,
    /// First to last frame, s.
    pub duration_s: f64,
    /// Its engagements.
    pub engagements: Vec<EngagementSummary>,
    /// Each wheel's rolling radius over the rear mean with its standard uncertainty, where known:
    /// front left, front right, rear left, rear right.
    pub radius_ratios: [Option<(f64, f64)>; 4],
}

/// One engagement.
#[derive(Clone, Debug, PartialEq)]
pub struct EngagementSummary {
    /// What made it close; kinds are never mixed.
    pub kind: Kind,
    /// The event that times are counted from; never mixed either.
    pub reference: Reference,
    /// What drove it.
    pub conditions: Conditions,
    /// One finite value a measure, indexed by `Measure as usize`.
    pub values: [Option<f64>; Measure::COUNT],
}

impl EngagementSummary {
    /// The value of a measure.
    #[must_use]
    pub fn value(&self, measure: Measure) -> Option<f64> {
        self.values[measure as usize]
    }
}

impl DriveSummary {
    /// Sum of the friction work of its engagements, J; nothing if it is missing in all of them.
    #[must_use]
    pub fn friction_work_j(&self) -> Option<f64> {
        let works = self.engagements.iter();
        let works: Vec<f64> = works
            .filter_map(|e| e.value(Measure::FrictionWork))
            .collect();
        (!works.is_empty()).then(|| works.iter().sum())
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
            radius_ratios: [
                &drive.radius_ratio.front_left,
                &drive.radius_ratio.front_right,
                &drive.radius_ratio.rear_left,
                &drive.radius_ratio.rear_right,
            ]
            .map(|ratio| ratio.as_ref().ok().map(|r| (r.value, r.u))),
        }
    }
}

impl From<&Engagement> for EngagementSummary {
    fn from(engagement: &Engagement) -> Self {
        Self {
            kind: engagement.kind,
            reference: engagement.reference,
            conditions: engagement.conditions,
            values: Measure::each(|measure| engagement.estimate(measure).map(|e| e.value)),
        }
    }
}
