//! What `--json` prints: the public contract, one object a command. A program may rely on every
//! field here; fields are added, never renamed. A missing value is `null` with a `why`.
//!
//! Commands put what they found into an object, and the object into [`print()`]. An object is in the
//! module of its command's name, what `measure` tells of a whole drive in `drive`. Here are the
//! measured [`Value`] and the objects of few fields: of `decode`, `simulate`, `mark` and `status`.

mod book;
mod compare;
mod drive;
mod measure;
mod plan;
mod stack;
mod trend;
#[cfg(target_os = "linux")]
mod watch;

pub(crate) mod check;
pub(crate) mod diagnose;
pub(crate) mod find;

use serde::Serialize;
use slipwright_analysis::measure::Measured;

pub(crate) use self::book::{BookOutput, DueOutput};
pub(crate) use self::compare::CompareOutput;
pub(crate) use self::measure::{DatasetOutput, MeasureOutput};
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
    /// `null` where there is a value.
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
