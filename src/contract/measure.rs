//! JSON of `measure`: each drive with its engagements, their conditions and measures.

use std::collections::BTreeMap;

use serde::Serialize;
use slipwright_analysis::measure::{Measure, TransferEstimate};
use slipwright_analysis::measures::{DriveMeasures, Engagement};

use super::Value;
use super::drive::{CouplingModelOutput, GroundSpeedOutput, TestedDriveOutput, TestedOutput};

/// `measure`: one entry a drive that could be read.
#[derive(Debug, Serialize)]
pub(crate) struct MeasureOutput {
    drives: Vec<Drive>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    failures: Vec<String>,
    /// Where the engagements were written.
    #[serde(skip_serializing_if = "Option::is_none")]
    dataset: Option<DatasetOutput>,
}

/// A partitioned dataset, and the files of it that were written, by their paths in it.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct DatasetOutput {
    pub(crate) folder: String,
    pub(crate) files: Vec<String>,
}

impl MeasureOutput {
    pub(crate) fn new(
        drives: &[DriveMeasures],
        failures: &[String],
        dataset: Option<DatasetOutput>,
    ) -> Self {
        Self {
            drives: drives.iter().map(Drive::from).collect(),
            failures: failures.to_vec(),
            dataset,
        }
    }
}

#[derive(Debug, Serialize)]
struct Drive {
    capture: String,
    duration_s: f64,
    frames: u64,
    noise_slip_mps: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    noise_slip_why: Option<String>,
    radius_ratio: BTreeMap<&'static str, Value>,
    engagements: Vec<EngagementOutput>,
    coupling_model: CouplingModelOutput,
    tested: TestedDriveOutput,
    ground_speed_scale: GroundSpeedOutput,
    warnings: Vec<String>,
}

impl From<&DriveMeasures> for Drive {
    fn from(drive: &DriveMeasures) -> Self {
        let ratio = &drive.radius_ratio;
        Self {
            capture: drive.name.clone(),
            duration_s: drive.duration_s,
            frames: drive.frames,
            noise_slip_mps: drive.noise_slip_mps.as_ref().ok().map(|e| e.value),
            noise_slip_why: drive.noise_slip_mps.as_ref().err().map(ToString::to_string),
            radius_ratio: BTreeMap::from([
                ("front_left", Value::from(&ratio.front_left)),
                ("front_right", Value::from(&ratio.front_right)),
                ("rear_left", Value::from(&ratio.rear_left)),
                ("rear_right", Value::from(&ratio.rear_right)),
            ]),
            engagements: drive
                .engagements
                .iter()
                .map(|e| EngagementOutput::new(e, drive.start_ns))
                .collect(),
            coupling_model: CouplingModelOutput::from(&drive.coupling_model),
            tested: TestedDriveOutput::from(&drive.tested),
            ground_speed_scale: GroundSpeedOutput::from(&drive.ground_speed),
            warnings: drive.warnings.clone(),
        }
    }
}

#[derive(Debug, Serialize)]
struct EngagementOutput {
    start_s: f64,
    end_s: f64,
    kind: &'static str,
    reference: &'static str,
    reference_s: f64,
    conditions: ConditionsOutput,
    #[serde(flatten)]
    measures: BTreeMap<&'static str, Value>,
    transfer: Vec<Transfer>,
    tested: TestedOutput,
}

/// Seconds between two stamps.
fn seconds(from_ns: i64, to_ns: i64) -> f64 {
    to_ns.saturating_sub(from_ns) as f64 / 1e9
}

impl EngagementOutput {
    fn new(engagement: &Engagement, start_ns: i64) -> Self {
        Self {
            start_s: seconds(start_ns, engagement.start_ns),
            end_s: seconds(start_ns, engagement.end_ns),
            kind: engagement.kind.text(),
            reference: engagement.reference.text(),
            reference_s: seconds(start_ns, engagement.reference_ns),
            conditions: ConditionsOutput::from(engagement),
            measures: Measure::ALL
                .iter()
                .map(|&m| (m.key(), Value::from(engagement.measured(m))))
                .collect(),
            transfer: engagement.transfer.iter().map(Transfer::from).collect(),
            tested: TestedOutput::from(&engagement.tested),
        }
    }
}

#[derive(Debug, Serialize)]
struct ConditionsOutput {
    speed_mps: Option<f64>,
    demand_step: Option<f64>,
    accelerator_percent: Option<f64>,
    accelerator_rate_percent_per_s: Option<f64>,
    fluid_temperature_c: Option<f64>,
    engine_torque_nm: Option<f64>,
}

impl From<&Engagement> for ConditionsOutput {
    fn from(engagement: &Engagement) -> Self {
        let c = &engagement.conditions;
        Self {
            speed_mps: c.speed_mps,
            demand_step: c.demand_step,
            accelerator_percent: c.accelerator_percent,
            accelerator_rate_percent_per_s: c.accelerator_rate_percent_per_s,
            fluid_temperature_c: c.fluid_temperature_c,
            engine_torque_nm: c.engine_torque_nm,
        }
    }
}

#[derive(Debug, Serialize)]
struct Transfer {
    #[serde(flatten)]
    fraction: Value,
    /// Stands in for the estimate's own short method text, which the flattened value leaves out.
    assumption: &'static str,
    upper_bound: bool,
}

impl From<&TransferEstimate> for Transfer {
    fn from(transfer: &TransferEstimate) -> Self {
        let mut fraction = Value::from(&transfer.fraction);
        fraction.method = Some(transfer.method.text());
        Self {
            fraction,
            assumption: transfer.assumption,
            upper_bound: transfer.upper_bound,
        }
    }
}
