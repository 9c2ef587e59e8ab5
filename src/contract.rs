//! What `--json` prints: the public contract, one object a command. A program may rely on every
//! field here; fields are added, never renamed. A missing value is `null` with a `why`.

mod book;
mod drive;
mod plan;
mod stack;
mod trend;
#[cfg(target_os = "linux")]
mod watch;

pub(crate) mod check;
pub(crate) mod diagnose;
pub(crate) mod find;

use std::collections::BTreeMap;

use self::drive::{CouplingModelOutput, GroundSpeedOutput, TestedDriveOutput, TestedOutput};
use serde::Serialize;
use slipwright_analysis::book::Due;
use slipwright_analysis::comparison::{
    Comparison, EngagementPosition, MatchedPair, MeasureComparison, SetSize,
};
use slipwright_analysis::drive::{DriveMeasures, seconds_between};
use slipwright_analysis::engagement::Engagement;
use slipwright_analysis::measure::{Measure, Measured, TransferEstimate};

use crate::page::PageFiles;

pub(crate) use self::book::{BookOutput, DueOutput};
pub(crate) use self::plan::{PlanFile, PlanOutput};
pub(crate) use self::stack::StackOutput;
pub(crate) use self::trend::TrendOutput;
#[cfg(target_os = "linux")]
pub(crate) use self::watch::WatchOutput;

/// A measured value.
#[derive(Debug, Serialize)]
pub(crate) struct Value {
    value: Option<f64>,
    u: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    method: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    samples: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

impl From<&Measured> for Value {
    fn from(measured: &Measured) -> Self {
        match measured {
            Ok(estimate) => Self {
                value: Some(estimate.value),
                u: Some(estimate.u),
                method: Some(estimate.method),
                samples: Some(estimate.samples),
                why: None,
            },
            Err(missing) => Self {
                value: None,
                u: None,
                method: None,
                samples: None,
                why: Some(missing.to_string()),
            },
        }
    }
}

/// `decode`: what was written.
#[derive(Debug, Serialize)]
pub(crate) struct DecodeOutput {
    pub(crate) capture: String,
    pub(crate) out: String,
    pub(crate) duration_s: f64,
    pub(crate) frames: u64,
    pub(crate) signals: Vec<DecodedSignal>,
    pub(crate) warnings: Vec<String>,
}

/// One signal of `decode`.
#[derive(Debug, Serialize)]
pub(crate) struct DecodedSignal {
    pub(crate) signal: String,
    pub(crate) bus: String,
    pub(crate) id: u32,
    pub(crate) unit: &'static str,
    pub(crate) values: usize,
    pub(crate) invalid: usize,
}

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

/// `compare`: the proof.
#[derive(Debug, Serialize)]
pub(crate) struct CompareOutput<'a> {
    before: SetOutput,
    after: SetOutput,
    measures: Vec<MeasureComparisonOutput>,
    verdict: &'static str,
    sentence: String,
    warnings: Vec<String>,
    /// Of the car's book; not there without one.
    #[serde(skip_serializing_if = "Option::is_none")]
    reminders: Option<Vec<self::book::ReminderOutput<'a>>>,
    report: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pictures: Option<String>,
}

impl<'a> CompareOutput<'a> {
    pub(crate) fn new(
        comparison: &Comparison,
        sets: [&[DriveMeasures]; 2],
        of_drives: &[String],
        due: Option<&'a [Due]>,
        files: Option<&PageFiles>,
    ) -> Self {
        Self {
            before: comparison.before.into(),
            after: comparison.after.into(),
            measures: comparison
                .measures
                .iter()
                .map(|m| MeasureComparisonOutput::new(m, sets))
                .collect(),
            verdict: comparison.verdict.text(),
            sentence: comparison.sentence.clone(),
            warnings: [&comparison.warnings, of_drives].concat(),
            reminders: due.map(self::book::reminders),
            report: files.map(PageFiles::page),
            pictures: files.and_then(PageFiles::pictures),
        }
    }
}

#[derive(Debug, Serialize)]
struct SetOutput {
    drives: usize,
    engagements: usize,
}

impl From<SetSize> for SetOutput {
    fn from(size: SetSize) -> Self {
        Self {
            drives: size.drives,
            engagements: size.engagements,
        }
    }
}

/// Two engagements that were driven alike, and what was measured of them.
#[derive(Debug, Serialize)]
struct MatchedPairOutput {
    before: MatchedOutput,
    after: MatchedOutput,
}

#[derive(Debug, Serialize)]
struct MatchedOutput {
    capture: String,
    start_s: f64,
    value: f64,
}

impl MatchedPairOutput {
    fn new(
        pair: &MatchedPair,
        measure: Measure,
        [before, after]: [&[DriveMeasures]; 2],
    ) -> Option<Self> {
        let side = |set: &[DriveMeasures], at: EngagementPosition| {
            let drive = set.get(at.drive)?;
            let engagement = drive.engagements.get(at.engagement)?;
            Some(MatchedOutput {
                capture: drive.name.clone(),
                start_s: seconds_between(drive.start_ns, engagement.start_ns),
                value: engagement.estimate(measure)?.value,
            })
        };
        Some(Self {
            before: side(before, pair.before)?,
            after: side(after, pair.after)?,
        })
    }
}

#[derive(Debug, Serialize)]
struct MeasureComparisonOutput {
    name: &'static str,
    before_median: Option<f64>,
    after_median: Option<f64>,
    before_u: Option<f64>,
    after_u: Option<f64>,
    shift: Option<f64>,
    ci_low: Option<f64>,
    ci_high: Option<f64>,
    p: Option<f64>,
    p_holm: Option<f64>,
    smallest_provable: Option<f64>,
    pairs: usize,
    matched: Vec<MatchedPairOutput>,
    verdict: &'static str,
    method: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

impl MeasureComparisonOutput {
    fn new(m: &MeasureComparison, sets: [&[DriveMeasures]; 2]) -> Self {
        Self {
            name: m.measure.key(),
            before_median: m.before_median,
            after_median: m.after_median,
            before_u: m.before_u,
            after_u: m.after_u,
            shift: m.shift,
            ci_low: m.ci_low,
            ci_high: m.ci_high,
            p: m.p,
            p_holm: m.p_holm,
            smallest_provable: m.smallest_provable,
            pairs: m.pairs,
            matched: m
                .matched
                .iter()
                .filter_map(|pair| MatchedPairOutput::new(pair, m.measure, sets))
                .collect(),
            verdict: m.verdict.text(),
            method: m.method,
            why: m.why.clone(),
        }
    }
}

/// `simulate`: what was written.
#[derive(Debug, Serialize)]
pub(crate) struct SimulateOutput {
    /// Folder of the drives; `null` if only a picture was asked for.
    pub(crate) out: Option<String>,
    pub(crate) seed: u64,
    pub(crate) captures: Vec<String>,
    pub(crate) engagements: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) picture: Option<String>,
}

/// `mark`: where it was set, or why not.
#[cfg(target_os = "linux")]
#[derive(Debug, Serialize)]
pub(crate) struct MarkOutput {
    pub(crate) drive: Option<String>,
    /// Seconds after the drive's first frame.
    pub(crate) at_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) why: Option<String>,
}

/// `status`: whether a recorder runs, and its live state as it tells it.
#[cfg(target_os = "linux")]
#[derive(Debug, Serialize)]
pub(crate) struct StatusOutput {
    running: bool,
    #[serde(flatten)]
    status: Option<slipwright_logger::recorder::live::Status>,
}

#[cfg(target_os = "linux")]
impl StatusOutput {
    pub(crate) fn new(status: Option<slipwright_logger::recorder::live::Status>) -> Self {
        Self {
            running: status.is_some(),
            status,
        }
    }
}

/// Prints one object and a line end.
pub(crate) fn print(
    out: &mut impl std::io::Write,
    object: &impl Serialize,
) -> Result<(), crate::failure::Failure> {
    let text = serde_json::to_string_pretty(object)
        .map_err(|error| crate::failure::Failure::Internal(error.to_string()))?;
    writeln!(out, "{text}").map_err(crate::failure::Failure::Printing)
}
